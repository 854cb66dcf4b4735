"""Packs: filling by pockets, dry pack, shipping, returns, and packs made from packs. Start with `fill.py`."""

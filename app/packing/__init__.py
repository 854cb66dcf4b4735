"""Packs: filled, closed, dry packed, re-reeled, cut, joined, taken off the tape, shipped and taken back.

What pockets hold is arithmetic (`pockets.py`); so are date codes (`date_codes.py`) and shelf life (`dry_pack.py`). The verbs
write the ledger's tables; they use the floor, the holds and the catalogue. Start with `fill.py`.
"""

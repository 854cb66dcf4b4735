"""Histories of the oracle, done again by the program's own verbs, and its answers compared. Start with `driver.py`."""

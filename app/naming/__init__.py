"""One code, one thing: the codes of all kinds in one table, and other people's numbers as aliases. Start with `resolve.py`."""

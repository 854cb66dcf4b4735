"""What may be built, how, where, and for whom: one readable file, kept as things and their definitions. Start with `definitions.py`."""

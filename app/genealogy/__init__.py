"""Answers from the record: back to the origins, forward to the packs and customers, what can and what must be. Start with `trace.py`."""

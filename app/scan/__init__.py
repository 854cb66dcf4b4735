"""What a scan means here and now: the floor terminal's one field. `choose.py` decides, `pages.py` asks and does. Start with `choose.py`."""

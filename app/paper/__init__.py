"""Work on paper: an area's sheets, printed or kept by its terminals, and back entry of what was written on them. Start with `pages.py`."""

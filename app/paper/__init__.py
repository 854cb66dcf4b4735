"""Back entry: what was done on paper while the server was down, entered by a lead in order and with its true times. Start with `pages.py`."""

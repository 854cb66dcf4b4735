"""The ground of every page and call: rendering, fields, forgery, headers, and what goes wrong as an answer. Start with `guard.py`."""

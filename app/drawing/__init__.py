"""Pictures from ready values: no session, no files, nothing of the factory. Each answers SVG as text. Start with `symbols.py`."""

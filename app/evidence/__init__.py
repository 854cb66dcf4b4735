"""Original files and photos as they came, kept under the data folder by their digest. Start with `keep.py`."""

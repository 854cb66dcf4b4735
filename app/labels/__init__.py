"""What stands on a label, and how a scanner reads it. `messages.py` writes and reads ISO/IEC 15434. Uses packing and drawing."""

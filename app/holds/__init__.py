"""Stop and release. Placing is one row; what comes of a held thing is found by walking up from it. Start with `stopped.py`."""

"""Ovens: loads on shelves, the loggers' files, the judgement of each line, heat. Uses the floor. Start with `loads.py`."""

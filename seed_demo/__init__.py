"""An invented factory that drives the program by its own actions, and keeps its own truth of every unit. Start with `build.py`."""

"""The board: where every lot is, what is late, what is stuck and why, what comes out of the line today; effectiveness; the shift report.

It reads and never writes. Start at `pages.py`; `whole.py` gathers it from `parts.py`, `forecast.py` and `effectiveness.py` are pure.
"""

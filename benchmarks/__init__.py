"""What is measured, against what, and how: `reelroot bench` runs `bench.py`. Start with `history.py` (the factory years) and `bench.py`."""

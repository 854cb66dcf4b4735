"""From panels to tested, sorted units: singulation into loose lots, unit results, bins, one lot for each bin and grade. Start with `singulate.py`."""

"""The record itself: every table that a walk, a gate or a hold reads, a file a subject, and the walks over them.

No verbs of the floor: those stay in their rooms and write here. `items.py` what flows; `sets.py` who travels together;
`runs.py` what was done; `flows.py` what became part of what; `cells.py` dies and marks on cells; `judgements.py`;
`stops.py` holds and releases; `counts.py`; `places.py` containers, mounts, moves; `corrections.py` rows that others replace;
`walk.py` up and down; `alternates.py` batches of which each unit had one; `wafer_ways.py` where the dies of a wafer went. Start with `walk.py`.
"""

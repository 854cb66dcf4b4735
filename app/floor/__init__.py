"""What people do on the floor: lots, containers, mounts, runs, marks, counts, samples, moves, placements.

Panels carry the history; a lot is who travels together (`lots.py`). A loose lot takes in, is worked on, gives out (`loose.py`).
Every verb takes item ids, checks first, then writes; a fact is never refused but held (`facts.py`). Uses the ledger, holds,
naming and the catalogue. Start with `starts.py`, `ends.py` and `change_overs.py` for runs, with `lots.py` for everything else.
"""

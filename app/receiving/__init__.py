"""What comes in: wafers with their die maps, material batches, panels; shelf and pot life.

Die maps are read by pure code: `die_maps.py` is the door, `die_map.py` says how coordinates and indexes count. Uses the ledger,
naming, evidence and the catalogue. Start with `wafers.py`.
"""

"""The desk: lists of everything that has a code, the journal in words, a station's page, and the first page.

A list is said once, as a `Listing` (columns, filters, sorts, key): its page, its CSV and its JSON are made from that. Start with
`listing.py`; `lots.py`, `material.py`, `stations.py`, `runs.py`, `goods.py`, `stops.py`, `people.py` and `entries.py` say the lists.
"""

"""What may be built, how, where, and for whom: one readable file, kept as things and their immutable definitions.

`definitions.py` says what the file holds; `file.py` reads it (errors at key and line) and dumps it; `check.py` has its rules, and
`route_rules.py` what follows from a route; `load.py` writes what changed; `approve.py` makes a route revision active by signature;
`queries.py` is what other rooms ask. Uses naming, people and evidence. Start with `definitions.py`. A lot is moved to another revision on
the floor (`floor/revisions.py`): its route is a fact of it.
"""

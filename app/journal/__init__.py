"""The journal: the one door (`act.py`) through which everything on the record is written.

One action is one transaction and one entry. `record.py` says what a row on the record is and digests what an entry wrote;
`actions.py` is the closed list of actions, their words and the duties that they need; `sealing.py` chains entries after
the commit; `verify.py` compares all of it with the rows. Knows an actor only as id, name and kind. Start with `act.py`.
"""

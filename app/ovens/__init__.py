"""Oven loads, the files of their data loggers, the judgement of cures, and the heat that a panel has had.

Pure code: `logger_files.py` is the door for files and answers a `Trace` (`trace.py`); `cure.py` judges one, on `record_quality.py`,
`curves.py` and `kinetics.py`; `heat.py` sums all rounds and cures. Verbs: `loads.py`. Uses the floor, the ledger and the catalogue.
Start with `cure.py` for the rules, with `loads.py` for what people do.
"""

"""From panels to graded units: singulation, the tester's file of results, and one loose lot for each bin that occurs.

A bin table becomes SQL (`bins.py`), by which DuckDB bins a file of results while it becomes Parquet (`unit_results.py`). Uses the
floor, the ledger and the catalogue; `rebuild.py` makes missing Parquet anew. Start with `singulate.py`, then `bins_out.py`.
"""

"""All tables, for Alembic and for `check`: importing this module maps every room's models."""

from app.catalogue import models as catalogue
from app.db import Base
from app.evidence import models as evidence
from app.final_test import models as final_test
from app.genealogy import models as genealogy
from app.journal import models as journal
from app.ledger import cells, corrections, counts, flows, items, judgements, loose_stock, places, runs, sets, stops
from app.naming import models as naming
from app.ovens import models as ovens
from app.people import models as people
from app.receiving import models as receiving

__all__ = [
    "Base", "catalogue", "cells", "corrections", "counts", "evidence", "final_test", "flows", "genealogy", "items", "journal", "judgements",
    "loose_stock", "naming", "ovens", "people", "places", "receiving", "runs", "sets", "stops",
]  # fmt: skip

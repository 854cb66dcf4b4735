"""Does origin affect the bin? Tested lots whose dies of a role came off one wafer alone, compared bin by bin: Pearson's chi-square.

Even mixing is no test of itself where lots are mixtures; lots of a single origin are. Where their bins differ more than chance allows
(Pearson, Philosophical Magazine 50 (1900) 157; SciPy's chi2_contingency), an expectation that assumes the contrary is contradicted.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from sqlalchemy import text
from sqlalchemy.orm import Session

from app.listed import listed, tuples

LEVEL = 0.01
_AT_MOST = 1000  # the newest lots that came out of tests, a lot a bin
_LEAST_EXPECTED = 5  # units in a cell of the table, the usual rule for the chi-square's own distribution (Cochran 1954, from memory)


@dataclass(frozen=True)
class Evenness:
    """`lots` of one wafer each were compared; `p`: the chance of so much difference if origin did not affect the bin."""

    role: str
    lots: int
    p: float

    @property
    def is_contradicted(self) -> bool:
        return self.p < LEVEL


def bin_evenness(session: Session, product: int) -> list[Evenness]:
    """By role, where two lots of one product or more are of one wafer each."""
    counts: defaultdict[int, dict[str, int]] = defaultdict(dict)
    for lot, bin_, units in session.execute(_BINS, {"product": product, "most": _AT_MOST}).all():
        counts[lot][bin_ or ""] = counts[lot].get(bin_ or "", 0) + int(units)
    single: defaultdict[str, list[int]] = defaultdict(list)
    for lot, role, wafers in tuples(session, _WAFERS, lots=counts):
        if wafers == 1:
            single[role].append(lot)
    found = [(role, evenness({lot: counts[lot] for lot in lots})) for role, lots in sorted(single.items()) if len(lots) > 1]
    return [Evenness(role, len(single[role]), p) for role, p in found if p is not None]


def evenness(counts: Mapping[int, Mapping[str, int]]) -> float | None:
    """p of the chi-square of lots by bins; thin bins are taken together. None where nothing can be compared."""
    names = sorted({name for one in counts.values() for name in one})
    return _p_of(tuple(tuple(one.get(name, 0) for name in names) for one in counts.values()))


@lru_cache(maxsize=64)  # it is another only when a further lot was tested
def _p_of(rows: tuple[tuple[int, ...], ...]) -> float | None:
    from scipy.stats import chi2_contingency  # half a second, for whoever asks

    table = np.array(rows)
    table = table[table.sum(axis=1) > 0][:, table.sum(axis=0) > 0]
    if table.shape[0] < 2:
        return None
    expected = table.sum(axis=1, keepdims=True) * table.sum(axis=0, keepdims=True) / table.sum()
    thin = (expected < _LEAST_EXPECTED).any(axis=0)
    table = np.column_stack([table[:, ~thin], table[:, thin].sum(axis=1)]) if thin.any() else table
    table = table[:, table.sum(axis=0) > 0]
    return float(chi2_contingency(table).pvalue) if table.shape[1] > 1 else None


_BINS = text("""
    select f.parent, l.bin, f.units from flow f join lot l on l.item = f.child
    where f.kind = 'bin' and f.parent in (
        select g.parent from (
            select item from lot where product = :product and form = 'loose' and bin is not null order by item desc limit :most
        ) newest join flow g on g.child = newest.item where g.kind = 'bin'
    )
""")
# of lots that took in nothing but units off panels; a role that the logs do not tell of each of the panels may be of other wafers, too
_WAFERS = listed(
    """
    select f.child, p.role, count(distinct p.wafer) from flow f join placement p on p.panel = f.parent
    where f.child in :lots and f.kind = 'cells' and p.closed_e is null and not exists (select 1 from run_void v where v.run = p.run)
    and not exists (select 1 from flow o where o.child = f.child and o.walked and o.kind <> 'cells')
    group by f.child, p.role
    having count(distinct p.panel) = (select count(distinct o.parent) from flow o where o.child = f.child and o.kind = 'cells')
    """,
    "lots",
)

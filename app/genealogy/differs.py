"""What differs: several reels or lots side by side, by what they come from and what was done to them. Sets of traces back, and nothing else.

A factor is a wafer, material batch, panel lot, run, oven shelf, station at an operation or person at an operation, who began a run, ended it or was
given it meanwhile. For each of the things it says how many of its units must and can share the factor; where nothing says it can, it is absent. It
names what differs, and reckons no odds.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from app.errors import bad_input
from app.genealogy.amounts import Share
from app.genealogy.run_rows import RunRow
from app.genealogy.trace import Trace, origins_of, trace_of
from app.genealogy.worked_on import Worker, workers
from app.naming.resolve import Named

KINDS = {
    "wafer": "Wafers", "batch": "Material batches", "lot": "Lots that held its panels", "run": "Runs", "shelf": "Oven shelves",
    "station": "Stations", "person": "People",
}  # fmt: skip
LEAST, MOST = 2, 12
COMPARED = ("pack", "lot", "sample", "panel")
_Key = tuple[str, str, str]  # kind, code, words
_Workers = Mapping[str, Sequence[Worker]]  # by the code of a run


@dataclass(frozen=True)
class Factor:
    """`shares`: of each thing in the order that they were named; None: it has nothing to do with this."""

    kind: str
    code: str
    words: str
    shares: tuple[Share | None, ...]

    @property
    def in_how_many(self) -> int:
        return sum(share is not None for share in self.shares)

    @property
    def is_shared(self) -> bool:
        return None not in self.shares


@dataclass(frozen=True)
class Side:
    """One of the compared things."""

    code: str
    kind: str
    words: str
    units: int | None


@dataclass(frozen=True)
class Differs:
    sides: tuple[Side, ...]
    factors: tuple[Factor, ...]

    def of(self, kind: str, shared: bool) -> list[Factor]:
        return [one for one in self.factors if one.kind == kind and one.is_shared == shared]


def differs(session: Session, subjects: Sequence[Named]) -> Differs:
    """The things side by side; what is in most of them first."""
    things = list(dict.fromkeys(subjects))
    if not LEAST <= len(things) <= MOST:
        raise bad_input(f"{LEAST} to {MOST} things are compared.", "code", f"{len(things)} were named.", "Name reels or lots by their codes.")
    found = [origins_of(session, one) for one in things]
    people = workers(session, {line.run for one in found for line in one.lines})
    return compared([trace_of(session, thing, one) for thing, one in zip(things, found, strict=True)], people)


def compared(traces: Sequence[Trace], people: _Workers) -> Differs:
    """Pure: the union of what the traces name, and who has it."""
    found = [_factors(trace, people) for trace in traces]
    every: dict[_Key, None] = {key: None for factors in found for key in factors}
    rows = [Factor(*key, tuple(factors.get(key) for factors in found)) for key in every]
    order = list(KINDS)
    rows.sort(key=lambda one: (order.index(one.kind), -one.in_how_many, one.words, one.code))
    sides = tuple(Side(one.subject.code, one.subject.kind, one.subject.words, one.subject.units) for one in traces)
    return Differs(sides, tuple(rows))


def _factors(trace: Trace, people: _Workers) -> dict[_Key, Share]:
    units = trace.subject.units or 0
    found: dict[_Key, Share] = {}
    for row in (*trace.wafers, *trace.batches):
        if row.greatest:
            found[row.kind, row.code, row.words] = Share(row.least, row.greatest)
    found |= {("lot", row.code, row.words): Share(0, units) for row in trace.lots if not row.is_bounded and row.code != trace.subject.code}
    by_key: defaultdict[_Key, list[Share]] = defaultdict(list)
    for run in trace.runs:
        for key, share in _of_run(run, people.get(run.run, ())):
            by_key[key].append(share)
    return found | {key: _joined(shares, units) for key, shares in by_key.items()}


def _of_run(run: RunRow, people: Sequence[Worker]) -> list[tuple[_Key, Share]]:
    found: list[tuple[_Key, Share]] = []
    for line in run.lines:
        share = Share(line.least, line.greatest)
        found.append((("run", run.run, f"{run.operation} at {run.station}"), share))
        found.append((("station", run.station_code, f"{run.operation} at {run.station}"), share))
        found += [(("person", "", f"{one.name} at {run.operation}"), share) for one in people]
        if line.shelf:
            found.append((("shelf", run.run, f"shelf {line.shelf} of {run.station}"), share))
    return found


def _joined(shares: list[Share], units: int) -> Share:
    """Several lines of one factor: nobody knows whether they are over the same units."""
    greatest = sum(share.greatest for share in shares)
    return Share(max(share.least for share in shares), min(greatest, units) if units else greatest)


HEAD = ("kind", "code", "words", "in_how_many", "shared")


def table(found: Differs) -> tuple[tuple[str, ...], list[tuple[object, ...]]]:
    """Head and rows for a spreadsheet: of each thing the least and the greatest number of units, empty where it has nothing of it."""
    head = (*HEAD, *(f"{side.code} {bound}" for side in found.sides for bound in ("least", "greatest")))
    rows: list[tuple[object, ...]] = []
    for one in found.factors:
        cells: list[object] = []
        for share in one.shares:
            cells += ["", ""] if share is None else [share.least, share.greatest]
        rows.append((one.kind, one.code, one.words, one.in_how_many, "yes" if one.is_shared else "no", *cells))
    return head, rows

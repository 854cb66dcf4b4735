"""Suspects: what a case is about, as run lines, wafers or regions of them, panels, loose lots and packs. Read from the record; nothing is written.

Several suspects are joined as *any of* them or *all of* them. What they mark on panels is told cell by cell in `suspect_cells.py`.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.db import Moment
from app.errors import bad_input, few
from app.genealogy.short_heat import panels_short_of_heat
from app.ledger import walk
from app.ledger.alternates import Demand, demands
from app.ledger.items import Lot
from app.ledger.runs import Line, Run
from app.ledger.sets import LotHolding, Member
from app.ledger.travels import panels_of_lines
from app.ledger.used import framed_from, lines_with_another, mixed_from, standing_lines, uses_of
from app.listed import ask, listed
from app.naming.resolve import Named
from app.receiving.wafers import map_of

EVERY_CURE = "every cure"  # stands where a suspect's kind would: no code names it


@dataclass(frozen=True)
class Region:
    """Dies of a wafer's map, in the map's own coordinates: inside a rectangle, a ring or a lasso, and of some die bins. All that is given holds."""

    rectangle: tuple[int, int, int, int] | None = None  # x from, y from, x to, y to; both ends inside
    ring: tuple[float, float, float, float] | None = None  # centre x, centre y, inner and outer radius in dies
    lasso: tuple[tuple[float, float], ...] = ()  # corners
    bins: tuple[str, ...] = ()

    def covers(self, x: NDArray[Any], y: NDArray[Any]) -> NDArray[np.bool_]:
        """Which of these dies lie in the region's shape. Its bins are asked of the map."""
        inside = np.ones(len(x), dtype=bool)
        if self.rectangle:
            x1, y1, x2, y2 = self.rectangle
            inside &= (x >= min(x1, x2)) & (x <= max(x1, x2)) & (y >= min(y1, y2)) & (y <= max(y1, y2))
        if self.ring:
            cx, cy, inner, outer = self.ring
            far = np.hypot(x - float(cx), y - float(cy), dtype=np.float64)
            inside &= (far >= inner) & (far <= outer)
        if self.lasso:
            from shapely import Polygon, contains_xy  # a server starts without it

            inside &= contains_xy(Polygon(self.lasso).buffer(1e-9), x, y)  # a die on the drawn edge is inside
        return inside


@dataclass(frozen=True)
class Suspect:
    """One thing that is suspected. Of a batch, station or person `since` and `until` may narrow it, of a person or station `operation`."""

    named: Named
    region: Region | None = None
    since: datetime | None = None
    until: datetime | None = None
    operation: str | None = None
    shelves: tuple[str, ...] = ()
    lines: tuple[int, ...] = ()  # only these run lines of it
    short_of_heat: bool = False  # only panels of it whose heat ledger is short


class Beside(NamedTuple):
    """A line had several batches for one demand of its step, and each unit one of them. `over`: panels, or the kind of `item`."""

    line: int
    e: int
    over: str
    item: int | None
    demand: Demand


@dataclass(frozen=True)
class Suspected:
    """What one suspect, or any of several, is on the record. Numbers of panels, loose lots and packs: the entry from which on they are meant."""

    lines: frozenset[int] = frozenset()
    perhaps: dict[Beside, frozenset[int]] = field(default_factory=dict)  # lines that had these suspect batches beside others
    wafers: dict[int, tuple[Region, ...]] = field(default_factory=dict)  # none: all of the wafer
    panels: dict[int, int] = field(default_factory=dict)
    loose: dict[int, int] = field(default_factory=dict)
    packs: dict[int, int] = field(default_factory=dict)

    def perhaps_lines(self) -> set[int]:
        """Over panels, each cell of which had a suspect batch or another."""
        return {beside.line for beside in self.perhaps if beside.item is None} - self.lines

    def perhaps_items(self, *kinds: str) -> dict[int, int]:
        """Loose lots, samples or packs, each unit of which had a suspect batch or another; since when."""
        return _since(beside for beside in self.perhaps if beside.over in kinds)


class _Work(NamedTuple):
    """A run line, as much of it as is asked."""

    id: int
    set: int | None
    item: int | None
    e: int
    shelf: str | None
    started_at: datetime
    ended_at: datetime | None


def suspected(session: Session, suspect: Suspect) -> Suspected:
    """What one suspect is on the record. Raises bad_input where it can't be suspected like that."""
    if suspect.short_of_heat:
        return short_of_heat(session, suspected(session, replace(suspect, short_of_heat=False)))
    kind = suspect.named.kind
    if kind == EVERY_CURE:
        return _with_items(session, _narrowed(suspect, _cures(session, suspect)))
    if kind == "wafer":
        _check_bins(session, suspect)
        return Suspected(wafers={suspect.named.id: (suspect.region,) if suspect.region else ()})
    if suspect.region is not None:
        raise bad_input("Only a wafer has regions.", "region", f"{suspect.named.code} is a {kind}.", "Leave the region out, or name a wafer.")
    if kind == "batch":
        return _of_batch(session, suspect)
    if kind in ("run", "load", "line"):
        return _with_items(session, _narrowed(suspect, _lines_of_run(session, suspect)))
    if kind in ("station", "person"):
        if suspect.since is None and suspect.until is None:
            raise bad_input("A span of time is missing.", "since", f"{suspect.named.code} is a {kind}.", "Say from when to when.")
        return _with_items(session, _narrowed(suspect, _lines_at(session, suspect)))
    if kind == "lot":
        return _of_lot(session, suspect.named.id)
    if kind == "panel":
        return Suspected(panels={suspect.named.id: 0})
    if kind in ("pack", "sample"):
        return Suspected(packs={suspect.named.id: 0}) if kind == "pack" else Suspected(loose={suspect.named.id: 0})
    raise bad_input(f"A {kind} can't be suspected.", "code", f"{suspect.named.code} is a {kind}.", "Name an item, run, load, station or person.")


def short_of_heat(session: Session, suspicion: Suspected) -> Suspected:
    """Of what is suspected by panels: those whose heat ledger is short, wholly, from where the suspicion came to them."""
    if suspicion.wafers:
        raise bad_input("Heat is told of panels.", "heat", "A wafer has no heat ledger.", "Name a run, load, batch, station, lot or panel.")
    panels = dict(suspicion.panels)
    lines = suspicion.lines | suspicion.perhaps_lines()
    began = {line: e for line, e in session.execute(select(Line.id, Line.e).where(Line.id.in_(lines)))}
    for line, on in panels_of_lines(session, lines).items():
        panels = earlier(panels, dict.fromkeys(on, began[line]))
    short = panels_short_of_heat(session, panels)
    return Suspected(panels={panel: e for panel, e in panels.items() if panel in short})


def any_of(several: Sequence[Suspected]) -> Suspected:
    """One suspicion of all that several are about: a cell that two of them mean is counted once."""
    joined = Suspected()
    for one in several:
        joined = Suspected(
            joined.lines | one.lines, _more(joined.perhaps, one.perhaps), _wider(joined.wafers, one.wafers), earlier(joined.panels, one.panels),
            earlier(joined.loose, one.loose), earlier(joined.packs, one.packs),
        )  # fmt: skip
    return _settled(joined)


def _settled(joined: Suspected) -> Suspected:
    """Where all batches that met a demand are suspects, no unit of the line can have had another."""
    met = [beside for beside, batches in joined.perhaps.items() if beside.demand <= batches]
    if not met:
        return joined
    return Suspected(
        joined.lines | {one.line for one in met if one.item is None}, {one: its for one, its in joined.perhaps.items() if one not in met},
        joined.wafers, joined.panels, earlier(joined.loose, _since(one for one in met if one.over != "pack")),
        earlier(joined.packs, _since(one for one in met if one.over == "pack")),
    )  # fmt: skip


def dies_in(session: Session, wafer: int, regions: Sequence[Region], x: NDArray[Any], y: NDArray[Any]) -> NDArray[np.bool_]:
    """Which of these dies of a wafer lie in one of the regions of its map."""
    found = np.zeros(len(x), dtype=bool)
    for region in regions:
        inside = region.covers(x, y)
        if region.bins:
            die_map = map_of(session, wafer)
            index = die_map.index_of(x.astype(np.int64), y.astype(np.int64))
            of_bin = np.array([entry.code in region.bins for entry in die_map.table])
            inside &= (index >= 0) & of_bin[die_map.grid.ravel()[np.maximum(index, 0)]]
        found |= inside
    return found


def _check_bins(session: Session, suspect: Suspect) -> None:
    """A bin that its map does not have would answer nothing, which reads like all clear."""
    if suspect.region is None or not suspect.region.bins:
        return
    known = dict.fromkeys(entry.code for entry in map_of(session, suspect.named.id).table)
    if strange := [one for one in suspect.region.bins if one not in known]:
        why = f"The map of {suspect.named.code} has {', '.join(known)}, not {', '.join(strange)}."
        raise bad_input("No die has that bin.", "bin", why, "Name die bins of its map, separated by commas.")


def _of_batch(session: Session, suspect: Suspect) -> Suspected:
    batches = [suspect.named.id, *mixed_from(session, suspect.named.id)]
    narrowed = _narrowed(suspect, [_Work._make(row) for row in ask(session, _LINES_WITH, batches=batches)])
    whole = suspect.since is None and suspect.until is None and not suspect.lines
    frames = dict.fromkeys(framed_from(session, batches), 0) if whole else {}
    several = lines_with_another(session, batches)
    beside = demands(session, uses_of(session, [line.id for line in narrowed if line.id in several]))
    unsure = _beside(session, [line for line in narrowed if line.id in beside], beside, frozenset(batches))
    sure = _with_items(session, [line for line in narrowed if line.id not in beside])
    return any_of([sure, Suspected(perhaps=unsure, panels=frames)])


def _beside(
    session: Session, lines: Sequence[Line | _Work], demands: dict[int, list[Demand]], batches: frozenset[int]
) -> dict[Beside, frozenset[int]]:
    kinds = walk.kinds_of(session, [line.item for line in lines if line.item is not None])
    return {
        Beside(line.id, line.e, kinds.get(line.item or 0, "panels"), line.item, demand): suspects
        for line in lines
        for demand in demands[line.id]
        if (suspects := demand & batches)
    }


def _lines_of_run(session: Session, suspect: Suspect) -> list[_Work]:
    rows = ask(session, _LINES if suspect.named.kind == "line" else _LINES_OF_RUN, ids=[suspect.named.id])
    lines = list(map(_Work._make, rows))
    shelves = dict.fromkeys(line.shelf for line in lines if line.shelf)
    if strange := [shelf for shelf in suspect.shelves if shelf not in shelves]:
        why = f"{suspect.named.code} has {', '.join(shelves) or 'none'}, not {', '.join(strange)}."
        raise bad_input("Nothing lay on that shelf.", "shelf", why, "Name shelves that it used, separated by commas.")
    return [line for line in lines if not suspect.shelves or line.shelf in suspect.shelves]


def _cures(session: Session, suspect: Suspect) -> Sequence[Line | _Work]:
    """The lines of every cure in the span; all of history is too much to read at once."""
    if suspect.since is None:
        raise bad_input("A span of time is missing.", "since", "Every cure of all time can't be read at once.", "Say from when.")
    ovens = [one.id for one in catalogue.every(session, "station") if "cure" in one.body.operations]
    query = standing_lines().join(Run, Run.id == Line.run).where(Run.station.in_(ovens), Run.operation == "cure", Line.closed_e.is_not(None))
    query = query.where(_open_since(suspect.since), Line.started_at >= suspect.since)
    return list(session.scalars(query if suspect.until is None else query.where(Line.started_at <= suspect.until)))


def _open_since(since: datetime) -> ColumnElement[bool]:
    """Runs that were open then or later: by an index each, and not all that ever were."""
    return or_(Run.ended_at >= since, Run.closed_e.is_(None))


def _lines_at(session: Session, suspect: Suspect) -> Sequence[Line | _Work]:
    """Lines of a station, or of the runs that a person began or ended, that were open in the span: who was handed a run worked on it as well."""
    one = suspect.named.id
    of = Run.station == one if suspect.named.kind == "station" else or_(Run.person == one, Run.ended_by == one)
    query = standing_lines().join(Run, Run.id == Line.run).where(of)
    if suspect.operation:
        query = query.where(Run.operation == suspect.operation)
    if suspect.since:
        query = query.where(_open_since(suspect.since))
    return list(session.scalars(query))


def _narrowed(suspect: Suspect, lines: Sequence[Line | _Work]) -> list[Line | _Work]:
    if suspect.lines and not {line.id for line in lines} & set(suspect.lines):
        asked = ", ".join(map(str, suspect.lines))
        has = few((str(line.id) for line in lines), 20)
        raise bad_input("That line is not of it.", "line", f"{suspect.named.code} has {has or 'none'}, not {asked}.", "Name run lines that it has.")
    return [
        line
        for line in lines
        if (not suspect.lines or line.id in suspect.lines)
        and (suspect.until is None or line.started_at <= suspect.until)
        and (suspect.since is None or line.ended_at is None or line.ended_at >= suspect.since)
    ]


def _with_items(session: Session, lines: Sequence[Line | _Work]) -> Suspected:
    """Lines over panels as they are; lines over loose lots and packs as all that was in these then."""
    items = {line.item: line.e for line in sorted(lines, key=lambda line: -line.e) if line.item is not None}
    kinds = walk.kinds_of(session, items)
    return Suspected(
        lines=frozenset(line.id for line in lines if line.set is not None),
        loose={item: e for item, e in items.items() if kinds[item] != "pack"},
        packs={item: e for item, e in items.items() if kinds[item] == "pack"},
    )


def _of_lot(session: Session, lot: int) -> Suspected:
    if session.get_one(Lot, lot).form == "loose":
        return Suspected(loose={lot: 0})
    query = select(Member.panel, LotHolding.e).join(LotHolding, LotHolding.set == Member.set).where(LotHolding.lot == lot)
    return Suspected(panels={panel: e for panel, e in session.execute(query.order_by(LotHolding.e.desc()))})


def _since(several: Iterable[Beside]) -> dict[int, int]:
    found: dict[int, int] = {}
    for one in several:
        found = earlier(found, {one.item: one.e} if one.item is not None else {})
    return found


def _more(a: dict[Beside, frozenset[int]], b: dict[Beside, frozenset[int]]) -> dict[Beside, frozenset[int]]:
    return a | {beside: a.get(beside, frozenset()) | batches for beside, batches in b.items()}


def earlier(a: dict[int, int], b: dict[int, int]) -> dict[int, int]:
    """Of each item the earlier entry."""
    return a | {item: min(e, a.get(item, e)) for item, e in b.items()}


def _wider(a: dict[int, tuple[Region, ...]], b: dict[int, tuple[Region, ...]]) -> dict[int, tuple[Region, ...]]:
    """A wafer that is suspected whole and in part is suspected whole."""
    return a | {wafer: (*a[wafer], *regions) if a.get(wafer) and regions else () if wafer in a else regions for wafer, regions in b.items()}


_WORK = 'select l.id, l."set", l.item, l.e, l.shelf, l.started_at, l.ended_at from'
_NOT_VOID = "not exists (select 1 from run_void v where v.run = l.run)"
_LINES, _LINES_OF_RUN, _LINES_WITH = (
    listed(f"{_WORK} {of} and {_NOT_VOID} order by l.id", name).columns(started_at=Moment(), ended_at=Moment())
    for of, name in (
        ("line l where l.id in :ids", "ids"),
        ("line l where l.run in :ids", "ids"),
        (
            "use u cross join line l where u.item in :batches and l.id = u.line"
            " and not exists (select 1 from use_void x where x.line = u.line and x.item = u.item and x.closed_e is null)",
            "batches",
        ),
    )
)

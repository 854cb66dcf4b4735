"""Counts that do not close: lots, panels, batches, wafers and oven loads that differ beyond counting, with the entries that make the difference.

A lot, panel or batch of lead frames stands here when a count of it was beyond twice the combined uncertainty, signed for since or not. A wafer:
when its logs used dies that fail, do not exist or were used before, or more dies than it has, or it was used after it was scrapped. A load: when
the panels on its shelves at the start are not those of its run, or its run ended as done and did not do all of them. Cells, dies and panels have
no uncertainty.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import hypot
from typing import NamedTuple

from sqlalchemy import ColumnElement, bindparam, func, select, text
from sqlalchemy.orm import Session, aliased

from app.catalogue import queries as catalogue
from app.floor.open_differences import TAKEN_AS_FACT
from app.floor.scrapped_wafers import IS_SCRAP
from app.floor.used_dies import die_uses
from app.floor.wrong_dies import WrongDies, wrong_dies
from app.genealogy.count_drift import Drift, drift
from app.journal.models import Entry
from app.journal.since import first_since
from app.ledger.cells import Placement, PlacementSum, as_told
from app.ledger.counting import limit_of
from app.ledger.counts import CORRECTED_RESULTS, NOT_COUNTED, TAKEN_BEYOND, CountEntry
from app.ledger.flows import Flow
from app.ledger.items import Batch
from app.ledger.runs import Line, Run
from app.ledger.sets import Member
from app.listed import among
from app.naming.resolve import codes_of, codes_of_items
from app.receiving.die_map import load as load_map
from app.receiving.models import WaferMap

KINDS = {"lot": "Lots and panels", "batch": "Batches of lead frames", "wafer": "Wafers", "load": "Oven loads"}
MOST = 200  # of each kind, the newest


@dataclass(frozen=True)
class CountRow:
    """One entry of the record and what it adds to a difference: the rows of one difference sum to it."""

    entry: int
    at: datetime | None
    what: str
    units: int
    u: float
    run: str
    reason: str


@dataclass(frozen=True)
class Unclosed:
    """`difference`: units there less units by the book. `limit`: what counting can't tell. `open`: nobody has signed for it."""

    kind: str
    code: str
    words: str
    difference: int
    limit: float
    open: bool
    rows: tuple[CountRow, ...]


def unclosed(session: Session, since: datetime | None = None, most: int = MOST) -> list[Unclosed]:
    """The newest of each kind, of what was recorded since a time: a fixed number of statements."""
    first = first_since(session, since) if since else 0
    return [*_items(session, first, most), *_wafers(session, first, most), *loads_that_differ(session, first, most)]


def _items(session: Session, first: int, most: int) -> Iterable[Unclosed]:
    tells = (CountEntry.within.is_(False), CountEntry.reason != CORRECTED_RESULTS, CountEntry.closed_e.is_(None))
    beyond = select(CountEntry.item).where(CountEntry.e >= first, *tells)
    newest = beyond.group_by(CountEntry.item).order_by(func.max(CountEntry.id).desc()).limit(most)
    items = list(session.scalars(newest))
    query = select(CountEntry, Entry.recorded_at).join(Entry, Entry.id == CountEntry.e).where(CountEntry.item.in_(items))
    query = query.where(CountEntry.closed_e.is_(None), CountEntry.kind.in_(("counted", "difference"))).order_by(CountEntry.id)
    entries: defaultdict[int, list[tuple[CountEntry, datetime]]] = defaultdict(list)
    for entry, at in session.execute(query):
        entries[entry.item].append((entry, at))
    codes, batches = codes_of_items(session, items), set(session.scalars(select(Batch.item).where(Batch.item.in_(items))))
    runs = codes_of(session, "run", [entry.run for some in entries.values() for entry, _ in some if entry.run])
    for item in items:
        counts = [entry for entry, _ in entries[item]]
        latest = [entry for entry in counts if entry.reason not in NOT_COUNTED][-1:]
        is_open = bool(latest) and latest[0].kind == "counted" and latest[0].within is False
        told = next(entry for entry in reversed(counts) if entry.within is False and entry.reason not in NOT_COUNTED)
        booked = sum(entry.units for entry in counts if (entry.e, entry.reason) == (told.e, told.reason))
        difference = told.units - (told.book or 0) if told.kind == "counted" else -booked
        rows = tuple(_row(entry, at, units, runs) for entry, at, units in _that_make_it(entries[item], told))
        words = "waits for a signature" if is_open else _since(told)
        yield Unclosed("batch" if item in batches else "lot", codes[item], words, difference, limit_of(told.u), is_open, rows)


def _since(told: CountEntry) -> str:
    if told.kind != "difference":
        return "counted again since"
    return "taken as a fact, and held" if told.reason == TAKEN_AS_FACT else "signed for"


def _that_make_it(entries: Sequence[tuple[CountEntry, datetime]], told: CountEntry) -> list[tuple[CountEntry, datetime, int]]:
    """The entries since the difference before was booked, up to the one that told this one, with what each adds to it.

    What one act took out in several parts, more than was there, is one difference: a test's bins are booked one by one.
    """
    rows: list[tuple[CountEntry, datetime, int]] = []
    so_far = 0
    for entry, at in entries:
        if entry.kind == "counted":
            adds = entry.units - (entry.book or 0) - so_far
        else:
            adds = entry.units if entry.reason in NOT_COUNTED else -entry.units - so_far
        rows.append((entry, at, adds))
        so_far += adds
        if entry is told:
            break
        if entry.kind == "difference" and entry.reason not in NOT_COUNTED:  # the book has it now
            rows, so_far = rows if entry.e == told.e else [], 0
    return rows


def _row(entry: CountEntry, at: datetime, adds: int, runs: dict[int, str]) -> CountRow:
    how = "taken" if entry.reason == TAKEN_BEYOND else "moved by" if entry.reason == CORRECTED_RESULTS else "booked as"
    what = f"{how} a difference of {-entry.units:+,}"
    if entry.kind == "counted":
        agrees = "within counting" if entry.within else "beyond counting"
        what = f"counted {entry.units:,} by {entry.method}; the book said {entry.book or 0:,}: {agrees}"
    return CountRow(entry.e, at, what, adds, entry.u, runs.get(entry.run or 0, ""), entry.reason)


def _wafers(session: Session, first: int, most: int) -> Iterable[Unclosed]:
    """Those that a log with lines at fault used, recounted from the dies of every row in force."""
    yield from _scrapped_wafers(session, first, most)
    wafers = _wafers_of_faulty_logs(session, first, most)
    uses = die_uses(session, wafers)
    entries = {use.e for some in uses.values() for use in some}
    at = {e: recorded_at for e, recorded_at in session.execute(select(Entry.id, Entry.recorded_at).where(among(Entry.id, entries)))}
    codes, runs = codes_of(session, "wafer", wafers), codes_of(session, "run", list({use.run for some in uses.values() for use in some}))
    packed = select(WaferMap.wafer, WaferMap.packed).where(WaferMap.wafer.in_(wafers), WaferMap.closed_e.is_(None)).order_by(WaferMap.wafer)
    for wafer, raw in session.execute(packed):
        by_log: defaultdict[tuple[int, int], WrongDies] = defaultdict(WrongDies)
        for use, wrong in zip(uses[wafer], wrong_dies(load_map(raw), uses[wafer]), strict=True):
            by_log[use.e, use.run] += wrong
        rows = tuple(
            CountRow(e, at[e], f"placement log: {_in_words(wrong)}", wrong.total, 0.0, runs[run], "")
            for (e, run), wrong in by_log.items()
            if wrong.total
        )
        if rows:
            whole = sum(by_log.values(), WrongDies())
            yield Unclosed("wafer", codes[wafer], _in_words(whole), whole.total, 0.0, False, rows)


def _scrapped_wafers(session: Session, first: int, most: int) -> Iterable[Unclosed]:
    """Those that were on a station again after they were scrapped: one of the two is wrong."""
    later = used_after_scrap(session, first)[-most:]
    codes, runs = codes_of(session, "wafer", [one.wafer for one in later]), codes_of(session, "run", [one.run for one in later])
    by_wafer: defaultdict[int, list[UsedLater]] = defaultdict(list)
    for one in later:
        by_wafer[one.wafer].append(one)
    for wafer, some in by_wafer.items():
        rows = tuple(CountRow(one.e, None, "begun with it on its station", one.dies, 0.0, runs[one.run], "") for one in some)
        yield Unclosed("wafer", codes[wafer], "used after it was scrapped", sum(one.dies for one in some), 0.0, False, rows)


def _in_words(wrong: WrongDies) -> str:
    parts = (f"{wrong.failing} failing dies placed", f"{wrong.not_on_map} that are not on its map", f"{wrong.again} used before")
    return ", ".join(part for part in parts if not part.startswith("0 "))


def _wafers_of_faulty_logs(session: Session, first: int, most: int) -> list[int]:
    faulty = select(PlacementSum.run).where(text("wrong > 0"), PlacementSum.e >= first, as_told(PlacementSum))
    runs = set(session.scalars(faulty.order_by(PlacementSum.id.desc()).limit(most)))
    return list(session.scalars(select(Placement.wafer).where(among(Placement.run, runs), Placement.closed_e.is_(None)).distinct()))


def wafers_used_beyond(session: Session) -> list[tuple[int, int, int]]:
    """(wafer, dies that its logs took, dies that it has), where they took more."""
    return [(wafer, took, gross) for wafer, took, gross in session.execute(_WAFERS)]


class UsedLater(NamedTuple):
    """A run that began with a wafer on its station after that was scrapped, and the dies of it that its logs placed."""

    wafer: int
    scrap: int
    run: int
    e: int
    dies: int


def used_after_scrap(session: Session, first: int = 0) -> list[UsedLater]:
    """Of the wafers scrapped since an entry."""
    return [UsedLater(*row) for row in session.execute(_USED_LATER, {"first": first})]


def loads_that_differ(session: Session, first: int = 0, most: int = MOST) -> list[Unclosed]:
    """The newest, of those started since an entry."""
    rows = session.execute(_LOADS, {"first": first, "most": most}).all()
    codes, runs = codes_of(session, "load", [row.load for row in rows]), codes_of(session, "run", [row.run for row in rows])
    return [
        Unclosed(
            "load", codes[row.load], f"{row.put} panels on its shelves, {row.started} in its run, {row.done} done", row.done - row.put, 0.0, False,
            (CountRow(row.e, None, "the load started", row.started - row.put, 0.0, runs[row.run], ""),
             CountRow(row.ended_e, None, "the run ended as done", row.done - row.started, 0.0, runs[row.run], "")),
        )
        for row in rows
    ]  # fmt: skip


@dataclass(frozen=True)
class Month:
    """The differences of one station in one month, and their running sum since the first."""

    month: str
    counts: int
    difference: int
    running: int
    u: float  # of the running sum


@dataclass(frozen=True)
class StationSum:
    station: str
    code: str
    months: tuple[Month, ...]
    drift: Drift
    drifts: bool


def sums_by_station(session: Session, since: datetime | None = None) -> list[StationSum]:
    """Differences of all counts by the station of their run and the month (UTC) of their entry; counts without a run are a group of their own."""
    found = differences(session, since)
    stations = catalogue.with_ids(session, [station for station in found if station])
    codes = codes_of(session, "station", list(stations))
    sums = []
    for station, rows in found.items():
        one = drift([(delta, u) for _, delta, u in rows])
        name = stations[station].name if station in stations else "no station"
        sums.append(StationSum(name, codes.get(station, ""), _months(rows), one, one.drifts(len(found))))
    return sorted(sums, key=lambda one: (not one.drifts, min(one.drift.p_sum, one.drift.p_sign), one.station))


def differences(session: Session, since: datetime | None = None) -> dict[int, list[tuple[datetime, int, float]]]:
    """Station (0: none) -> (when, units, standard uncertainty) of each count's difference.

    A difference that an earlier count of the same thing had already shown is not counted again: only what came to it since. Nor is that of a
    panel whose lot was counted at the same run: the lot's has it.
    """
    counted = select(CountEntry.item).where(CountEntry.kind == "counted", CountEntry.closed_e.is_(None))
    if since is not None:
        counted = counted.where(CountEntry.e >= first_since(session, since))
    split_u = _split_off(session, counted)
    query = (
        select(CountEntry.item, CountEntry.e, CountEntry.kind, CountEntry.units, CountEntry.book, CountEntry.u, CountEntry.reason, Run.station,
               Entry.recorded_at, _with_its_lot().label("with_its_lot"))
        .join(Entry, Entry.id == CountEntry.e)
        .outerjoin(Run, Run.id == CountEntry.run)
        .where(CountEntry.item.in_(counted), CountEntry.closed_e.is_(None))
        .order_by(CountEntry.id)
    )  # fmt: skip
    books: defaultdict[int, _Book] = defaultdict(_Book)
    found: defaultdict[int, list[tuple[datetime, int, float]]] = defaultdict(list)
    for item, e, kind, units, book, u, reason, station, at, with_its_lot in session.execute(query):
        told = books[item]
        if kind != "counted":
            told.moved(kind, units, u, reason)
            continue
        delta, combined = told.counted(units - (book or 0), u, hypot(*(one for split_e, one in split_u.get(item, ()) if split_e < e)))
        if not with_its_lot and (since is None or at >= since):
            found[station or 0].append((at, delta, combined))
    return dict(found)


def _with_its_lot() -> ColumnElement[bool]:
    """Of a count: it is of a panel that was in a run, and the lot that it travelled in was counted at that run, too."""
    lots = aliased(CountEntry)
    inside = select(Line.id).join(Member, Member.set == Line.set).join(lots, (lots.item == Line.lot) & (lots.run == Line.run))
    return inside.where(Line.run == CountEntry.run, Member.panel == CountEntry.item, lots.kind == "counted", lots.closed_e.is_(None)).exists()


class _Book:
    """What counts and bookings have told of one thing so far: its uncertainty, and the difference that the last count left open."""

    def __init__(self) -> None:
        self.u = 0.0
        self.open: tuple[int, float] | None = None

    def moved(self, kind: str, units: int, u: float, reason: str) -> None:
        self.u = hypot(self.u, u)
        if kind == "difference" and self.open is not None:
            self.open = (self.open[0] + units, self.open[1]) if reason in NOT_COUNTED else None

    def counted(self, delta: int, u: float, u_split: float) -> tuple[int, float]:
        before, self.open = self.open, (delta, u)
        return (delta, hypot(u, self.u, u_split)) if before is None else (delta - before[0], hypot(u, before[1]))


def _split_off(session: Session, items: object) -> dict[int, list[tuple[int, float]]]:
    """Lot -> (entry, uncertainty) of what was split off it: its book is as uncertain as that count was."""
    query = (
        select(Flow.parent, Flow.e, CountEntry.u)
        .join(CountEntry, (CountEntry.item == Flow.child) & (CountEntry.e == Flow.e) & (CountEntry.kind == "opening"))
        .where(Flow.kind == "split", Flow.parent.in_(items), CountEntry.u > 0)  # type: ignore[arg-type]
    )
    found: defaultdict[int, list[tuple[int, float]]] = defaultdict(list)
    for lot, e, u in session.execute(query):
        found[lot].append((e, u))
    return dict(found)


def _months(rows: Sequence[tuple[datetime, int, float]]) -> tuple[Month, ...]:
    by_month: defaultdict[str, list[tuple[int, float]]] = defaultdict(list)
    for at, delta, u in sorted(rows):
        by_month[f"{at:%Y-%m}"].append((delta, u))
    months, running, u_running = [], 0, 0.0
    for month, some in by_month.items():
        difference = sum(delta for delta, _ in some)
        running, u_running = running + difference, hypot(u_running, *(u for _, u in some))
        months.append(Month(month, len(some), difference, running, u_running))
    return tuple(months)


_WAFERS = text("""
    select m.wafer, coalesce(p.n, 0) + coalesce(l.n, 0) as took, m.gross
    from wafer_map m
    left join (select wafer, sum(n) as n from placement p where closed_e is null and not exists (select 1 from run_void v where v.run = p.run)
               group by wafer) p on p.wafer = m.wafer
    left join (select wafer, sum(n) as n from lost_die d where closed_e is null and not exists (select 1 from run_void v where v.run = d.run)
               group by wafer) l on l.wafer = m.wafer
    where m.closed_e is null and coalesce(p.n, 0) + coalesce(l.n, 0) > m.gross
    order by m.wafer
""")
_USED_LATER = text(f"""
    select c.item, c.e, l.run, min(l.e),
        coalesce((select sum(p.n) from placement p where p.run = l.run and p.wafer = c.item and p.closed_e is null), 0)
    from count_entry c join wafer w on w.item = c.item join use u on u.item = c.item join line l on l.id = u.line
    where c.e >= :first and {IS_SCRAP} and l.e > c.e
        and not exists (select 1 from run_void v where v.run = l.run)
    group by c.item, c.e, l.run order by c.item, l.run
""").bindparams(bindparam("first"))
# the sizes of sets say which loads may differ; of these alone each panel is counted. Materialized: else the sums are reckoned again for each
# comparison, which took PostgreSQL twice as long
_LOADS = text("""
    with near as materialized (
        select l.id, l.run, l.closed_e, r.closed_e as ended_e,
            (select sum(n) from (select distinct s.id, s.n from load_place p cross join panel_set s
                where p.load = l.id and p.closed_e = l.closed_e and s.id = p."set") x) as put,
            (select sum(n) from (select distinct s.id, s.n from line n cross join panel_set s where n.run = l.run and s.id = n."set") x) as started,
            (select sum(n) from (select distinct s.id, s.n from line n cross join cover c cross join panel_set s
                where n.run = l.run and c.line = n.id and s.id = c."set") x) as done
        from load l join run r on r.id = l.run
        where l.closed_e >= :first and r.outcome = 'done' and not exists (select 1 from run_void v where v.run = r.id)
    )
    select * from (
        select l.id as load, l.run, l.closed_e as e, l.ended_e,
            (select count(distinct m.panel) from load_place p join member m on m."set" = p."set"
             where p.load = l.id and p.closed_e = l.closed_e) as put,
            (select count(distinct m.panel) from line n join member m on m."set" = n."set" where n.run = l.run) as started,
            (select count(distinct m.panel) from line n join cover c on c.line = n.id join member m on m."set" = c."set"
             where n.run = l.run) as done
        from near l where coalesce(l.put, 0) <> coalesce(l.started, 0) or coalesce(l.started, 0) <> coalesce(l.done, 0)
    ) found
    where put <> started or started <> done
    order by load desc limit :most
""").bindparams(bindparam("first"), bindparam("most"))

"""`check`: the invariants of the record, a plain list of functions, each yielding what it finds and where."""

import hashlib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor
from contextlib import contextmanager
from datetime import datetime
from functools import partial
from itertools import pairwise
from multiprocessing import get_context
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, aliased

from app import codes
from app.db import House
from app.evidence.keep import path_of
from app.evidence.models import Evidence
from app.final_test.models import UnitFile
from app.final_test.rebuild import REMEDY, is_as_written
from app.final_test.results_in import parquet_path
from app.floor.amounts import books
from app.floor.balance import balances
from app.floor.exits import unreached
from app.floor.mount_corrections import Spell, spells
from app.floor.open_differences import open_differences
from app.floor.scrapped_wafers import is_scrap
from app.genealogy.unclosed_counts import loads_that_differ, sums_by_station, used_after_scrap, wafers_used_beyond
from app.journal.models import Seal
from app.journal.sealing import seal
from app.journal.verify import Finding, verify_journal
from app.ledger.cells import Placement
from app.ledger.corrections import MountCorrection, not_void
from app.ledger.counts import CountEntry
from app.ledger.flows import BareExit, DeadOrigin, Flow, PackContent
from app.ledger.items import Batch, Item, Lot, Pack, Panel, Wafer
from app.ledger.loose_stock import LooseStock
from app.ledger.places import Content, Mount
from app.ledger.runs import Claim, Line, Run, Use, is_void
from app.ledger.sets import LotHolding, Member, PanelSet, digest_of
from app.listed import blocks
from app.naming.models import Code
from app.naming.resolve import codes_of
from app.settings import Settings

_AT_ONCE = 2000
_LOTS_AT_ONCE = 500
_LONG = 100_000  # entries, from where on a second process is worth its second of start
Check = Callable[[House, Session], Iterator[Finding]]


def check(house: House) -> Iterator[Finding]:
    """Everything: the journal against the rows first, then the invariants; at the end what is new is sealed."""
    with _beside(house) as invariants:
        yield from verify_journal(house)
        yield from invariants()
    seal(house)


@contextmanager
def _beside(house: House) -> Iterator[Callable[[], Iterable[Finding]]]:
    """The invariants. Of a long record a process of its own looks at them meanwhile: they take as long as the journal, and both only read."""
    if not _is_long(house):
        yield partial(_invariants, house)
        return
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        looking = pool.submit(_invariants_of, house.settings)

        def found() -> Iterable[Finding]:
            try:
                return looking.result()
            except BrokenExecutor:  # somebody ended it, or there was no room for it
                return _invariants(house)

        yield found


def _is_long(house: House) -> bool:
    with house.reading() as session:
        return (session.scalar(select(func.max(Seal.n))) or 0) > _LONG


def _invariants_of(settings: Settings) -> list[Finding]:
    house = House(settings)
    try:
        return list(_invariants(house))
    finally:
        house.dispose()


def _invariants(house: House) -> Iterator[Finding]:
    with house.snapshot() as session:
        for one in CHECKS:
            yield from one(house, session)


def codes_name_things(house: House, session: Session) -> Iterator[Finding]:
    """Every item has one code; every code has the letter of its kind and a right check character."""
    for rows in blocks(session, select(Code.code, Code.kind)):
        for code, kind in rows:
            if not codes.is_valid(code) or codes.KIND_OF_LETTER[code[0]] != kind:
                yield Finding("codes", code, f"is not a valid code of a {kind}")
    coded = select(Code.thing).where(Code.kind == Item.kind, Code.thing == Item.id)
    for item, kind in session.execute(select(Item.id, Item.kind).where(~coded.exists())):
        yield Finding("codes", f"{kind} {item}", "has no code")


def sets_are_as_digested(house: House, session: Session) -> Iterator[Finding]:
    members: defaultdict[int, list[int]] = defaultdict(list)
    for rows in blocks(session, select(Member.set, Member.panel).order_by(Member.set, Member.panel)):
        for set_id, panel in rows:
            members[set_id].append(panel)
    for rows in blocks(session, select(PanelSet.id, PanelSet.n, PanelSet.digest)):
        for set_id, n, digest in rows:
            found = members.pop(set_id, [])
            if len(found) != n or digest_of(found) != digest:
                yield Finding("sets", f"set {set_id}", "does not have the panels that its digest says")
    for set_id in members:
        yield Finding("sets", f"set {set_id}", "has members and no row")


def a_panel_is_in_one_lot(house: House, session: Session) -> Iterator[Finding]:
    query = select(Member.panel, func.count()).join(LotHolding, LotHolding.set == Member.set).where(LotHolding.closed_e.is_(None))
    for panel, n in session.execute(query.group_by(Member.panel).having(func.count() > 1)):
        yield Finding("sets", _name(session, "panel", panel), f"is held by {n} lots at once")
    query = select(Member.panel, func.count()).join(Content, Content.set == Member.set).where(Content.closed_e.is_(None))
    for panel, n in session.execute(query.group_by(Member.panel).having(func.count() > 1)):
        yield Finding("sets", _name(session, "panel", panel), f"lies in {n} containers at once")


def a_wafer_is_on_one_station(house: House, session: Session) -> Iterator[Finding]:
    query = select(Mount.item, func.count()).join(Item, Item.id == Mount.item).where(Mount.closed_e.is_(None), Item.kind == "wafer")
    for wafer, n in session.execute(query.group_by(Mount.item).having(func.count() > 1)):
        yield Finding("mounts", _name(session, "wafer", wafer), f"is on {n} places at once")


def lines_had_what_was_mounted(house: House, session: Session) -> Iterator[Finding]:
    """Where a mount was corrected, what the lines there had is what its right mounts say: by the order of entry, and more only by their times."""
    corrected = select(Mount.station).join(MountCorrection, MountCorrection.mount == Mount.id)
    for station in sorted(set(session.scalars(corrected))):
        on = spells(session, station)
        had: defaultdict[int, set[int]] = defaultdict(set)
        uses = select(Use.line, Use.item).join(Line, Line.id == Use.line).join(Run, Run.id == Line.run).where(Run.station == station, not_void())
        for line, item in session.execute(uses):
            had[line].add(item)
        changes = sorted([(one.since, one.mount.item, 1) for one in on] + [(one.until, one.mount.item, -1) for one in on], reverse=True)
        there: Counter[int] = Counter()
        lines = select(Line.id, Line.e, Line.started_at, Line.ended_at).join(Run, Run.id == Line.run)
        for line, e, begin, end in session.execute(lines.where(Run.station == station, ~is_void(Run.id)).order_by(Line.e)):
            while changes and changes[-1][0] <= e:
                _, item, by = changes.pop()
                there[item] += by
            on_it = {item for item, n in there.items() if n}
            if had[line] != on_it and (on_it - had[line] or had[line] - on_it - _lay_there(on, begin, end)):
                yield Finding("mounts", f"line {line}", "does not have what was mounted at its station when it opened")


def _lay_there(on: Sequence[Spell], begin: datetime, end: datetime | None) -> set[int]:
    """By the times of mounts: a line has that too where it was told in another order than it happened in."""
    return {one.mount.item for one in on if (end is None or one.mount.on_at <= end) and (one.mount.off_at is None or one.mount.off_at >= begin)}


def flows_run_one_way(house: House, session: Session) -> Iterator[Finding]:
    """No flow in a ring: what nothing flows into is taken away until nothing is left. A flow out of what nothing flows into is in none."""
    children: defaultdict[int, list[int]] = defaultdict(list)
    waiting: Counter[int] = Counter()
    above = aliased(Flow)
    for rows in blocks(session, select(Flow.child, Flow.parent).where(select(above.child).where(above.child == Flow.parent).exists())):
        for child, parent in rows:
            children[parent].append(child)
            waiting[child] += 1
    free = [item for item in children if not waiting[item]]
    while free:
        for child in children.pop(free.pop(), ()):
            waiting[child] -= 1
            if not waiting[child]:
                free.append(child)
    for item in sorted(item for item, n in waiting.items() if n > 0):
        yield Finding("flows", f"item {item}", "descends from itself")


def counts_close(house: House, session: Session) -> Iterator[Finding]:
    """In = out + scrapped + sampled + difference + left, of every lot, within what counting can tell."""
    lots = list(session.scalars(select(Lot.item).order_by(Lot.item)))
    for start in range(0, len(lots), _LOTS_AT_ONCE):
        for lot, found in balances(session, lots[start : start + _LOTS_AT_ONCE]).items():
            if found.unsigned is not None:
                yield Finding("counts", _name(session, "lot", lot), f"was counted as {found.unsigned.units} against {found.unsigned.book}, unsigned")
            elif not found.closes:
                yield Finding("counts", _name(session, "lot", lot), f"does not close: {found.unexplained or found.left} units, u {found.u:.1f}")


def batches_and_panels_hold_what_was_counted(house: House, session: Session) -> Iterator[Finding]:
    """As lots do; until somebody has signed for the difference."""
    for kind, table in (("batch", Batch), ("panel", Panel)):
        beyond = select(CountEntry.item).join(table, table.item == CountEntry.item).where(CountEntry.kind == "counted", CountEntry.within.is_(False))
        for item, count in open_differences(session, session.scalars(beyond.distinct().order_by(CountEntry.item))).items():
            yield Finding("counts", _name(session, kind, item), f"was counted as {count.units} against {count.book}, unsigned")


def scrapped_wafers_stay_off(house: House, session: Session) -> Iterator[Finding]:
    """What was scrapped is on no station, and no run began with it."""
    scraps = select(CountEntry.item).where(is_scrap(CountEntry))
    for wafer in session.scalars(select(Wafer.item).where(Wafer.item.in_(select(Mount.item).where(Mount.closed_e.is_(None)).intersect(scraps)))):
        yield Finding("mounts", _name(session, "wafer", wafer), "is on a station, and was scrapped")
    for one in used_after_scrap(session):
        yield Finding("counts", _name(session, "wafer", one.wafer), f"was scrapped, and run {_name(session, 'run', one.run)} began with it later")


def wafers_give_no_more_than_they_have(house: House, session: Session) -> Iterator[Finding]:
    for wafer, took, gross in wafers_used_beyond(session):
        yield Finding("counts", _name(session, "wafer", wafer), f"gave {took} dies by its logs; it has {gross}")


def loads_did_what_lay_in_them(house: House, session: Session) -> Iterator[Finding]:
    for load in loads_that_differ(session):
        yield Finding("counts", load.code, load.words)


def counts_do_not_lean_one_way(house: House, session: Session) -> Iterator[Finding]:
    """Differences that are each within counting, and together are a leak at one station."""
    for one in sums_by_station(session):
        if one.drifts:
            found = one.drift
            told = f"{found.counts} counts sum up to {found.total} units (u {found.u:.1f}), {found.fewer} below the book and {found.more} above"
            yield Finding("counts", one.station, f"leans one way: {told}")


def packs_hold_what_flowed_in(house: House, session: Session) -> Iterator[Finding]:
    """Flows in less flows out are the pockets; they are numbered without a gap; no more flowed out of a panel than it has cells."""
    balance_of: Counter[int] = Counter()
    for child, parent, kind, units in session.execute(
        select(Flow.child, Flow.parent, Flow.kind, Flow.units).where(Flow.kind.in_(("fill", "repack", "untape")))
    ):
        if kind != "untape":
            balance_of[child] += units
        if kind != "fill":
            balance_of[parent] -= units
    pockets: defaultdict[int, list[tuple[int, int]]] = defaultdict(list)
    for pack, first, last in session.execute(
        select(PackContent.pack, PackContent.pocket_from, PackContent.pocket_to)
        .where(PackContent.closed_e.is_(None))
        .order_by(PackContent.pocket_from)
    ):
        pockets[pack].append((first, last))
    for pack in session.scalars(select(Pack.item)):
        ranges, units = pockets.get(pack, []), sum(last - first + 1 for first, last in pockets.get(pack, []))
        if units != balance_of[pack]:
            yield Finding("packs", _name(session, "pack", pack), f"has {units} units in its pockets; {balance_of[pack]} flowed in and stayed")
        if any(after[0] != before[1] + 1 for before, after in pairwise(ranges)) or (ranges and ranges[0][0] != 1):
            yield Finding("packs", _name(session, "pack", pack), "has pockets that overlap or are missing")


def panels_give_no_more_than_they_have(house: House, session: Session) -> Iterator[Finding]:
    units, cells = func.sum(Flow.units), func.coalesce(func.max(Panel.rows * Panel.columns), 0)
    out = select(Flow.parent, units, cells).outerjoin(Panel, Panel.item == Flow.parent).where(Flow.kind == "cells").group_by(Flow.parent)
    for panel, gave, has in session.execute(out.having(units > cells)):
        yield Finding("flows", _name(session, "panel", panel), f"gave {gave} units; it has {has} cells")


def placements_fit_their_panels(house: House, session: Session) -> Iterator[Finding]:
    query = select(Placement.id, Placement.cells, Placement.n, Panel.rows, Panel.columns).join(Panel, Panel.item == Placement.panel)
    for some in blocks(session, query):
        for number, cells, n, rows, columns in some:
            bits = int.from_bytes(cells, "little")
            if bits >> (rows * columns) or bits.bit_count() > n:
                yield Finding("placements", f"placement {number}", f"names {bits.bit_count()} cells for {n} dies on {rows} x {columns} cells")


def claims_are_open_lines(house: House, session: Session) -> Iterator[Finding]:
    claimed = {(run, item) for run, item in session.execute(select(Claim.run, Claim.item))}
    in_sets = select(Line.run, Member.panel).join(Member, Member.set == Line.set).where(Line.closed_e.is_(None))
    alone = select(Line.run, Item.id).join(Item, Item.id == Line.item).where(Line.closed_e.is_(None))
    open_now = {(run, item) for query in (in_sets, alone) for run, item in session.execute(query)}
    runs_open = {run for run, _ in open_now}
    for run, item in sorted(claimed - open_now):
        if run not in runs_open:
            yield Finding("claims", f"item {item}", f"is claimed by run {run}, which has no open line")
    for run, item in sorted(open_now - claimed):
        yield Finding("claims", f"item {item}", f"is in an open line of run {run} and not claimed")


def dead_origins_are_as_derived(house: House, session: Session) -> Iterator[Finding]:
    dead = _by_panel(session, select(DeadOrigin.child, DeadOrigin.panel, DeadOrigin.wafer))
    bare = _by_panel(session, select(BareExit.child, BareExit.panel, BareExit.step, BareExit.round))
    panels = list(session.scalars(select(Flow.parent).where(Flow.kind == "cells").distinct().order_by(Flow.parent)))
    wrong_dead: set[Any] = set()
    wrong_bare: set[Any] = set()
    for start in range(0, len(panels), _AT_ONCE):
        some = panels[start : start + _AT_ONCE]
        found = unreached(session, some)
        wrong_dead |= found.dead.symmetric_difference(row for panel in some for row in dead.pop(panel, ()))
        wrong_bare |= found.bare.symmetric_difference(row for panel in some for row in bare.pop(panel, ()))
    for child, panel, wafer in sorted(wrong_dead.union(*dead.values())):  # what is left is of panels that nothing left
        yield Finding("origins", f"panel {panel}", f"wafer {wafer} and item {child}: the derived row is not as the marks and placements say")
    for child, panel, step, _ in sorted(wrong_bare.union(*bare.values())):
        yield Finding("origins", f"panel {panel}", f"step {step} and item {child}: the derived row of cells without a die is not as the logs say")


def _by_panel(session: Session, kept: Select[*tuple[Any, ...]]) -> defaultdict[int, list[Any]]:
    """Derived rows by the second of their columns."""
    found: defaultdict[int, list[Any]] = defaultdict(list)
    for rows in blocks(session, kept):
        for row in rows:
            found[row[1]].append(row)
    return found


def loose_stock_is_as_derived(house: House, session: Session) -> Iterator[Finding]:
    lots = list(session.scalars(select(Lot.item).where(Lot.form == "loose").order_by(Lot.item)))
    kept = set(session.scalars(select(LooseStock.lot).where(LooseStock.emptied_e.is_(None))))
    for start in range(0, len(lots), _AT_ONCE):
        some = lots[start : start + _AT_ONCE]
        for lot, units in (dict.fromkeys(some, 0) | books(session, some)).items():
            if (units > 0) != (lot in kept):
                yield Finding("loose stock", _name(session, "lot", lot), f"has {units} units by the book; the list of lots with units differs")


def evidence_is_as_it_came(house: House, session: Session) -> Iterator[Finding]:
    for digest, name in session.execute(select(Evidence.digest, Evidence.name).distinct()):
        path = path_of(house, digest)
        if not path.is_file():
            yield Finding("evidence", name, f"its file {digest[:12]} is missing")
            continue
        with path.open("rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() != digest:
                yield Finding("evidence", name, f"its file {digest[:12]} is not as it came")


def unit_results_are_as_written(house: House, session: Session) -> Iterator[Finding]:
    for digest, run in session.execute(select(UnitFile.parquet, UnitFile.run)):
        path = parquet_path(house, digest)
        if not is_as_written(path, digest):
            what = f"the file {digest[:12]} is {'not as it was written' if path.is_file() else 'missing'}: {REMEDY}"
            yield Finding("unit results", _name(session, "run", run), what)


CHECKS: tuple[Check, ...] = (
    codes_name_things,
    sets_are_as_digested,
    a_panel_is_in_one_lot,
    a_wafer_is_on_one_station,
    lines_had_what_was_mounted,
    flows_run_one_way,
    counts_close,
    batches_and_panels_hold_what_was_counted,
    wafers_give_no_more_than_they_have,
    scrapped_wafers_stay_off,
    loads_did_what_lay_in_them,
    counts_do_not_lean_one_way,
    packs_hold_what_flowed_in,
    panels_give_no_more_than_they_have,
    placements_fit_their_panels,
    claims_are_open_lines,
    dead_origins_are_as_derived,
    loose_stock_is_as_derived,
    evidence_is_as_it_came,
    unit_results_are_as_written,
)


def _name(session: Session, kind: str, item: int) -> str:
    return codes_of(session, kind, [item]).get(item, f"{kind} {item}")

"""Which wafers and panels the names in a placement log mean: a code of ours first, then the number that fits this station.

A number that several wafers carry means the one that was mounted here; one that several panels carry, the one that was in die attach here.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from app import codes
from app.errors import BadInput, Reason, few
from app.floor.placement_logs import LOST, PlacementLog
from app.ledger.corrections import MountCorrection
from app.ledger.places import Mount
from app.ledger.runs import Line, Run
from app.ledger.sets import Member
from app.naming.models import Alias, Code
from app.naming.resolve import Named

_AT_ONCE = 5000
_MOST_REASONS = 200
_MOST_RANGES = 100


@dataclass(frozen=True)
class NamedLog:
    """A log whose names are codes of ours, each thing under one name; and the things by code."""

    log: PlacementLog
    wafers: dict[str, int]
    panels: dict[str, int]


def name_things(session: Session, log: PlacementLog, station: int) -> NamedLog:
    """The log with codes for names. Lines that are not understood, or name what is unknown or ambiguous, refuse it as a whole."""
    wafers = _choose(_candidates(session, "wafer", log.wafers), lambda some: _mounted_at(session, station, some))
    panels = _choose(_candidates(session, "panel", log.panels), lambda some: _attached_at(session, station, some))
    reasons = [bad.reason for bad in log.bad]
    for kind, places, chosen in (("wafer", log.wafer, wafers), ("panel", log.panel, panels)):
        reasons += [
            _unclear(kind, name, found, log.line[places == n])
            for n, (name, found) in enumerate(chosen.items())
            if len(found) != 1 and (places == n).any()
        ]
    if reasons:
        raise refused_as_input(reasons)
    of_wafer, wafer_codes = _renumbered([found[0] for found in wafers.values()])
    of_panel, panel_codes = _renumbered([found[0] for found in panels.values()])
    under_codes = replace(
        log, wafers=tuple(wafer_codes), panels=tuple(panel_codes), wafer=of_wafer[log.wafer], panel=np.r_[of_panel, LOST][log.panel]
    )  # fmt: skip
    return NamedLog(under_codes, wafer_codes, panel_codes)


def refused_as_input(reasons: list[Reason]) -> BadInput:
    """Nothing of the file is stored; every line at fault is named."""
    shown = reasons[:_MOST_REASONS]
    if len(reasons) > len(shown):
        shown = [*shown, Reason("bad_input", f"And {len(reasons) - len(shown)} more faults.", "Correct these first.", "further lines")]
    if all(reason.kind != "bad_input" for reason in shown):
        shown = [Reason("bad_input", "Some of its lines name nothing known.", "Correct the lines and send the whole file again."), *shown]
    return BadInput("The placement log is refused as a whole; the file is kept as it came.", *shown)


def ranges(lines: Iterable[int]) -> str:
    """Line numbers in words: 2-5, 9."""
    numbers = np.unique(np.fromiter(lines, dtype=np.int64))
    groups = np.split(numbers, np.flatnonzero(np.diff(numbers) > 1) + 1) if len(numbers) else []
    said = [str(group[0]) if len(group) == 1 else f"{group[0]}-{group[-1]}" for group in groups[:_MOST_RANGES]]
    rest = sum(len(group) for group in groups[_MOST_RANGES:])
    return ", ".join(said) + (f" and {rest} more" if rest else "")


def _candidates(session: Session, kind: str, names: tuple[str, ...]) -> dict[str, list[Named]]:
    """A code of ours counts first; else everything that has the number."""
    by_code: dict[str, Named] = {}
    by_alias: defaultdict[str, dict[int, Named]] = defaultdict(dict)
    for start in range(0, len(names), _AT_ONCE):
        some = names[start : start + _AT_ONCE]
        # by the codes alone: given the kind as well, SQLite reads all codes of the kind
        for of, code, thing in session.execute(select(Code.kind, Code.code, Code.thing).where(Code.code.in_({codes.tidy(n) for n in some}))):
            if of == kind:
                by_code[code] = Named(kind, thing, code)
        query = select(Alias.value, Code.thing, Code.code).join(Code, (Code.kind == Alias.kind) & (Code.thing == Alias.thing))
        query = query.where(Alias.kind == kind, Alias.closed_e.is_(None), Alias.value.in_({n.strip() for n in some}))
        for value, thing, code in session.execute(query):
            by_alias[value][thing] = Named(kind, thing, code)
    return {n: [by_code[codes.tidy(n)]] if codes.tidy(n) in by_code else list(by_alias[n.strip()].values()) for n in names}


def _choose(found: dict[str, list[Named]], here: Callable[[list[int]], set[int]]) -> dict[str, list[Named]]:
    """Of several things with one number, those that were at this station."""
    several = [named.id for some in found.values() if len(some) > 1 for named in some]
    if not several:
        return found
    at_station = here(several)
    return {name: ([one for one in some if one.id in at_station] or some) if len(some) > 1 else some for name, some in found.items()}


def _mounted_at(session: Session, station: int, wafers: list[int]) -> set[int]:
    """Those that are mounted there now; where none is, those that were."""
    corrected = select(MountCorrection.mount).where(MountCorrection.mount == Mount.id).exists()
    rows = session.execute(select(Mount.item, Mount.closed_e).where(Mount.station == station, Mount.item.in_(wafers), ~corrected)).all()
    return {item for item, closed in rows if closed is None} or {item for item, _ in rows}


def _attached_at(session: Session, station: int, panels: list[int]) -> set[int]:
    query = select(Member.panel).join(Line, Line.set == Member.set).join(Run, Run.id == Line.run)
    return set(session.scalars(query.where(Run.station == station, Member.panel.in_(panels))))


def _unclear(kind: str, name: str, found: list[Named], lines: NDArray[np.int64]) -> Reason:
    where = f"{'line' if len(lines) == 1 else 'lines'} {ranges(lines.tolist())}, column {kind}"
    if not found:
        return Reason("unknown_code", f"{name!r} is not a {kind} here.", f"Receive the {kind}, or correct the lines, and send the file again.", where)
    may_be = few((named.code for named in found), 10)
    return Reason("ambiguous_code", f"{name!r} may be {may_be}; the station does not tell.", f"Name the {kind} by its code.", where)


def _renumbered(things: list[Named]) -> tuple[NDArray[np.int64], dict[str, int]]:
    """For each name its place in the list of codes: two names may mean one thing."""
    order: dict[str, int] = {}
    ids: dict[str, int] = {}
    for named in things:
        order.setdefault(named.code, len(order))
        ids[named.code] = named.id
    return np.array([order[named.code] for named in things], dtype=np.int64), ids

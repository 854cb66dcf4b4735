"""What follows from placement logs: lots above the step's limit or placed by a doubted map are held, judged lines are judged.

The share of wrong placements counts per lot and step, over all its logs in force; above is strictly above. What has moved on is listed.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import few
from app.floor import bitmaps
from app.floor.dispositions import judgement_in_force, write_judgement
from app.floor.exits import CellHistory, told_cells
from app.floor.map_fit import fit_map
from app.floor.marks import good_units
from app.floor.open_judgements import open_judgements
from app.floor.packed_dies import die_coordinates, unpack_dies
from app.floor.placement_runs import Spell, spells_of, spells_of_steps
from app.floor.used_dies import dies_in
from app.holds.place import hold_panels
from app.journal.act import By, lock
from app.ledger import walk
from app.ledger.cells import CellMark, LostDie, Placement, PlacementSum, as_told
from app.ledger.flows import Flow
from app.ledger.items import Panel
from app.ledger.judgements import Judgement
from app.ledger.runs import Cover, Line, Run
from app.ledger.sets import Member, PanelSet, digest_of
from app.ledger.stops import Hold
from app.listed import listed
from app.naming.resolve import code_of, codes_of
from app.receiving.wafers import map_of

_CHANGED = "A corrected placement log changed what is in units that had left these panels."
_NAMED = 20  # panels, and cells of one, that are named one by one
_LotStep = tuple[int | None, str | None]


@dataclass
class Verdicts:
    """Codes of holds placed, judgements written, lines that stay open, and packs with something of what was held or changed."""

    holds: list[str] = field(default_factory=list)
    judgements: list[dict[str, Any]] = field(default_factory=list)
    waiting: list[dict[str, Any]] = field(default_factory=list)
    packs: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Left:
    """What was known of a panel that has given units, before a correction."""

    panel: int
    known: frozenset[tuple[Any, ...]]


def judge(
    session: Session, by: By, evidence: int, runs: set[int], changed: Iterable[Left] = (), why_changed: str = _CHANGED,
    strayed: Mapping[int, str] | None = None,
) -> Verdicts:  # fmt: skip
    """For the lots and steps of these runs. `changed`: panels that had left when a corrected log or map came. `strayed`: runs that this log's
    times are mostly outside of, in words.
    """
    verdicts = Verdicts()
    mine = spells_of(session, by.now, runs=runs)
    of_steps = spells_of_steps(session, by.now, {(one.lot, one.key) for one in mine if one.lot is not None})
    spells = of_steps + [one for one in mine if one.lot is None]
    lock(session, Run, sorted({one.run for one in spells}))  # who marks or tells of another panel of them at this moment judges the same lines
    doubts = {run: _doubts(session, run) for run in sorted(runs)}
    stopped: set[int] = set()
    by_step: defaultdict[_LotStep, list[Spell]] = defaultdict(list)
    for one in spells:
        by_step[one.lot, one.key].append(one)
    for (lot, key), some in by_step.items():
        above = _above_limit(session, lot, key, some)
        doubted = sorted({words for one in some for words in doubts.get(one.run, ())})
        for one in some:
            if one.judged == "placements":
                _judge_line(session, by, evidence, one, above, doubts.get(one.run), verdicts, (strayed or {}).get(one.run, ""))
        if above or doubted:
            panels = sorted({panel for one in some for panel in one.panels})
            stopped |= set(panels)
            _hold(session, by, lot, some[-1], panels, [*above, *doubted], verdicts)
    differ = [one.panel for one in changed if _known(session, one.panel) != one.known]
    if differ:
        hold = hold_panels(session, by, differ, why_changed)
        verdicts.holds.append(code_of(session, "hold", hold.id))
    verdicts.packs = _packs_below(session, stopped | set(differ))
    return verdicts


def judge_marked(session: Session, by: By, panels: Iterable[int]) -> None:
    """After cells of these panels were marked: a line that only an empty cell kept open is judged, by the logs that are here."""
    lines = [one for some in open_judgements(session, sorted(panels)).values() for one in some]
    runs = {one.run for one in lines if one.judged == "placements" and one.verdict != "does_not_conform"}
    if not runs:
        return
    newest = select(PlacementSum.run, func.max(PlacementSum.evidence)).where(PlacementSum.run.in_(runs), PlacementSum.closed_e.is_(None))
    for run, evidence in session.execute(newest.group_by(PlacementSum.run).order_by(PlacementSum.run)).all():
        judge(session, by, evidence, {run})
        runs.discard(run)
    judge_without_log(session, by, runs)


def judge_without_log(session: Session, by: By, runs: Iterable[int]) -> None:
    """Of runs of which no log is here: a line to which others had left nothing to place is judged by their logs."""
    for one in spells_of(session, by.now, runs=runs):
        if one.judged == "placements":
            same = spells_of_steps(session, by.now, {(one.lot, one.key)}) if one.lot is not None else [one]
            _judge_line(session, by, None, one, _above_limit(session, one.lot, one.key, same), None, Verdicts())


def judge_unmarked(session: Session, by: By, panels: Iterable[int]) -> Verdicts:
    """After marks on these panels were taken back: a line that conformed is open again where a cell is good now and no log tells its die.

    `packs`: those with something of these panels, where that is so.
    """
    verdicts = Verdicts()
    wanted = sorted(panels)
    runs = set(session.scalars(_CONFORMING, {"panels": wanted}))
    newest = select(PlacementSum.run, func.max(PlacementSum.evidence)).where(PlacementSum.run.in_(runs), PlacementSum.closed_e.is_(None))
    for run, evidence in session.execute(newest.group_by(PlacementSum.run).order_by(PlacementSum.run)).all() if runs else ():
        found = judge(session, by, evidence, {run})
        verdicts.judgements += found.judgements
        verdicts.waiting += found.waiting
        verdicts.holds += found.holds
    verdicts.packs = _packs_below(session, set(wanted)) if verdicts.judgements else []
    return verdicts


def changed_after_leaving(session: Session, panels: Iterable[int]) -> list[Left]:
    """Call before a correction closes anything: panels that have given units, with what is known of their cells."""
    return [Left(panel, _known(session, panel)) for panel in sorted(_with_exits(session, panels))]


def _above_limit(session: Session, lot: int | None, key: str | None, spells: list[Spell]) -> list[str]:
    runs = {one.run for one in spells}
    same_lot = PlacementSum.lot == lot if lot is not None else PlacementSum.lot.is_(None)
    query = select(func.sum(PlacementSum.placed), func.sum(PlacementSum.wrong)).where(PlacementSum.run.in_(runs), same_lot)
    query = query.where(PlacementSum.step == key if key is not None else PlacementSum.step.is_(None), PlacementSum.closed_e.is_(None))
    placed, wrong = (int(n or 0) for n in session.execute(query).one())
    limit = spells[-1].step.wrong_placements_limit if spells[-1].step else 0.0
    if not placed or wrong <= limit * placed:
        return []
    return [f"{wrong} of {placed} placements are wrong, {100 * wrong / placed:.3g} %; the limit is {100 * limit:.3g} %."]


def _doubts(session: Session, run: int) -> list[str]:
    """Of each wafer in a run: do its picks fit another map better?"""
    wafers = set(session.scalars(select(Placement.wafer).where(Placement.run == run, Placement.closed_e.is_(None))))
    wafers |= set(session.scalars(select(LostDie.wafer).where(LostDie.run == run, LostDie.closed_e.is_(None))))
    codes = codes_of(session, "wafer", sorted(wafers))
    found = []
    for wafer in sorted(wafers):
        picks = np.r_[dies_in(session, Placement, wafer, run), dies_in(session, LostDie, wafer, run)]
        fit = fit_map(map_of(session, wafer), *die_coordinates(picks))
        if fit.is_doubted:
            found.append(f"Wafer {codes[wafer]}: {fit.words}")
    return found


def _judge_line(
    session: Session, by: By, evidence: int | None, spell: Spell, above: list[str], doubts: list[str] | None, verdicts: Verdicts, strayed: str = ""
) -> None:
    """Conforms when the logs tell of a die for every unit that it did and nothing is wrong; stays open while one is missing, or strayed.

    `doubts` None: not this log's run. Before its own log is here it conforms only where it has ended and nothing was left to place: a station
    that placed nothing writes none.
    """
    before = judgement_in_force(session, spell.line)
    said = doubts if doubts is not None else list(before.facts.get("doubts", [])) if before else []
    reasons = [*above, *said]
    logs = _strayed_logs(session, before) | ({str(evidence): strayed} if strayed else {})
    missing = _untold(session, spell)
    if missing and doubts is not None:
        verdicts.waiting.append({"line": spell.line, "run": code_of(session, "run", spell.run), "cells": _named(session, missing)})
    if reasons:
        verdict = "does_not_conform"
    elif logs:
        verdict = "cannot_tell"
    elif not missing:
        verdict = "conforms"
    elif before is not None and (before.verdict != "cannot_tell" or before.facts.get("strayed")):
        verdict = "cannot_tell"  # a corrected log took away what it was judged by
    else:
        return
    reasons += logs.values()
    if missing:
        reasons.append(f"No log yet of all of {few(sorted(codes_of(session, 'panel', list(missing)).values()), 20)}.")
    if before is not None and (before.verdict, before.reasons) == (verdict, reasons):
        return
    if doubts is None and before is None and (verdict != "conforms" or session.get_one(Line, spell.line).closed_e is None):
        return
    rule = catalogue.route(session, spell.route).definition if spell.route else None
    facts: dict[str, object] = {"doubts": said, "panels_without_log": len(missing)} | ({"strayed": logs} if logs else {})
    write_judgement(session, by, spell.line, verdict=verdict, reasons=reasons, facts=facts, rule=rule, evidence=evidence)
    verdicts.judgements.append({"line": spell.line, "run": code_of(session, "run", spell.run), "verdict": verdict, "reasons": reasons})


def _strayed_logs(session: Session, before: Judgement | None) -> dict[str, str]:
    """Those that the judgement before knew of, by evidence, as far as no corrected log has replaced them."""
    known: dict[str, str] = before.facts.get("strayed", {}) if before else {}
    if not known:
        return {}
    told = select(PlacementSum.evidence).where(PlacementSum.evidence.in_([int(one) for one in known]), PlacementSum.closed_e.is_(None))
    in_force = {str(one) for one in session.scalars(told)}
    return {one: words for one, words in known.items() if one in in_force}


def _untold(session: Session, spell: Spell) -> dict[int, int]:
    """Panels that a line did (while it is open: has) and whose good units need more dies than the logs of that round tell of.

    With the good cells that none tells of, as a number of which bit n is cell n.

    Units that were scrapped without a cell need none. A cell left empty on purpose wants a mark, or quality's word.
    """
    covered = select(Member.panel).join(Cover, Cover.set == Member.set).where(Cover.line == spell.line, Cover.done)
    done = set(session.scalars(covered)) or set(spell.panels)
    told, cells = told_cells(session, done), CellHistory(session, done)

    untold = {}
    for panel, units in sorted(good_units(session, done).items()):
        good, dies = cells.good(panel), told.get((panel, spell.key or "", spell.round), 0)
        if (good & dies).bit_count() < units:
            untold[panel] = good & ~dies
    return untold


def _named(session: Session, cells: Mapping[int, int]) -> list[str]:
    """Panel and cells in words, of the first twenty panels; of one that has many they are counted."""
    codes = codes_of(session, "panel", list(cells))
    columns = {item: width for item, width in session.execute(select(Panel.item, Panel.columns).where(Panel.item.in_(list(cells))))}
    return [_in_words(codes[panel], some, columns[panel]) for panel, some in list(cells.items())[:_NAMED]]


def _in_words(code: str, cells: int, columns: int) -> str:
    if cells.bit_count() > _NAMED:
        return f"{code}: {cells.bit_count():,} cells"
    places = [n for n in range(cells.bit_length()) if cells >> n & 1]
    return f"{code}: " + ", ".join(f"row {n // columns + 1} column {n % columns + 1}" for n in places)


def _hold(session: Session, by: By, lot: int | None, spell: Spell, panels: list[int], reasons: list[str], verdicts: Verdicts) -> None:
    """One hold a lot and step: while it is in force, later logs add none."""
    at = f"Placements at {spell.step.name if spell.step else 'die attach'}: "
    known = select(Hold.id).join(PanelSet, PanelSet.id == Hold.subject)
    known = known.where(Hold.kind == "set", Hold.closed_e.is_(None), Hold.automatic, Hold.reason.startswith(at, autoescape=True))
    if session.scalar(known.where(PanelSet.digest == digest_of(panels))) is None:
        hold = hold_panels(session, by, panels, at + " ".join(reasons), lot)
        verdicts.holds.append(code_of(session, "hold", hold.id))


def _packs_below(session: Session, panels: set[int]) -> list[str]:
    gone = _with_exits(session, panels)
    return sorted(codes_of(session, "pack", sorted(walk.packs_with(session, gone))).values()) if gone else []


def _with_exits(session: Session, panels: Iterable[int]) -> set[int]:
    return set(session.scalars(select(Flow.parent).where(Flow.parent.in_(list(panels)), Flow.kind == "cells").distinct()))


def _known(session: Session, panel: int) -> frozenset[tuple[Any, ...]]:
    """(wafer, cell, die) and (reason, cell) of a panel, however the rows divide them."""
    facts: set[tuple[Any, ...]] = set()
    for row in session.scalars(select(Placement).where(Placement.panel == panel, as_told(Placement))):
        cells = bitmaps.indices(bitmaps.read(row.cells)).tolist()
        facts |= {(row.wafer, cell, die) for cell, die in zip(cells, unpack_dies(row.dies).tolist(), strict=True)}
    for mark in session.scalars(select(CellMark).where(CellMark.panel == panel, CellMark.closed_e.is_(None), CellMark.evidence.is_not(None))):
        facts |= {(mark.reason, cell) for cell in bitmaps.indices(bitmaps.read(mark.cells)).tolist()}
    return frozenset(facts)


# runs whose lines did these panels and conform by their logs
_CONFORMING = listed(
    """
    select distinct l.run from member m cross join cover c cross join line l cross join judgement j
    where m.panel in :panels and c."set" = m."set" and l.id = c.line and l.judged = 'placements' and j.line = l.id and j.verdict = 'conforms'
    and not exists (select 1 from judgement n where n.replaces = j.id) and not exists (select 1 from run_void v where v.run = l.run)
    """,
    "panels",
)

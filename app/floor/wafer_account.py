"""What became of a wafer's dies, where one die went, what sits on one cell, and what is known of a panel."""

from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import bad_input
from app.floor import bitmaps
from app.floor.marks import good_units
from app.floor.packed_dies import die_numbers
from app.floor.placed_where import At, Placed, cells_of, placed_from, placed_on
from app.floor.placement_check import WaferCount, count_wafer
from app.floor.progress import progress
from app.floor.scrapped_wafers import Scrap, scraps_of
from app.floor.used_dies import die_uses, dies_in, used_before
from app.floor.wrong_dies import WrongDies, wrong_dies
from app.ledger.cells import CellMark, LostDie, Placement, as_told
from app.ledger.items import Panel, Wafer
from app.naming.resolve import Named, code_of, codes_of
from app.receiving.wafers import map_of


@dataclass(frozen=True)
class WentTo:
    """Dies of a wafer on one panel in one run."""

    panel: str
    run: str
    dies: int


@dataclass(frozen=True)
class WaferAccount:
    """Passing dies = placed + lost + left, and of a scrapped wafer + scrapped: nothing is left then. `wrong`: used wrongly by the logs, apart."""

    wafer: str
    part: str
    role: str
    gross: int
    count: WaferCount
    wrong: WrongDies
    went_to: tuple[WentTo, ...]
    scrap: Scrap | None
    scrapped: int


@dataclass(frozen=True)
class DieStory:
    """`state`: left, placed, lost, scrapped, or no die. `bin` is None where the map has no die."""

    wafer: str
    x: int
    y: int
    bin: str | None
    quality: str | None
    state: str
    cells: tuple[At, ...]
    values: dict[str, float]  # what else the map's file says of the die


@dataclass(frozen=True)
class DieOn:
    """A die on a cell. `role`: of its wafer; `placed_as`: of the step that put it there."""

    role: str
    placed_as: str
    wafer: str
    x: int
    y: int
    bin: str | None
    quality: str | None
    run: str
    started_at: datetime
    ended_at: datetime | None
    values: dict[str, float]  # of the wafer's map


@dataclass(frozen=True)
class CellStory:
    panel: str
    row: int
    column: int
    dies: tuple[DieOn, ...]
    marks: tuple[str, ...]


@dataclass(frozen=True)
class PanelStory:
    """`marks`: cells by reason (a cell may have several); `dies`: (role, wafer, run, how many)."""

    panel: str
    rows: int
    columns: int
    good: int
    marks: dict[str, int]
    dies: tuple[tuple[str, str, str, int], ...]
    lot: str | None
    next_step: str | None


def wafer_account(session: Session, wafer: Named) -> WaferAccount:
    """Counts by the logs in force and the map in force."""
    row = session.get_one(Wafer, wafer.id)
    before = used_before(session, {wafer.code: wafer.id})[wafer.code]
    wrong = wrong_dies(before.map, die_uses(session, [wafer.id])[wafer.id])
    went: Counter[tuple[int, int]] = Counter()
    for one in _placements(session, Placement.wafer == wafer.id):
        went[one.panel, one.run] += one.n
    panels = codes_of(session, "panel", [panel for panel, _ in went])
    runs = codes_of(session, "run", [run for _, run in went])
    count, scrap = count_wafer(before), scraps_of(session, [wafer.id]).get(wafer.id)
    return WaferAccount(
        wafer.code, catalogue.with_id(session, row.part).name, row.role, before.map.gross,
        replace(count, left=0) if scrap else count, sum(wrong, WrongDies()),
        tuple(WentTo(panels[panel], runs[run], n) for (panel, run), n in went.items()), scrap, count.left if scrap else 0,
    )  # fmt: skip


def die_story(session: Session, wafer: Named, x: int, y: int) -> DieStory:
    """From a die to its cells."""
    placed = placed_from(session, wafer.id)
    cells = tuple(cells_of(session, placed.only((placed.x == x) & (placed.y == y))))
    die_map = map_of(session, wafer.id)
    of = die_map.bin_at(x, y)
    is_lost = int(die_numbers(x, y)) in dies_in(session, LostDie, wafer.id)
    rest = "scrapped" if scraps_of(session, [wafer.id]) else "left"
    state = "placed" if cells else "lost" if is_lost else rest if of else "no die"
    return DieStory(wafer.code, x, y, of.code if of else None, of.quality if of else None, state, cells, die_map.values_at(x, y))


def cell_story(session: Session, panel: Named, row: int, column: int) -> CellStory:
    """From a cell to its dies, oldest first, and the marks on it."""
    size = session.get_one(Panel, panel.id)
    if not (1 <= row <= size.rows and 1 <= column <= size.columns):
        why = f"{panel.code} has {size.rows} rows and {size.columns} columns, counted from 1."
        raise bad_input("The panel has no such cell.", f"row {row}, column {column}", why, "Correct the row and column.")
    index = (row - 1) * size.columns + column - 1
    placed = placed_on(session, panel.id)
    here = placed.only(placed.cell == index)
    marks = [mark.reason for mark in marks_on(session, panel.id) if index in bitmaps.indices(bitmaps.read(mark.cells))]
    return CellStory(panel.code, row, column, tuple(dies_on(session, here)), tuple(marks))


def dies_on(session: Session, here: Placed) -> list[DieOn]:
    """The dies of these placements, in their order."""
    wafers = np.unique(here.wafer).tolist()
    codes = codes_of(session, "wafer", wafers)
    roles = {item: role for item, role in session.execute(select(Wafer.item, Wafer.role).where(Wafer.item.in_(wafers)))}
    maps = {wafer: map_of(session, wafer) for wafer in wafers}
    dies = []
    for at, wafer, x, y, step_role in zip(
        cells_of(session, here), here.wafer.tolist(), here.x.tolist(), here.y.tolist(), here.step_role.tolist(), strict=True
    ):
        of = maps[wafer].bin_at(x, y)
        code, quality = (of.code, of.quality) if of else (None, None)
        values = maps[wafer].values_at(x, y)
        dies.append(DieOn(roles[wafer], step_role, codes[wafer], x, y, code, quality, at.run, at.started_at, at.ended_at, values))
    return dies


def panel_story(session: Session, panel: Named) -> PanelStory:
    size = session.get_one(Panel, panel.id)
    marked: dict[str, bitmaps.Bitmap] = {}
    for mark in marks_on(session, panel.id):
        cells = bitmaps.read(mark.cells)
        marked[mark.reason] = cells | marked[mark.reason] if mark.reason in marked else cells
    went: defaultdict[tuple[str, int, int], int] = defaultdict(int)
    for one in _placements(session, Placement.panel == panel.id):
        went[one.role, one.wafer, one.run] += one.n
    wafers, runs = codes_of(session, "wafer", [w for _, w, _ in went]), codes_of(session, "run", [r for _, _, r in went])
    stand = progress(session, [panel.id])[panel.id]
    step = None
    if stand.route is not None and stand.next_step is not None:
        step = catalogue.step_of(catalogue.route(session, stand.route).body, stand.next_step).name
    return PanelStory(
        panel.code, size.rows, size.columns, good_units(session, [panel.id])[panel.id],
        {reason: bitmaps.count(cells) for reason, cells in marked.items()},
        tuple((role, wafers[wafer], runs[run], n) for (role, wafer, run), n in went.items()),
        code_of(session, "lot", stand.lot) if stand.lot is not None else None, step,
    )  # fmt: skip


def _placements(session: Session, which: object) -> list[Placement]:
    return list(session.scalars(select(Placement).where(which, as_told(Placement)).order_by(Placement.id)))  # type: ignore[arg-type]


def marks_on(session: Session, panel: int) -> list[CellMark]:
    return list(session.scalars(select(CellMark).where(CellMark.panel == panel, CellMark.closed_e.is_(None)).order_by(CellMark.id)))

"""Import a placement log: which die sits on which cell, as it happened. A corrected log replaces an earlier one in the open.

Only what the record does not say yet is written, so cumulative files and repeated lines are the same facts. Dies that broke a rule
are recorded too, and their cells marked; `placement_verdicts.py` says what follows for lots and judgements.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from io import BytesIO
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.db import House
from app.errors import bad_input, refuse
from app.evidence.keep import Kept, keep_and_read, record_evidence
from app.evidence.models import Evidence
from app.floor import bitmaps
from app.floor.exits import write_dead_origins
from app.floor.marks import mark_bitmap
from app.floor.packed_dies import die_numbers, flags_of, pack_dies
from app.floor.placement_check import Checked, Layer, PanelBefore, WaferBefore, check_placements
from app.floor.placement_logs import LOST, PlacementLog, read_placement_log
from app.floor.placement_names import NamedLog, name_things, ranges
from app.floor.placement_runs import Found, find_runs
from app.floor.placement_verdicts import Verdicts, changed_after_leaving, judge
from app.floor.used_dies import dies_in, used_before
from app.journal.act import By, lock
from app.ledger.cells import CellMark, LostDie, Placement, PlacementSum, as_told
from app.ledger.items import Item, Panel, Wafer
from app.naming.resolve import codes_of
from app.receiving.local_clocks import zone_named

ROLE_WRONG = "die of another role"
Ints = NDArray[np.int64]
_Key = tuple[int, str, bool]  # run, role that its step places, may the wafers' dies be that?


@dataclass(frozen=True)
class Imported:
    """What a log added. `faults`: lines by what is wrong with them; `outside`: lines more than a minute outside their run."""

    evidence: int
    lines: int
    placed: int
    lost: int
    wrong: int
    repeated: int
    outside: int
    faults: dict[str, str]
    holds: list[str]
    judgements: list[dict[str, Any]]
    waiting: list[dict[str, Any]]  # lines of its runs that have good cells without a die, as far as the logs tell
    packs: list[str]  # that are stopped by a hold of this import, or changed by a correction

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


def read_log(house: House, name: str, data: bytes, zone: str | None = None, cells_from: int | None = None) -> tuple[Kept, PlacementLog]:
    """Keeps and reads a file, outside any transaction. `zone` is that of times which name none; `cells_from` the first row and column, if stated."""
    clock = zone_named(zone) if zone else None
    if zone and clock is None:
        raise bad_input("There is no such time zone.", "zone", f"{zone!r} is not known.", "State it like Europe/Vienna, UTC or -02:30.")
    stated = {name: value for name, value in (("zone", zone), ("cells_from", cells_from)) if value is not None}
    kept, log = keep_and_read(house, name, data, lambda: read_placement_log(BytesIO(data), name, clock, cells_from))
    return kept, replace(log, stated=stated)


def import_placements(session: Session, by: By, station: int, kept: Kept, log: PlacementLog, replaces: Sequence[int] = ()) -> Imported:
    """Writes what the log of a station says and the record does not. `replaces`: evidence that it corrects."""
    named = name_things(session, log, station)
    old = _Old.read(session, replaces)  # what to lock; read again below, as another correction may have been first
    lock(session, Item, sorted({*named.wafers.values(), *named.panels.values(), *(row.panel for row in old.placements), *old.wafers}))
    old = _Old.read(session, replaces)
    evidence = record_evidence(session, by, kept, "placement_log", {"station": station, "replaces": list(replaces)} | dict(log.stated))
    gone = changed_after_leaving(session, old.panels)
    old.close(session, by)
    roles = _roles(session, named.wafers.values())
    found = find_runs(session, named, station, roles, by.now)
    wrote = _Writing(session, by, evidence.id, named, found, roles)
    wrote.all()
    write_dead_origins(session, {*old.panels, *wrote.panels})
    again = set(np.unique(found.run).tolist())  # what is repeated is judged again: cells may have been marked meanwhile
    strayed = {run: words for run, words in found.strayed.items() if run in wrote.runs}
    verdicts = judge(session, by, evidence.id, wrote.runs | old.runs | again, changed=gone, strayed=strayed)
    return wrote.imported(verdicts)


@dataclass
class _Old:
    """What a corrected log takes back: the rows of the earlier evidence that are in force."""

    placements: list[Placement] = field(default_factory=list)
    rest: list[LostDie | CellMark | PlacementSum] = field(default_factory=list)
    runs: set[int] = field(default_factory=set)

    @classmethod
    def read(cls, session: Session, replaces: Sequence[int]) -> "_Old":
        old = cls()
        for number in replaces:
            evidence = session.get(Evidence, number)
            if evidence is None or evidence.kind != "placement_log":
                raise bad_input("That is not a placement log.", "replaces", f"Evidence {number} is another file.", "Give the number from its import.")
            added = select(PlacementSum).where(PlacementSum.evidence == number, PlacementSum.closed_e.is_(None))
            sums = list(session.scalars(added.execution_options(populate_existing=True)))
            if not sums:
                why = "What it added was replaced before, or it added nothing."
                raise refuse("finished", f"Log {number} ({evidence.name}) can't be replaced.", why, "Name the log that is in force.")
            runs = {row.run for row in sums}
            for table, rows in ((Placement, old.placements), (LostDie, old.rest), (CellMark, old.rest)):
                query = select(table).where(table.run.in_(runs), table.evidence == number, table.closed_e.is_(None))
                rows.extend(session.scalars(query.execution_options(populate_existing=True)))
            old.rest += sums
            old.runs |= runs
        return old

    @property
    def panels(self) -> set[int]:
        return {row.panel for row in self.placements}

    @property
    def wafers(self) -> set[int]:
        return {row.wafer for row in self.placements} | {row.wafer for row in self.rest if isinstance(row, LostDie)}

    def close(self, session: Session, by: By) -> None:
        for row in [*self.placements, *self.rest]:
            row.closed_e = by.e
        session.flush()


class _Writing:
    """The state of wafers and panels as the log goes on, and the rows that it adds, a run and role at a time."""

    def __init__(self, session: Session, by: By, evidence: int, named: NamedLog, found: Found, roles: dict[int, tuple[str, ...]]) -> None:
        self.session, self.by, self.evidence = session, by, evidence
        self.named, self.found, self.roles = named, found, roles
        self.wafers = used_before(session, named.wafers)
        self.sizes = {item: (rows, columns) for item, rows, columns in session.execute(_sizes(named.panels.values()))}
        self.layers: defaultdict[int, list[tuple[str, Layer]]] = defaultdict(list)  # panel -> (role, layer) in force
        self._read_layers()
        self.gone = {code: dies_in(session, LostDie, item) for code, item in named.wafers.items()}
        self.runs: set[int] = set()
        self.panels: set[int] = set()
        self.placed = self.lost = self.wrong = 0
        self.repeated = named.log.repeated
        self.faults: defaultdict[str, list[int]] = defaultdict(list)
        self.sums: defaultdict[tuple[int, int | None, str | None], list[int]] = defaultdict(lambda: [0, 0, 0])

    def all(self) -> None:
        for (run, role, fits), log in self._groups():
            self._one(run, role, log, fits=fits)
        for (run, lot, step), (placed, wrong, lost) in self.sums.items():
            row = PlacementSum(e=self.by.e, run=run, lot=lot, step=step, evidence=self.evidence, placed=placed, wrong=wrong, lost=lost)
            self.session.add(row)
        self.session.flush()

    def imported(self, verdicts: Verdicts) -> Imported:
        return Imported(
            evidence=self.evidence, lines=len(self.named.log) + self.named.log.repeated, placed=self.placed, lost=self.lost, wrong=self.wrong,
            repeated=self.repeated, outside=self.found.outside, faults={why: ranges(lines) for why, lines in sorted(self.faults.items())},
            holds=verdicts.holds, judgements=verdicts.judgements, waiting=verdicts.waiting, packs=verdicts.packs,
        )  # fmt: skip

    def _groups(self) -> Iterator[tuple[_Key, PlacementLog]]:
        """The lines of each run and role, in the order of their first."""
        log = self.named.log
        lines: defaultdict[_Key, list[Ints]] = defaultdict(list)
        of_wafer: dict[tuple[int, str], _Key] = {}
        for (wafer, panel), some in sorted(log.pairs().items(), key=lambda pair: pair[0][1] is None):
            roles = self.roles[self.named.wafers[wafer]]
            for run in np.unique(self.found.run[some]).tolist():
                key = of_wafer.get((run, wafer), (run, roles[0], True))  # a lost die goes with its wafer's others
                if panel is not None:
                    wanted = self.found.of(run, self.named.panels[panel]).role or roles[0]
                    key = of_wafer[run, wafer] = (run, wanted, wanted in roles)
                lines[key].append(some[self.found.run[some] == run])
        for key, parts in sorted(lines.items(), key=lambda item: min(int(part[0]) for part in item[1])):
            keep = np.zeros(len(log), dtype=bool)
            keep[np.concatenate(parts)] = True
            yield key, log.only(keep)

    def _one(self, run: int, role: str, log: PlacementLog, *, fits: bool) -> None:
        log, off_panel = self._new_without_cell(log)
        before = {code: self.wafers[code] for code in log.wafers}
        panels = {code: self._panel(self.named.panels[code], role) for code in log.panels}
        checked = check_placements(log, before, panels)
        self.repeated += checked.repeated
        for why, lines in checked.lines.items():
            self.faults[why] += lines
        if not fits:
            self.faults[ROLE_WRONG] += log.line[log.panel != LOST].tolist()
        self._write_panels(run, role, checked, off_panel, fits=fits)
        self._write_wafers(run, log, checked)

    def _new_without_cell(self, log: PlacementLog) -> tuple[PlacementLog, dict[str, int]]:
        """Leaves out what is known of dies that sit on no cell; and counts, by panel, new dies put beside its cells."""
        rows, columns = (np.array([*(self.sizes[self.named.panels[p]][i] for p in log.panels), 0]) for i in (0, 1))
        on_cell = (log.row >= 1) & (log.row <= rows[log.panel]) & (log.column >= 1) & (log.column <= columns[log.panel]) & (log.panel != LOST)
        number = die_numbers(log.x, log.y)
        known = np.zeros(len(log), dtype=bool)
        for n, code in enumerate(log.wafers):
            known |= (log.wafer == n) & ~on_cell & np.isin(number, self.gone[code])
        self.repeated += int(known.sum())
        beside = ~on_cell & ~known & (log.panel != LOST)
        lines = np.unique(np.c_[log.panel, log.wafer, number, log.row, log.column][beside], axis=0)
        counts = np.bincount(lines[:, 0], minlength=len(log.panels))
        return log.only(~known), {code: int(n) for code, n in zip(log.panels, counts, strict=False) if n}

    def _panel(self, panel: int, role: str) -> PanelBefore:
        rows, columns = self.sizes[panel]
        occupied = bitmaps.empty(rows, columns)
        for of, layer in self.layers[panel]:
            if of == role:
                occupied = occupied | bitmaps.read(layer.cells)
        return PanelBefore(rows, columns, occupied.tobytes(), tuple(layer for _, layer in self.layers[panel]))

    def _write_panels(self, run: int, role: str, checked: Checked, off_panel: dict[str, int], *, fits: bool) -> None:
        for one in checked.panels:
            panel = self.named.panels[one.panel]
            lines = one.placed + off_panel.get(one.panel, 0)
            if not lines:
                continue
            spell = self.found.of(run, panel)
            wrong = one.wrong if fits else lines
            for layer in one.layers:
                self._write_layer(run, panel, role, layer)
            marks = [(mark.reason, bitmaps.read(mark.cells)) for mark in one.marks]
            if not fits and one.layers:
                marks.append((ROLE_WRONG, np.bitwise_or.reduce([bitmaps.read(layer.cells) for layer in one.layers])))
            for reason, cells in marks:
                mark_bitmap(self.session, self.by, panel, cells, reason, run, self.evidence)
            total = self.sums[run, spell.lot, spell.key]
            total[0] += lines
            total[1] += wrong
            self.placed += one.placed
            self.wrong += wrong
            self.runs.add(run)
            self.panels.add(panel)

    def _write_layer(self, run: int, panel: int, role: str, layer: Layer) -> None:
        wafer = self.named.wafers[layer.wafer]
        self.session.add(
            Placement(
                e=self.by.e, run=run, panel=panel, wafer=wafer, role=role, cells=layer.cells, dies=layer.dies, n=layer.n, evidence=self.evidence
            )
        )
        self.layers[panel].append((role, layer))

    def _write_wafers(self, run: int, log: PlacementLog, checked: Checked) -> None:
        for one in checked.wafers:
            before = self.wafers[one.wafer]
            fresh = flags_of(before.map, one.lost) & ~flags_of(before.map, before.lost)
            numbers = die_numbers(*before.map.coordinates_of(np.flatnonzero(fresh)))
            mine = log.wafer == log.wafers.index(one.wafer)
            strange = mine & (log.panel == LOST) & (before.map.index_of(log.x, log.y) < 0)  # lost, and beyond the map
            numbers = np.union1d(numbers, die_numbers(log.x, log.y)[strange])
            if len(numbers):
                row = LostDie(
                    e=self.by.e, run=run, wafer=self.named.wafers[one.wafer], dies=pack_dies(numbers), n=len(numbers), evidence=self.evidence
                )
                self.session.add(row)
                self.gone[one.wafer] = np.union1d(self.gone[one.wafer], numbers)
                self.sums[run, None, None][2] += len(numbers)
                self.lost += len(numbers)
                self.runs.add(run)
            self.wafers[one.wafer] = WaferBefore(before.map, one.used, one.lost)

    def _read_layers(self) -> None:
        codes = codes_of(self.session, "wafer", list(self.named.wafers.values()))
        panel_codes = {item: code for code, item in self.named.panels.items()}
        for row in self.session.scalars(select(Placement).where(Placement.panel.in_(panel_codes), as_told(Placement)).order_by(Placement.id)):
            layer = Layer(panel_codes[row.panel], codes.get(row.wafer, ""), row.cells, row.dies, row.n)
            self.layers[row.panel].append((row.role, layer))


def _roles(session: Session, wafers: Iterable[int]) -> dict[int, tuple[str, ...]]:
    """By wafer, what its dies may be in a product."""
    rows = session.execute(select(Wafer.item, Wafer.part, Wafer.role).where(Wafer.item.in_(wafers))).all()
    parts = catalogue.with_ids(session, [row.part for row in rows])
    return {row.item: (row.role, *parts[row.part].body.more_roles) for row in rows}


def _sizes(panels: Iterable[int]) -> Any:
    return select(Panel.item, Panel.rows, Panel.columns).where(Panel.item.in_(list(panels)))

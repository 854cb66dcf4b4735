"""What really happened to every unit, kept by the simulator and read from none of the program's tables.

Unit u is cell u % CELLS of panel u // CELLS. Beside the truth stand the sets that can be reached through what was said and recorded on
the floor: a run over a panel with no word about its cells reaches all of them.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

CELLS = 400
COLUMNS = 20
ROLES = ("driver", "red", "green", "blue")
FILE = "demo-truth.npz"
Ints = NDArray[np.int64]


class Names:
    """Codes, numbered in the order in which they came."""

    def __init__(self) -> None:
        self.codes: list[str] = []
        self.number: dict[str, int] = {}

    def of(self, code: str) -> int:
        if code not in self.number:
            self.number[code] = len(self.codes)
            self.codes.append(code)
        return self.number[code]


@dataclass
class Reach:
    """Codes that can be in a thing, by the simulator's own record of what was said."""

    wafers: set[str] = field(default_factory=set)
    batches: set[str] = field(default_factory=set)
    runs: set[str] = field(default_factory=set)
    panels: set[str] = field(default_factory=set)

    def take(self, other: "Reach") -> None:
        self.wafers |= other.wafers
        self.batches |= other.batches
        self.runs |= other.runs
        self.panels |= other.panels


class Truth:
    """One row a unit; and the touches: which run and batch worked on which cells of which panel, or on which loose or packed units."""

    def __init__(self, panels: int) -> None:
        n = panels * CELLS
        self.panels, self.wafers, self.runs, self.batches, self.places = Names(), Names(), Names(), Names(), Names()
        self.wafer = np.full((len(ROLES), n), -1, dtype=np.int32)
        self.die_x = np.full((len(ROLES), n), -1, dtype=np.int16)
        self.die_y = np.full((len(ROLES), n), -1, dtype=np.int16)
        self.green_nm = np.full(n, np.nan)  # wavelength of its green die
        self.alive = np.ones(n, dtype=np.bool_)
        self.place = np.full(n, -1, dtype=np.int32)  # the loose lot, sample or pack that it is in; -1: on its panel, or scrapped
        self.pocket = np.zeros(n, dtype=np.int32)  # in a pack, from 1 at the hub
        self._touch: list[tuple[int, int, int, int, int]] = []  # run, batch (-1: none), panel, first cell, last cell
        self._worked: list[tuple[int, int, Ints]] = []  # run, batch, units
        self.faults: dict[str, str] = {}  # planted fault -> the code of what it is about
        self.reach: dict[str, Reach] = {}  # pack -> what can be in it
        self.panel_reach: dict[str, Reach] = {}  # panel -> the same
        self.changed: list[str] = []  # panels whose wire changed while they were in work, or may have
        self.packs: list[str] = []
        self.frames: dict[str, str] = {}  # panel -> its lead-frame batch

    def units_of_panel(self, panel: str) -> Ints:
        first = self.panels.number[panel] * CELLS
        return np.arange(first, first + CELLS)

    def touched(self, run: str, panels: Iterable[str], batches: Iterable[str], first: int = 0, last: int = CELLS - 1) -> None:
        """A run worked on these cells of these panels with these batches on its station."""
        number = self.runs.of(run)
        used = [-1, *(self.batches.of(batch) for batch in batches)]
        self._touch += [(number, batch, self.panels.number[panel], first, last) for panel in panels for batch in used]

    def worked(self, run: str, units: Ints, batches: Iterable[str] = ()) -> None:
        """A run worked on loose or packed units."""
        number = self.runs.of(run)
        self._worked += [(number, batch, units.copy()) for batch in [-1, *(self.batches.of(batch) for batch in batches)]]

    def into(self, place: str, units: Ints, *, pockets: bool = False) -> None:
        self.place[units] = self.places.of(place)
        if pockets:
            self.pocket[units] = np.arange(1, len(units) + 1)

    def units_in(self, place: str) -> Ints:
        found = np.flatnonzero(self.place == self.places.number.get(place, -9))
        return found[np.argsort(self.pocket[found], kind="stable")]

    def wafers_of(self, place: str) -> set[str]:
        """Wafers that really have a die in it."""
        found = np.unique(self.wafer[:, self.units_in(place)])
        return {self.wafers.codes[n] for n in found.tolist() if n >= 0}

    def runs_of(self, place: str) -> set[str]:
        """Runs that really worked on something in it."""
        return {self.runs.codes[run] for run, _ in self._touches(self.units_in(place))}

    def batches_of(self, place: str) -> set[str]:
        """Batches that were really on the station when something in it was worked on."""
        return {self.batches.codes[batch] for _, batch in self._touches(self.units_in(place)) if batch >= 0}

    def batches_of_panel(self, panel: str) -> set[str]:
        """Batches that really were on the station for some of its cells, before its units became loose."""
        number = self.panels.number[panel]
        return {self.batches.codes[batch] for _, batch, at, _, _ in self._touch if at == number and batch >= 0} | {self.frames[panel]}

    def packs_of_run(self, run: str) -> set[str]:
        """Packs that hold something that a run really worked on."""
        return {pack for pack in self.packs if run in self.runs_of(pack)}

    def reach_of(self, code: str) -> set[str]:
        """Packs that can hold something of a wafer, batch, panel or run, by what was said."""
        sides = ("wafers", "batches", "runs", "panels")
        return {pack for pack, reach in self.reach.items() if any(code in getattr(reach, side) for side in sides)}

    def _touches(self, units: Ints) -> set[tuple[int, int]]:
        there = np.zeros(len(self.alive) + 1, dtype=np.int32)
        there[units + 1] = 1
        before = np.cumsum(there)
        touch = np.array(self._touch or np.zeros((0, 5)), dtype=np.int64)
        hit = before[touch[:, 2] * CELLS + touch[:, 4] + 1] > before[touch[:, 2] * CELLS + touch[:, 3]]
        found = {(int(run), int(batch)) for run, batch in np.unique(touch[hit][:, :2], axis=0)}
        return found | {(run, batch) for run, batch, some in self._worked if there[some + 1].any()}

    def save(self, folder: Path) -> Path:
        """One file beside the database: a row a unit, and the touches."""
        path = folder / FILE
        worked = [some for _, _, some in self._worked]
        np.savez_compressed(
            path, wafer=self.wafer, die_x=self.die_x, die_y=self.die_y, alive=self.alive, place=self.place, pocket=self.pocket,
            touch=np.array(self._touch, dtype=np.int32), worked_by=np.array([(run, batch) for run, batch, _ in self._worked], dtype=np.int32),
            worked_counts=np.array([len(some) for some in worked]),
            worked_units=np.concatenate([np.zeros(0, dtype=np.int64), *worked]).astype(np.int32),
            panels=np.array(self.panels.codes), wafers=np.array(self.wafers.codes), runs=np.array(self.runs.codes),
            batches=np.array(self.batches.codes), places=np.array(self.places.codes), packs=np.array(self.packs),
            frames=np.array([self.frames[panel] for panel in self.panels.codes]),
            faults=np.array([f"{name}: {code}" for name, code in self.faults.items()]),
        )  # fmt: skip
        return path


def load_truth(folder: Path) -> Truth:
    """What `save` wrote; the reachable sets are not kept."""
    with np.load(folder / FILE, allow_pickle=False) as kept:
        truth = Truth(len(kept["panels"]))
        for name in ("wafer", "die_x", "die_y", "alive", "place", "pocket"):
            setattr(truth, name, kept[name])
        for name in ("panels", "wafers", "runs", "batches", "places"):
            for code in kept[name].tolist():
                getattr(truth, name).of(code)
        truth.frames = dict(zip(truth.panels.codes, kept["frames"].tolist(), strict=True))
        truth.packs = kept["packs"].tolist()
        truth.faults = dict(line.split(": ", 1) for line in kept["faults"].tolist())
        truth._touch = [tuple(row) for row in kept["touch"].tolist()]
        ends = np.cumsum(kept["worked_counts"])
        parts = np.split(kept["worked_units"].astype(np.int64), ends[:-1]) if len(ends) else []
        truth._worked = [(run, batch, some) for (run, batch), some in zip(kept["worked_by"].tolist(), parts, strict=True)]
    return truth

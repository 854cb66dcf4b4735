"""What is simulated: every cell with its dies, every run line, every loose lot as a bag of units, every pocket. Plain objects."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from math import floor, sqrt

from tests.oracle.actions import Cell

FOREVER = float("inf")
Die = tuple[str, int, int]  # wafer, x, y


@dataclass(eq=False)
class Unit:
    """One cell, and what became of it. `trail`: where chance really took it after it left its panel."""

    panel: Panel
    cell: Cell
    there: bool = True  # still on its panel
    dies: dict[str, tuple[Run, Die]] = field(default_factory=dict)  # role -> truly placed
    trail: list[str] = field(default_factory=list)


@dataclass(eq=False)
class Run:
    name: str
    operation: str
    station: str
    started: int
    ended: int | None = None
    outcome: str | None = None  # done, interrupted, aborted
    void: bool = False
    lines: list[Line] = field(default_factory=list)
    log: dict[Unit, Die] | None = None  # as the placement logs say, once one came
    log_is_whole: bool = False

    @property
    def is_over_panels(self) -> bool:
        return all(line.thing is None for line in self.lines)


@dataclass(eq=False)
class Line:
    """One spell of a run with unchanged material. `uses`: batches and wafers that were mounted."""

    name: str
    run: Run
    step: str | None
    uses: tuple[str, ...]
    opened: int
    closed: int | None = None
    panels: list[Panel] = field(default_factory=list)
    thing: str | None = None  # the loose lot or pack
    shelf: str | None = None

    @property
    def is_open(self) -> bool:
        return self.closed is None


@dataclass(eq=False)
class Work:
    """One doing of a step for a panel. Each of its units was done on exactly one of `lines`, or (`unfinished`) perhaps not yet.

    `really`: the line that chance took, unit by unit.
    """

    panel: Panel
    step: str
    lines: list[Line] = field(default_factory=list)
    unfinished: bool = True
    counts: bool = True  # as a doing of the step (an aborted cure does not, nor one that was sent to rework)
    really: dict[Unit, Line] = field(default_factory=dict)


@dataclass(eq=False)
class Mark:
    name: str
    panel: Panel
    cells: tuple[Cell, ...]
    at: int
    taken_back: bool = False


@dataclass(eq=False)
class Panel:
    name: str
    frame: str
    received: int
    units: dict[Cell, Unit] = field(default_factory=dict)
    marks: list[Mark] = field(default_factory=list)
    works: list[Work] = field(default_factory=list)
    lot: str | None = None
    lots: list[str] = field(default_factory=list)  # that ever held it
    scrapped: int = 0  # units, where nobody knows the cells
    exits: list[Exit] = field(default_factory=list)
    singulated: bool = False
    last_event: int = 0
    busy: Run | None = None

    def is_marked(self, cell: Cell) -> bool:
        return any(cell in mark.cells for mark in self.marks if not mark.taken_back)

    def good_cells(self) -> list[Unit]:
        """As the record has it: no mark in force, not sampled. A unit scrapped without a cell is still among them."""
        sampled = {unit for exit_ in self.exits for unit in exit_.cells}
        return [] if self.singulated else [unit for cell, unit in self.units.items() if not self.is_marked(cell) and unit not in sampled]

    def good_units(self) -> int:
        return 0 if self.singulated else len(self.good_cells()) - self.scrapped


@dataclass(eq=False)
class Exit:
    """`n` of the cells of a panel left it at a tick. What was known of its works and lots then is kept as it was."""

    panel: Panel
    at: float  # FOREVER: they are still on it
    cells: tuple[Unit, ...]
    n: int
    works: tuple[tuple[Work, tuple[Line, ...], bool], ...]  # work, lines it was on perhaps, perhaps on none of them
    lots: tuple[str, ...]
    lot: str | None  # that held it last
    to_sample: bool = False


def exit_now(panel: Panel, at: float, cells: Iterable[Unit], n: int, to_sample: bool = False) -> Exit:
    works = tuple((work, tuple(work.lines), work.unfinished) for work in panel.works)
    return Exit(panel, at, tuple(cells), n, works, tuple(panel.lots), panel.lot, to_sample)


@dataclass(eq=False)
class Node:
    """A state of `n` units by the record in one thing, from tick to tick, with unknown mixing inside. `lines` touched all of them in this state.

    Where something was weighed, really more or fewer: of `taken` units that left this state so many more or fewer as `spare` says.
    What `is_rest` came of all that was left of its inputs, known to `limit`; else of as many units as they say. `is_counted`: `n`, really.
    """

    thing: str
    n: int
    born: int
    inputs: tuple[tuple[Node | Exit, int], ...]
    lines: tuple[Line, ...] = ()
    died: float = FOREVER
    taken: int = 0
    spare: int = 0
    is_rest: bool = False
    limit: int | None = None
    is_counted: bool = False


@dataclass(eq=False)
class Bag:
    """A loose lot or a sample. `units` are really in it; `node` is what the record knows; None when it is empty."""

    name: str
    node: Node | None
    units: list[Unit]
    born: int
    next_step: str | None = None
    bin: str | None = None
    grade: str | None = None
    worked: bool = False
    given_out: bool = False
    busy: Run | None = None
    kept: bool = True  # of a sample
    taken_in: int = 0
    out: int = 0
    scrapped: int = 0
    sampled: int = 0
    difference: int = 0
    square: float = 0.0  # of the standard uncertainty of `n`, by the record
    beyond: int = 0  # taken beyond the book

    @property
    def n(self) -> int:
        return self.node.n if self.node else 0

    @property
    def spare(self) -> int:
        """Twice the uncertainty of `n`, in whole units."""
        return floor(2 * sqrt(self.square) + 1e-9)

    @property
    def there(self) -> int:
        """How many can be taken: they are really there, and the record lets them go."""
        return min(len(self.units), self.n + self.spare - self.beyond)


@dataclass(eq=False)
class Slot:
    """A pocket's unit: really `unit`; as the record knows, one of what `node` came from."""

    node: Node
    unit: Unit


@dataclass(eq=False)
class Pack:
    name: str
    born: int
    size: int
    bin: str | None
    grade: str | None
    slots: list[Slot] = field(default_factory=list)
    closed: bool = False
    run: Run | None = None  # its taping, while that is open
    sealed: bool = False
    given_out: bool = False
    place: str = "floor"
    taken_in: int = 0
    out: int = 0
    sampled: int = 0


@dataclass(eq=False)
class Wafer:
    name: str
    role: str
    dies: list[tuple[int, int]]
    failing: set[tuple[int, int]]
    used: dict[tuple[int, int], Unit] = field(default_factory=dict)

    def left(self) -> list[tuple[int, int]]:
        return [die for die in self.dies if die not in self.used and die not in self.failing]


@dataclass(eq=False)
class Batch:
    name: str
    kind: str
    made: int
    parents: tuple[str, ...] = ()


@dataclass(eq=False)
class Hold:
    """`panels`, `node`: what was in the lot or container at that moment."""

    name: str
    subject: str
    at: int
    span: tuple[float, float | None] | None = None
    panels: frozenset[Panel] = frozenset()
    node: Node | None = None
    ended: bool = False
    released: list[Released] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class Released:
    """An item that was let go at a tick. `moment`: it was named by lot or container, so what was in it then is meant."""

    item: str
    at: int
    moment: bool


@dataclass(frozen=True)
class Balance:
    """What came into a thing and where it went: `units_in` = marked + out + scrapped + sampled + difference + left."""

    units_in: int
    left: int
    out: int = 0
    scrapped: int = 0
    sampled: int = 0
    difference: int = 0
    marked: int = 0

    @property
    def closes(self) -> bool:
        return self.units_in == self.left + self.out + self.scrapped + self.sampled + self.difference + self.marked

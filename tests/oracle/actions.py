"""A history as plain data: what was declared, one frozen dataclass an action, with symbols for things.

`makes` (and `run`, `line`, `lines`, `result` where they stand) name what the action brings into the world, so that a driver can keep a
dictionary from symbol to the program's own code. `at` is the tick of the action: 1, 2, 3, ... Each happens after all before it.
"""

from dataclasses import dataclass

Cell = tuple[int, int]  # row, column, both from 1


@dataclass(frozen=True)
class StepSpec:
    """A step of the one route. `needs` are kinds of batches; a die attach has a `role`, whose wafers it needs."""

    key: str
    operation: str
    role: str | None = None
    needs: tuple[str, ...] = ()


@dataclass(frozen=True)
class Setting:
    """The catalogue that a history needs: one product, its panels, its route, its bins (name, grade), stations by operation.

    `judged_logs`: a die attach step is judged by its placement log, so the log comes before the next step.
    A pack may hold units of any number of lots; a wrong placement only marks its cell (its limit is 1). Cures are judged by hand, at once.
    `off_tape` before the tape step means: tested again, so without bin and grade until then.
    """

    rows: int
    columns: int
    roles: tuple[str, ...]
    route: tuple[StepSpec, ...]
    bins: tuple[tuple[str, str], ...]
    stations: tuple[tuple[str, str], ...]  # name, operation
    shelves: tuple[str, ...]  # of every oven
    pack_size: int
    judged_logs: bool
    off_tape: str  # key of the step that comes next for units taken off a tape


@dataclass(frozen=True, kw_only=True)
class Action:
    at: int


@dataclass(frozen=True, kw_only=True)
class ReceiveWafer(Action):
    """A tested wafer of the part of `role`: a full grid of dies, x from 0 to columns-1, y from 0 to rows-1; `failing` dies failed."""

    makes: str
    role: str
    columns: int
    rows: int
    failing: tuple[tuple[int, int], ...]  # x, y


@dataclass(frozen=True, kw_only=True)
class ReceiveBatch(Action):
    """`kind`: adhesive, wire, encapsulant, lead frame, carrier tape, bag. Never expires."""

    makes: str
    kind: str


@dataclass(frozen=True, kw_only=True)
class MixBatches(Action):
    """One batch mixed here from two or more of the same kind."""

    makes: str
    kind: str
    parents: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class ReceivePanels(Action):
    makes: tuple[str, ...]
    frame: str  # the lead-frame batch


@dataclass(frozen=True, kw_only=True)
class StartLot(Action):
    makes: str
    panels: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class SplitLot(Action):
    """These panels leave `lot`; the rest stays."""

    makes: str
    lot: str
    panels: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class MergeLots(Action):
    into: str
    others: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PutInContainer(Action):
    """An empty container takes panels (a magazine) or one loose lot (a jar); they leave where they were."""

    container: str
    panels: tuple[str, ...] = ()
    loose: str | None = None


@dataclass(frozen=True)
class Group:
    """What one run line is over: panels of one lot, or a loose lot. `step` of the route; `shelf` in an oven."""

    step: str
    lot: str | None = None
    panels: tuple[str, ...] = ()
    loose: str | None = None
    shelf: str | None = None


@dataclass(frozen=True, kw_only=True)
class StartRun(Action):
    """`uses` is exactly what is mounted: mount it first, take all else off. One line a group, in their order.

    Where a loose lot had given out, the run is over the new one that goes on from it (rule 4): `went_on` has (old, new), and the group
    names the new one. `repeat`: the step was done before (re-test; or rework was signed for).
    """

    run: str
    lines: tuple[str, ...]
    station: str
    groups: tuple[Group, ...]
    uses: tuple[str, ...]
    went_on: tuple[tuple[str, str], ...] = ()
    repeat: bool = False


@dataclass(frozen=True, kw_only=True)
class ChangeOver(Action):
    """`off` is taken off and `on` put in its place in mid-run. None: not said.

    `lines`: a pair (closed, opened) for each line that was open; opened is None where all its panels were said to be done.
    """

    run: str
    off: str
    on: str
    done: tuple[str, ...] | None
    in_work: tuple[str, ...] | None
    lines: tuple[tuple[str, str | None], ...]


@dataclass(frozen=True, kw_only=True)
class InterruptRun(Action):
    """The run stops before its panels are all done; those not said to be done come to the step again."""

    run: str
    done: tuple[str, ...] | None
    in_work: tuple[str, ...] | None


@dataclass(frozen=True, kw_only=True)
class FinishRun(Action):
    run: str


@dataclass(frozen=True, kw_only=True)
class AbortRun(Action):
    """A cure: all of it was there, the step comes again. Elsewhere: as an interruption with nothing said."""

    run: str


@dataclass(frozen=True, kw_only=True)
class VoidRun(Action):
    """It was entered wrongly and did not happen. Nothing came after it."""

    run: str


@dataclass(frozen=True, kw_only=True)
class SignRework(Action):
    """Someone with the quality duty signed rework of that line: the step is open again for the panels it covered."""

    line: str


@dataclass(frozen=True)
class Placed:
    """A die on a cell, as a placement log says."""

    panel: str
    row: int
    column: int
    wafer: str
    die_x: int
    die_y: int


@dataclass(frozen=True, kw_only=True)
class ImportPlacements(Action):
    """The log of a die attach run that has ended: all that no log said before, or the first of it. `bad` cells got a failing die and are marked.

    `is_wrong`: these dies sit on other cells; the next action is the corrected log, which `corrects` it, all that it said.
    """

    run: str
    rows: tuple[Placed, ...]
    bad: tuple[tuple[str, Cell], ...]
    first: int | None = None  # so many rows of it came
    is_wrong: bool = False
    corrects: bool = False


@dataclass(frozen=True, kw_only=True)
class MarkCells(Action):
    makes: str
    panel: str
    cells: tuple[Cell, ...]
    reason: str


@dataclass(frozen=True, kw_only=True)
class TakeBackMark(Action):
    mark: str


@dataclass(frozen=True, kw_only=True)
class ScrapUnits(Action):
    """Units of a loose lot, or of a panel where nobody knows the cells. `u`: as in `SplitLoose`."""

    thing: str
    units: int
    u: float = 0.0


@dataclass(frozen=True, kw_only=True)
class SampleCells(Action):
    makes: str
    panel: str
    cells: tuple[Cell, ...]
    kept: bool


@dataclass(frozen=True, kw_only=True)
class SampleUnits(Action):
    makes: str
    loose: str
    units: int
    kept: bool


@dataclass(frozen=True, kw_only=True)
class SamplePockets(Action):
    """Pockets of a closed pack, numbered from the hub; what stays is numbered anew."""

    makes: str
    pack: str
    first: int
    last: int
    kept: bool


@dataclass(frozen=True, kw_only=True)
class Singulate(Action):
    """Ends an open run of the barrier step: one loose lot of the good cells of all its panels."""

    makes: str
    run: str
    units: int


@dataclass(frozen=True, kw_only=True)
class SplitLoose(Action):
    """`u` above 0: `units` are what a scale said, to that standard uncertainty; really they may be more or fewer by twice that."""

    makes: str
    loose: str
    units: int
    u: float = 0.0


@dataclass(frozen=True, kw_only=True)
class MergeLoose(Action):
    """All of `others` into `into`. `result` is `into`, or a new loose lot where `into` was worked on or had given out (rule 4).

    `leftover`: the other was in the test before and some of it stayed in the machine; it joins before the next test.
    """

    into: str
    others: tuple[str, ...]
    result: str
    leftover: bool = False


@dataclass(frozen=True, kw_only=True)
class SignDifference(Action):
    """Counted by the counter (certain): `counted` units, less than the book says. Signed for: the difference leaves the book.

    `missing` are truly gone, which is the same number unless something was weighed.
    """

    loose: str
    counted: int
    missing: int


@dataclass(frozen=True)
class BinOut:
    bin: str
    grade: str
    units: int
    makes: str


@dataclass(frozen=True, kw_only=True)
class TakeBinsOut(Action):
    """Ends an open test run: one new loose lot a bin that occurs. What is in none stays in the lot (in the machine)."""

    run: str
    stay: int  # units that stay in the lot
    bins: tuple[BinOut, ...]


@dataclass(frozen=True, kw_only=True)
class FillPack(Action):
    """A new pack, filled from the hub outwards by `parts` (loose lot, units) in their order, in a taping run. `close` ends it."""

    makes: str
    run: str
    line: str
    station: str
    uses: tuple[str, ...]
    parts: tuple[tuple[str, int], ...]
    close: bool


@dataclass(frozen=True, kw_only=True)
class FillMore(Action):
    pack: str
    parts: tuple[tuple[str, int], ...]


@dataclass(frozen=True, kw_only=True)
class ClosePack(Action):
    """Ends its taping run. Give a reason where it is short."""

    pack: str


@dataclass(frozen=True, kw_only=True)
class CutPack(Action):
    """`units` leave from the outer end as a pack of their own, in the same order."""

    makes: str
    pack: str
    units: int


@dataclass(frozen=True, kw_only=True)
class ReReel(Action):
    """All of it onto a new pack: the order turns round."""

    makes: str
    pack: str


@dataclass(frozen=True, kw_only=True)
class JoinPacks(Action):
    """One new pack, the first at the hub."""

    makes: str
    packs: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class TakeOffTape(Action):
    makes: str  # a new loose lot
    pack: str
    first: int
    last: int


@dataclass(frozen=True, kw_only=True)
class DryPack(Action):
    """A run over a pack. `result` is the pack, or a new pack where something had left it (rule 4; it needs a new label anyway)."""

    run: str
    line: str
    pack: str
    result: str
    station: str
    uses: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Ship(Action):
    packs: tuple[str, ...]
    customer: str


@dataclass(frozen=True, kw_only=True)
class TakeBack(Action):
    """All of it (`units` None, `result` the pack itself), or the `units` nearest the hub as a new pack `result`; the rest was used."""

    pack: str
    units: int | None
    result: str


@dataclass(frozen=True, kw_only=True)
class PlaceHold(Action):
    """`subject`: wafer, batch, panel, lot, loose, container, sample, pack, run, line or station. `span` (ticks, never at an action): of a station."""

    makes: str
    subject: str
    span: tuple[float, float | None] | None = None


@dataclass(frozen=True, kw_only=True)
class ReleaseHold(Action):
    """`items` empty: everything. Else these, and all that comes of them."""

    hold: str
    items: tuple[str, ...]


@dataclass(frozen=True)
class History:
    """What a driver replays. `seed` and `bad_dies` (how often a bonder takes a failing die) are for `Factory.replay` only."""

    setting: Setting
    seed: int
    bad_dies: float
    actions: tuple[Action, ...]

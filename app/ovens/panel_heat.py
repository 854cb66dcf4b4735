"""The heat ledger of panels from the record: each adhesive on them, what every cure since did to it, and what is short.

What an adhesive needs is what the recipe of the cure after its step says: activation energy (its own part's, where the recipe has none), set
point, least equivalent minutes. A cure counts for every adhesive that lay on the panel, whichever it was meant for; aborted rounds too.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Recipe
from app.ledger.ran import LineRow, Ran, ran
from app.ledger.runs import Line, Run
from app.ledger.travels import Travels, panels_of_lines, travels_of
from app.ledger.used import uses_of
from app.listed import listed, tuples
from app.naming.resolve import codes_of
from app.ovens.cure import recipe_of
from app.ovens.heat import Adhesive, Heat, heat_of
from app.ovens.judging import rounds_of
from app.ovens.record_quality import Record as RoundRecord
from app.ovens.record_quality import Round, read_record
from app.ovens.traces import Told

_KINDS = ("adhesive", "encapsulant")
_PARTS = listed("select item, part from batch where item in :items", "items")
_Had = tuple[int, ...]  # numbers of the lines that a panel had and that matter, in order


@dataclass(frozen=True)
class AdhesiveHeat:
    """An adhesive that was put on at a step. Minutes are at `reference_c`; `short`: what the coldest sensor lacks (None: nothing is asked)."""

    part: str
    batches: tuple[str, ...]
    step: str
    step_name: str
    placed_at: datetime
    recipe: str | None
    reference_c: float | None
    needed: float | None
    heat: Heat | None  # empty where neither recipe nor part has an activation energy

    @property
    def short(self) -> float | None:
        return None if self.needed is None or self.heat is None else max(0.0, self.needed - self.heat.equivalent_minutes_coldest)


@dataclass(frozen=True)
class SameHeat:
    """Panels that had the same lines, so that their adhesives have the same heat."""

    panels: tuple[str, ...]
    adhesives: tuple[AdhesiveHeat, ...]


def heat_of_panels(session: Session, panels: Iterable[int]) -> list[SameHeat]:
    """One row for panels that had the same adhesives and cures."""
    wanted = list(panels)
    travels = travels_of(session, wanted)
    lines = ran(session, travels.covers)
    return heat_of_travels(session, wanted, travels, lines, [(line, item) for line, item, _ in uses_of(session, travels.covers)])


def heat_of_travels(
    session: Session, panels: Iterable[int], travels: Travels, lines: Sequence[Ran], uses: Iterable[tuple[int, int]], told: Told | None = None
) -> list[SameHeat]:
    """The same where the panels' travels are known, by these lines and what they had. `told`: what logger files say, read before."""
    known = _Known(session, lines, uses, told)
    by_set: defaultdict[int, set[int]] = defaultdict(set)
    for line, _ in lines:
        for cover in travels.covers.get(line.id, ()) if known.matters(line.id) else ():
            by_set[cover.set].add(line.id)
    had = {sets: tuple(sorted(set().union(*(by_set[one] for one in sets)))) for sets in set(travels.sets.values())}
    alike: defaultdict[_Had, list[int]] = defaultdict(list)
    wanted = sorted(set(panels))
    for panel in wanted:
        alike[had.get(travels.sets.get(panel, ()), ())].append(panel)
    codes = codes_of(session, "panel", wanted)
    return [SameHeat(tuple(sorted(codes[one] for one in some)), known.heat_of(lines_had)) for lines_had, some in alike.items()]


def heat_of_load(session: Session, run: Run) -> list[tuple[Line, list[SameHeat]]]:
    """The lines of an oven's run with the heat of their panels."""
    lines = list(session.scalars(select(Line).where(Line.run == run.id, Line.set.is_not(None)).order_by(Line.shelf, Line.id)))
    covered = panels_of_lines(session, [line.id for line in lines])
    return [(line, heat_of_panels(session, covered.get(line.id, {}))) for line in lines]


class _Known:
    """What is read once for many panels: lines, their runs and rounds, and the adhesives that they had."""

    def __init__(self, session: Session, lines: Iterable[Ran], uses: Iterable[tuple[int, int]], told: Told | None) -> None:
        self.session = session
        self.lines = {line.id: (line, run) for line, run in lines}
        cures = [(line, run) for line, run in self.lines.values() if run.operation == "cure" and run.ended_at is not None]
        self.rounds: dict[int, Round] = rounds_of(session, cures, told)
        self.ran = catalogue.definitions(session, [run.recipe for _, run in cures if run.recipe])
        self.routes = catalogue.with_ids(session, [line.route for line, _ in self.lines.values() if line.route])
        self.now: dict[str, Recipe] = {}
        self.records: dict[tuple[int, float, int], RoundRecord] = {}
        used = list(uses)
        part_of: dict[int, int] = dict(tuples(session, _PARTS, items={item for _, item in used}))
        parts = catalogue.with_ids(session, list(set(part_of.values())))
        sticky = {item: parts[part].name for item, part in part_of.items() if parts[part].body.kind in _KINDS}
        self.energies: dict[str, float | None] = {part.name: part.body.activation_energy_kj_mol for part in parts.values()}
        names = codes_of(session, "batch", list(sticky))
        self.adhesives: defaultdict[int, list[tuple[str, str]]] = defaultdict(list)  # line -> (part, batch)
        for line, item in used:
            if item in sticky:
                self.adhesives[line].append((sticky[item], names[item]))

    def matters(self, line: int) -> bool:
        """It put an adhesive on, or cured."""
        return bool(self.adhesives[line]) or self.lines[line][1].operation == "cure"

    def heat_of(self, had: _Had) -> tuple[AdhesiveHeat, ...]:
        pairs = [self.lines[line] for line in had]
        ended = [(line, run) for line, run in pairs if run.operation == "cure" and run.ended_at is not None]
        cures = sorted(ended, key=lambda one: self.rounds[one[0].id].door_closed)
        put_on: defaultdict[tuple[str, str], list[LineRow]] = defaultdict(list)
        for line, run in pairs:
            for part, _ in self.adhesives[line.id] if run.operation != "cure" else ():
                put_on[part, line.step or run.operation].append(line)
        return tuple(self._adhesive(part, step, lines, cures) for (part, step), lines in put_on.items())

    def _adhesive(self, part: str, step: str, lines: list[LineRow], cures: list[Ran]) -> AdhesiveHeat:
        recipe = self._recipe(lines[-1], cures)
        placed_at = lines[-1].ended_at or lines[-1].started_at
        heat = None
        energy = recipe.activation_energy_kj_mol or self.energies[part] if recipe else None
        if recipe is not None and energy is not None:
            adhesive = Adhesive(part, energy, recipe.set_point_c, recipe_of(recipe).kinetics, placed_at)
            heat = heat_of(adhesive, [self._record(line, recipe) for line, _ in cures])
        batches = sorted({batch for line in lines for name, batch in self.adhesives[line.id] if name == part})
        return AdhesiveHeat(
            part, tuple(batches), step, self._name_of(lines[-1], step), placed_at, recipe.name if recipe else None,
            recipe.set_point_c if recipe else None, recipe.min_equivalent_minutes if recipe else None, heat,
        )  # fmt: skip

    def _name_of(self, line: LineRow, step: str) -> str:
        return catalogue.step_name(self.routes[line.route].body if line.route is not None else None, step)

    def _record(self, line: LineRow, recipe: Recipe) -> RoundRecord:
        """A round is read once for all adhesives that ask the same of its record."""
        key = line.id, recipe.max_gap_seconds, recipe.min_sensors
        if key not in self.records:
            self.records[key] = read_record(self.rounds[line.id], recipe.max_gap_seconds, recipe.min_sensors)
        return self.records[key]

    def _recipe(self, line: LineRow, cures: list[Ran]) -> Recipe | None:
        """Of the first cure after the step: the very revision that ran, else the one in force now."""
        if line.route is None:
            return None
        steps = self.routes[line.route].body.steps
        here = next((i for i, step in enumerate(steps) if step.key == line.step), len(steps))
        cure = next((step for step in steps[here + 1 :] if step.operation == "cure" and step.recipe), None)
        if cure is None or cure.recipe is None:
            return None
        revision = next((run.recipe for its_line, run in reversed(cures) if its_line.step == cure.key and run.recipe), None)
        if revision:
            found: Recipe = self.ran[revision].body
            return found
        if cure.recipe not in self.now:
            self.now[cure.recipe] = catalogue.recipe(self.session, cure.recipe).body
        return self.now[cure.recipe]


HEAT_COLUMNS = (
    "adhesive", "batches", "step", "placed at (UTC)", "recipe", "reference C", "cure", "least equivalent min", "greatest equivalent min",
    "record whole", "needed min", "short min",
)  # fmt: skip


def heat_rows(adhesives: Sequence[AdhesiveHeat]) -> list[tuple[object, ...]]:
    """A row for each adhesive and cure, then one for the adhesive's sum."""
    rows: list[tuple[object, ...]] = []
    for one in adhesives:
        about = (one.part, " ".join(one.batches), one.step, one.placed_at.isoformat(), one.recipe or "", one.reference_c)
        for each in one.heat.rounds if one.heat else ():
            rows.append((*about, each.round, each.equivalent_minutes_coldest, each.equivalent_minutes_hottest, each.complete, "", ""))
        if one.heat:
            least, greatest = one.heat.equivalent_minutes_coldest, one.heat.equivalent_minutes_hottest
            rows.append((*about, "sum", least, greatest, one.heat.complete, one.needed, one.short))
        else:
            rows.append((*about, "", "", "", "", one.needed, ""))
    return rows

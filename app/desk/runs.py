"""Lists of runs and of oven loads."""

from collections import defaultdict
from typing import Any

from sqlalchemy import ColumnElement, and_, exists, func, select
from sqlalchemy.orm import Session, aliased

from app.catalogue.models import Definition, Thing
from app.desk.listing import Cell, Column, Filter, Linked, Listing, Row, Sort, State, coded, equals, moment, named_like
from app.desk.names import day_is, every_name, operations, stations_that, thing_is, things_named, times_of
from app.ledger.judgements import VERDICTS, Disposition, Judgement
from app.ledger.places import Load, LoadPlace
from app.ledger.runs import Line, Run, RunVoid, is_void
from app.ledger.sets import Member, PanelSet
from app.naming.resolve import codes_of
from app.people.models import Person

_JUDGED = {  # the worst first
    "does_not_conform": State(VERDICTS["does_not_conform"], "stop"), "cannot_tell": State(VERDICTS["cannot_tell"], "care"),
    "": State("no judgement yet", "care"), "disposed": State("disposition signed", ""), "conforms": State(VERDICTS["conforms"], "go"),
}  # fmt: skip
_OPEN = "open"


def _run_rows(session: Session, runs: list[Run]) -> list[Row]:
    ids = [run.id for run in runs]
    codes, stations = codes_of(session, "run", ids), _stations(session, [run.station for run in runs])
    recipes = _recipes(session, [run.recipe for run in runs])
    people = _people(session, [run.person for run in runs])
    travelled, panels = _travelled(session, ids)
    verdicts, voided = _verdicts(session, ids), set(session.scalars(select(RunVoid.run).where(RunVoid.run.in_(ids))))
    return [
        [
            coded(codes[run.id]), run.operation, stations[run.station], travelled.get(run.id, ()), panels.get(run.id), recipes.get(run.recipe or 0),
            people.get(run.person or 0), run.started_at, run.ended_at, _outcome(run, voided), verdicts.get(run.id),
        ]
        for run in runs
    ]  # fmt: skip


def _outcome(run: Run, voided: set[int]) -> Cell:
    if run.id in voided:
        return State("void", "stop")
    return run.outcome or State(_OPEN, "go")


def _travelled(session: Session, runs: list[int]) -> tuple[dict[int, tuple[Cell, ...]], dict[int, int]]:
    """The lots or packs that were in each run, and how many panels."""
    rows = session.execute(select(Line.run, Line.lot, Line.item).where(Line.run.in_(runs)).order_by(Line.id)).all()
    things = list({one.lot or one.item for one in rows})
    codes = codes_of(session, "lot", things) | codes_of(session, "pack", things)
    found: defaultdict[int, dict[int, Cell]] = defaultdict(dict)
    for one in rows:
        thing = one.lot or one.item
        if thing in codes:
            found[one.run][thing] = coded(codes[thing])
    each = select(Line.run, func.count(Member.panel.distinct())).join(Member, Member.set == Line.set)  # after a change-over they are in two sets
    panels = {run: n for run, n in session.execute(each.where(Line.run.in_(runs)).group_by(Line.run))}
    return {run: tuple(cells.values()) for run, cells in found.items()}, panels


def _verdicts(session: Session, runs: list[int]) -> dict[int, State]:
    """The worst judgement in force of each run's judged lines."""
    later = aliased(Judgement)
    in_force = and_(Judgement.line == Line.id, ~exists().where(later.replaces == Judgement.id))
    disposed = exists().where(Disposition.judgement == Judgement.id)
    query = select(Line.run, Judgement.verdict, disposed).outerjoin(Judgement, in_force)
    found: dict[int, State] = {}
    order = list(_JUDGED.values())
    for run, verdict, is_signed in session.execute(query.where(Line.run.in_(runs), Line.judged.is_not(None), Line.closed_e.is_not(None))):
        one = _JUDGED["disposed" if is_signed and verdict != "conforms" else verdict or ""]
        found[run] = min(one, found.get(run, one), key=order.index)
    return found


def _stations(session: Session, things: list[int]) -> dict[int, Linked]:
    names, codes = things_named(session, things), codes_of(session, "station", list(set(things)))
    return {thing: Linked(name, codes[thing]) for thing, name in names.items()}


def _people(session: Session, people: list[int | None]) -> dict[int, Linked]:
    wanted = {one for one in people if one is not None}
    badges = codes_of(session, "person", list(wanted))
    return {person: Linked(name, badges[person]) for person, name in session.execute(select(Person.id, Person.name).where(Person.id.in_(wanted)))}


def _recipes(session: Session, definitions: list[int | None]) -> dict[int, str]:
    """The recipe of each definition, by name."""
    wanted = {one for one in definitions if one is not None}
    query = select(Definition.id, Thing.name).join(Thing, Thing.id == Definition.thing).where(Definition.id.in_(wanted))
    return {definition: name for definition, name in session.execute(query)}


def _outcome_is(session: Session, value: str) -> ColumnElement[bool]:
    if value == "void":
        return is_void(Run.id)
    return and_(~is_void(Run.id), Run.closed_e.is_(None) if value == _OPEN else Run.outcome == value)


def _with_lot(session: Session, text: str) -> ColumnElement[bool]:
    """Runs that a lot or a pack travelled in."""
    lots = select(Line.run).where(named_like(session, "lot", Line.lot, text))
    loose = select(Line.run).where(Line.item.is_not(None), named_like(session, "lot", Line.item, text) | named_like(session, "pack", Line.item, text))
    return Run.id.in_(lots) | Run.id.in_(loose)


def _recipe_is(column: Any) -> Any:
    revisions = select(Definition.id).join(Thing, Thing.id == Definition.thing).where(Thing.kind == "recipe")
    return lambda session, value: column.in_(revisions.where(Thing.name == value))


RUNS = Listing(
    name="runs",
    title="Runs",
    about="Each doing of work at one station: what was in it, by whom, from when to when, and what was judged of it. An oven load is a run.",
    empty="No run yet. A run starts when a lot is scanned and confirmed at a floor terminal.",
    records=select(Run),
    key=Run.id,
    kind="run",
    columns=(
        Column("run", "Run"), Column("operation", "Operation"), Column("station", "Station"), Column("lots", "Lots or packs"),
        Column("panels", "Panels", True), Column("recipe", "Recipe"), Column("person", "By"), Column("started_at", "Started"),
        Column("ended_at", "Ended"), Column("outcome", "Outcome"), Column("judged", "Judged"),
    ),
    rows=_run_rows,
    sorts=(
        Sort("newest", "newest first", falling=True), Sort("oldest", "oldest first"),
        Sort("started", "latest start first", Run.started_at, moment, falling=True),
    ),
    filters=(
        Filter("operation", "Operation", equals(Run.operation), operations),
        Filter("station", "Station", thing_is(Run.station, "station"), every_name("station")),
        Filter("lot", "With lot or pack", _with_lot, finds=True),
        Filter("outcome", "Outcome", _outcome_is, (_OPEN, "done", "interrupted", "aborted", "void")),
        Filter("day", "Started on", day_is(Run.started_at), kind="date", finds=True),
    ),
)  # fmt: skip


def _load_rows(session: Session, loads: list[Load]) -> list[Row]:
    codes, ovens = codes_of(session, "load", [one.id for one in loads]), _stations(session, [one.station for one in loads])
    recipes = _recipes(session, [one.recipe for one in loads])
    ids = [one.run for one in loads if one.run]
    runs = {run.id: run for run in session.scalars(select(Run).where(Run.id.in_(ids)))}
    run_codes, verdicts, filling = codes_of(session, "run", ids), _verdicts(session, ids), _on_shelves(session, [one.id for one in loads])
    travelled, panels = _travelled(session, ids)
    begun = times_of(session, [one.e for one in loads])
    rows = []
    for one in loads:
        run = runs.get(one.run or 0)
        lots, n = (travelled.get(run.id, ()), panels.get(run.id)) if run else filling.get(one.id, ((), None))
        rows.append(
            [
                Linked(codes[one.id], path=f"/loads/{codes[one.id]}"), ovens[one.station], recipes[one.recipe], _load_state(one, run), lots, n,
                coded(run_codes.get(one.run or 0)), run.started_at if run else None, run.ended_at if run else None,
                verdicts.get(one.run or 0), begun[one.e],
            ]
        )  # fmt: skip
    return rows


def _load_state(load: Load, run: Run | None) -> Cell:
    if load.closed_e is None:
        return State("being filled", "")
    if run is None:
        return "cancelled"
    return State("running", "go") if run.outcome is None else "ended" if run.outcome == "done" else run.outcome


def _on_shelves(session: Session, loads: list[int]) -> dict[int, tuple[tuple[Cell, ...], int]]:
    """The lots on the shelves of loads that are being filled, and how many panels."""
    query = select(LoadPlace.load, LoadPlace.lot, PanelSet.n).join(PanelSet, PanelSet.id == LoadPlace.set)
    rows = session.execute(query.where(LoadPlace.load.in_(loads), LoadPlace.closed_e.is_(None)).order_by(LoadPlace.id)).all()
    codes = codes_of(session, "lot", list({lot for _, lot, _ in rows}))
    found: dict[int, tuple[tuple[Cell, ...], int]] = {}
    for load, lot, n in rows:
        lots, before = found.get(load, ((), 0))
        found[load] = (lots if coded(codes[lot]) in lots else (*lots, coded(codes[lot])), before + n)
    return found


def _state_is(session: Session, value: str) -> ColumnElement[bool]:
    of_run = exists().where(Run.id == Load.run)
    return {
        "being filled": Load.closed_e.is_(None), "cancelled": and_(Load.closed_e.is_not(None), Load.run.is_(None)),
        "running": of_run.where(Run.outcome.is_(None)), "ended": of_run.where(Run.outcome == "done"),
    }.get(value, of_run.where(Run.outcome == value))  # fmt: skip


def _load_with_lot(session: Session, text: str) -> ColumnElement[bool]:
    lots = select(LoadPlace.load).where(named_like(session, "lot", LoadPlace.lot, text))
    return Load.id.in_(lots)


LOADS = Listing(
    name="loads",
    title="Oven loads",
    about="What went into the ovens together. A load is filled shelf by shelf, started as one run, ended, and judged by its logger's file.",
    empty="No load yet. Begin one below; panels that come to a cure next can be put on its shelves.",
    records=select(Load),
    key=Load.id,
    kind="load",
    columns=(
        Column("load", "Load"), Column("oven", "Oven"), Column("recipe", "Recipe"), Column("state", "State"), Column("lots", "Lots"),
        Column("panels", "Panels", True), Column("run", "Run"), Column("started_at", "Started"), Column("ended_at", "Ended"),
        Column("judged", "Judged"), Column("begun_at", "Begun"),
    ),
    rows=_load_rows,
    sorts=(Sort("newest", "newest first", falling=True), Sort("oldest", "oldest first")),
    filters=(
        Filter("oven", "Oven", thing_is(Load.station, "station"), stations_that("cure")),
        Filter("recipe", "Recipe", _recipe_is(Load.recipe), every_name("recipe")),
        Filter("state", "State", _state_is, ("being filled", "running", "ended", "interrupted", "aborted", "cancelled")),
        Filter("lot", "With lot", _load_with_lot, finds=True),
    ),
    template="desk/loads.html",
)  # fmt: skip

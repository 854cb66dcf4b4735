"""The list of stations, and what one station's page says."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, select
from sqlalchemy.orm import Session

from app import clock
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Station
from app.catalogue.models import Thing
from app.catalogue.queries import Defined
from app.desk.listing import Cell, Column, Filter, Linked, Listing, Row, Sort, State, coded
from app.desk.names import operations
from app.desk.runs import RUNS
from app.floor.station_states import WORDS, states_now
from app.floor.station_states import Now as StateNow
from app.holds.words import spans_in_words
from app.ledger.places import Mount
from app.ledger.runs import Attendance, Run
from app.ledger.stops import Hold
from app.naming.resolve import Named, codes_of
from app.people.models import Person

_LAST_RUNS = 20


@dataclass(frozen=True)
class _Now:
    """What is so at many stations now, each by station."""

    runs: dict[int, list[int]]
    run_codes: dict[int, str]
    states: dict[int, StateNow]
    mounts: dict[int, list[tuple[str, str]]]  # place and code
    people: dict[int, list[Cell]]
    held: set[int]


def _station_rows(session: Session, things: list[Thing]) -> list[Row]:
    ids = [one.id for one in things]
    defined, codes, now = catalogue.with_ids(session, ids), codes_of(session, "station", ids), _now(session, ids)
    return [_row(defined[one], codes[one], now) for one in ids]


def _row(one: Defined[Station], code: str, now: _Now) -> Row:
    runs = [coded(now.run_codes[run]) for run in now.runs.get(one.id, ())]
    return [
        Linked(one.name, path=f"/stations/{code}"), code, one.body.area, one.body.operations, _states(one.id, now),
        now.states[one.id].since, tuple(runs) if len(runs) > 1 else next(iter(runs), None),
        tuple(Linked(f"{place} {item}", item) for place, item in now.mounts.get(one.id, ())), tuple(now.people.get(one.id, ())),
        calibration(one.body.calibration_due, clock.now()),
    ]  # fmt: skip


def _states(station: int, now: _Now) -> Cell:
    state = now.states[station]
    meaning = {"productive": "go", "scheduled_down": "care", "unscheduled_down": "stop"}.get(state.state, "")
    words = f"{WORDS[state.state]}: {state.reason}" if state.reason else WORDS[state.state]
    return (*([State("held", "stop")] if station in now.held else []), State(words, meaning))


def calibration(due: datetime | None, now: datetime) -> Cell:
    if due is None:
        return None
    return (State("over", "stop"), due) if due < now else due


def _now(session: Session, stations: list[int]) -> _Now:
    runs: defaultdict[int, list[int]] = defaultdict(list)
    for run in session.scalars(_open(Run, stations).order_by(Run.id)):
        runs[run.station].append(run.id)
    states = states_now(session, stations)
    mounts = list(session.scalars(_open(Mount, stations).order_by(Mount.place)))
    items = [one.item for one in mounts]
    codes = codes_of(session, "batch", items) | codes_of(session, "wafer", items)
    on: defaultdict[int, list[tuple[str, str]]] = defaultdict(list)
    for one in mounts:
        on[one.station].append((one.place, codes[one.item]))
    query = select(Attendance.station, Person.id, Person.name).join(Person, Person.id == Attendance.person)
    attending = session.execute(query.where(Attendance.station.in_(stations), Attendance.closed_e.is_(None))).all()
    badges = codes_of(session, "person", [person for _, person, _ in attending])
    people: defaultdict[int, list[Cell]] = defaultdict(list)
    for station, person, name in attending:
        people[station].append(Linked(name, badges[person]))
    held = set(session.scalars(select(Hold.subject).where(Hold.kind == "station", Hold.subject.in_(stations), Hold.closed_e.is_(None))))
    return _Now(runs, codes_of(session, "run", [run for some in runs.values() for run in some]), states, on, people, held)


def _open(model: Any, stations: list[int]) -> Select[Any]:
    return select(model).where(model.station.in_(stations), model.closed_e.is_(None))


def _in_area(session: Session, value: str) -> ColumnElement[bool]:
    return Thing.id.in_([one.id for one in catalogue.every(session, "station") if one.body.area == value])


def _does(session: Session, value: str) -> ColumnElement[bool]:
    return Thing.id.in_([one.id for one in catalogue.every(session, "station") if value in one.body.operations])


def _state_is(session: Session, value: str) -> ColumnElement[bool]:
    every = [one.id for one in catalogue.every(session, "station")]
    return Thing.id.in_([station for station, now in states_now(session, every).items() if WORDS[now.state] == value])


def _areas(session: Session) -> list[str]:
    return list(catalogue.stations_by_area(session))


STATIONS = Listing(
    name="stations",
    title="Stations",
    about="Machines and benches: what runs, what is on them, who has them, their state by SEMI E10's six, and when calibration is due.",
    empty="No station yet. Stations stand in the catalogue.",
    records=select(Thing).where(Thing.kind == "station"),
    key=Thing.id,
    kind="station",
    columns=(
        Column("name", "Station"), Column("station", "Code"), Column("area", "Area"), Column("does", "Does"), Column("state", "State"),
        Column("since", "Since"), Column("run", "Runs now"), Column("on", "On it"), Column("people", "Who has it"),
        Column("calibration_due", "Calibration due"),
    ),
    rows=_station_rows,
    sorts=(Sort("name", "name", Thing.name), Sort("newest", "newest first", falling=True)),
    filters=(
        Filter("area", "Area", _in_area, _areas),
        Filter("operation", "Does", _does, operations),
        Filter("state", "State", _state_is, tuple(WORDS.values())),
    ),
    search=lambda session, text: Thing.name.icontains(text, autoescape=True),
)  # fmt: skip


@dataclass(frozen=True)
class StationPage:
    """One station: its row of the list, by column; what runs there and ran last; and the holds on it."""

    thing: Defined[Station]
    code: str
    facts: list[tuple[str, Cell]]
    runs: list[Row]
    holds: list[tuple[str, str, str]]  # code, reason, and where it stops no station but what ran there, when


def station_page(session: Session, named: Named) -> StationPage:
    (row,) = _station_rows(session, [session.get_one(Thing, named.id)])
    heads = [column.head for column in STATIONS.columns]
    newest = select(Run).where(Run.station == named.id).order_by(Run.started_at.desc(), Run.id.desc()).limit(_LAST_RUNS)
    held = list(session.scalars(select(Hold).where(Hold.kind.in_(("station", "span")), Hold.subject == named.id, Hold.closed_e.is_(None))))
    codes, spans = codes_of(session, "hold", [one.id for one in held]), spans_in_words(session, held)
    return StationPage(
        catalogue.station(session, named.id), named.code, list(zip(heads, row, strict=True))[1:],
        RUNS.rows(session, list(session.scalars(newest))), [(codes[one.id], one.reason, spans.get(one.id, "")) for one in held],
    )  # fmt: skip

"""The last things done at a station or by a person, and which of them may be taken back by whom."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import JSON, BigInteger, String, bindparam, select, text
from sqlalchemy.orm import Session

from app import codes
from app.catalogue import queries as catalogue
from app.db import Moment
from app.errors import NotFound, Reason, Refused, unknown
from app.floor.attendance import attend, leave
from app.floor.corrections import SHIFT
from app.floor.mounts import mount, unmount
from app.floor.station_states import WORDS, set_state
from app.floor.voids import void_run
from app.journal.act import By
from app.journal.actions import ACTIONS
from app.journal.models import Entry
from app.ledger.runs import Run, StationState
from app.listed import Question, ask, listed, together
from app.naming.resolve import Named, code_of, resolve
from app.people.models import Person

_SHOWN = 5
_LOOKED_THROUGH = 5000  # newest entries: half a day of a busy plant; who did nothing since has nothing here
_STARTS_AND_ENDS = ("start_run", "finish_run")
_UNDONE_BY = {"start_run": "void_run", "finish_run": "void_run", "mount": "unmount", "unmount": "mount",
              "set_station_state": "set_station_state", "attend_station": "attend_station"}  # fmt: skip


@dataclass(frozen=True)
class Done:
    """One entry, for the page. `undo`: the entry's number where there is a way back for this person."""

    words: str
    about: str
    at: datetime
    by: str
    refused: bool
    taken_back: bool
    undo: int | None


@dataclass(frozen=True)
class Undo:
    """How an entry is taken back: the action that does it, its arguments, its verb, its words, and the purpose that its reason is chosen for."""

    action: str
    arguments: dict[str, Any]
    verb: Callable[[Session, By, str], dict[str, Any]]
    words: str
    purpose: str = ""


def last_done(session: Session, person: int | None, duties: frozenset[str], station: Named | None, now: datetime) -> list[Done]:
    """Newest first: what this person did, and what anybody did at the station."""
    entries = ask(session, _LAST, station=station.id if station else None, person=person)
    here = station.code if station else ""
    names = _names(session, {one for entry in entries for one in _called(entry) if one != here})
    return [_row(entry, person, duties, now, here, names) for entry in entries]


def undo_of(session: Session, number: int) -> Undo:
    """The way back from an entry. Refuses where there is none; the verb itself keeps the rules of who and when."""
    entry = session.get(Entry, number)
    if entry is None:
        raise unknown(str(number), "an entry of the journal")
    makes = {"mount": _off_again, "unmount": _on_again, "set_station_state": _state_before, "attend_station": _attended}
    if entry.outcome == "done" and entry.action in _STARTS_AND_ENDS:
        return _void(session, entry)
    if entry.outcome == "done" and entry.action in makes:
        return makes[entry.action](session, entry)
    why = f"What was done to {ACTIONS[entry.action].words} is put right by what comes after it."
    raise Refused("That is not taken back here.", Reason("finished", why, "Ask a lead."))


def _row(entry: Any, person: int | None, duties: frozenset[str], now: datetime, here: str, names: dict[str, str]) -> Done:
    is_mine = entry.actor_kind == "person" and entry.actor == person
    way_back = entry.outcome == "done" and entry.action in _UNDONE_BY and bool(duties & set(ACTIONS[_UNDONE_BY[entry.action]].duties))
    taken_back = entry.void is not None
    may = way_back and not taken_back and ("lead" in duties or (is_mine and now - entry.recorded_at < SHIFT))
    about = _about(entry, here, names) or entry.run or ""
    words = "leave a station" if _has_left(entry) else ACTIONS[entry.action].words
    if entry.run and entry.action in _STARTS_AND_ENDS:
        words = f"{'start' if entry.began == entry.id else 'finish'} {entry.operation}"
    return Done(
        words, about, entry.happened_at, "" if is_mine else entry.actor_name, entry.outcome == "refused", taken_back,
        entry.id if may else None,
    )  # fmt: skip


def _about(entry: Any, here: str, names: dict[str, str]) -> str:
    """What an entry was about, but for the station that one is at; of a state its words."""
    return ", ".join(names.get(one, one) for one in _said(entry) if one != here)


def _said(entry: Any) -> list[str]:
    said = entry.arguments
    things = said.get("things")
    named = [said.get(name) for name in ("thing", "item", "station", "to", "run", "reason")]
    state = WORDS.get(str(said.get("state")))
    found = [*(things if isinstance(things, list) else []), *named, state]
    return [one for one in found if isinstance(one, str)]


def _called(entry: Any) -> list[str]:
    """The codes of stations and people; a badge that was chosen tells no kind."""
    return [one for one in _said(entry) if codes.kind_told(one) in ("station", "person") or one == entry.arguments.get("to")]


def _names(session: Session, coded: set[str]) -> dict[str, str]:
    """Stations and people as people call them, by their codes; no statement where none is named, as at one's own station."""
    answers = together(session, *(Question(_NAME, {"code": one}, list) for one in coded)) if coded else []
    return {code: rows[0][0] for code, rows in zip(coded, answers, strict=True) if rows and rows[0][0]}


_NAME = text("""
    select case kind when 'station' then (select name from thing where id = code.thing)
        when 'person' then (select name from person where id = code.thing) end
    from code where code = :code
""").bindparams(bindparam("code", type_=String()))
# a row an entry; with the run, if it began or ended one of the station's newest. The year is no condition: without one SQLite sorts them all
_LAST = listed(
    f"""
    with newest(id, e, closed_e) as (
      select id, e, closed_e from run where station = :station and started_at > '1970-01-01' order by started_at desc limit {_SHOWN}),
    found(entry, run) as (
      select e, id from newest
      union all select closed_e, id from newest where closed_e is not null
      union all select e, null from (select e from station_state where station = :station order by since desc limit 2) said
      union all select e, null from mount where station = :station and closed_e is null
      union all select id, null from (
        select id from entry where actor_kind = 'person' and actor = :person and id > (select max(id) from entry) - {_LOOKED_THROUGH}
        order by id desc limit {_SHOWN}) own
    ),
    last(entry, run) as (select entry, max(run) from found group by entry order by entry desc limit {_SHOWN})
    select e.id, e.action, e.actor_kind, e.actor, e.actor_name, e.arguments, e.happened_at, e.recorded_at, e.outcome,
      r.operation, r.e as began, c.code as run, v.run as void
    from last l join entry e on e.id = l.entry left join run r on r.id = l.run left join run_void v on v.run = r.id
    left join code c on c.kind = 'run' and c.thing = r.id order by e.id desc
    """,
    station=BigInteger(), person=BigInteger(),
).columns(arguments=JSON(), happened_at=Moment(), recorded_at=Moment())  # fmt: skip


def _void(session: Session, entry: Entry) -> Undo:
    run = _run_of(session, entry)
    code, station = code_of(session, "run", run.id), code_of(session, "station", run.station)

    def verb(s: Session, by: By, reason: str) -> dict[str, Any]:
        void_run(s, by, s.get_one(Run, run.id), reason)
        return {"said": f"Run {code} is void: its step comes again."}

    at = catalogue.station(session, run.station).name
    things = ", ".join(one for one in _said(entry) if one not in (station, at, code))
    on = f" on {things}" if things else ""
    return Undo("void_run", {"run": code}, verb, f"Void run {code}, {run.operation}{on} at {at}?", "void")


def _run_of(session: Session, entry: Entry) -> Run:
    """The run that it began or ended: the terminal names its station, a machine and the desk the run itself."""
    if isinstance(named := entry.arguments.get("run"), str):
        return session.get_one(Run, resolve(session, named, "run").id)
    query = select(Run).where(Run.station == _station(session, entry).id, (Run.e == entry.id) | (Run.closed_e == entry.id))
    run = session.scalar(query.order_by(Run.started_at.desc()).limit(1))  # by the index of starts: it was a moment ago
    if run is None:
        raise Refused("That run is not found.", Reason("finished", "Its entry names no run at this station.", "Void it under Do."))
    return run


def _off_again(session: Session, entry: Entry) -> Undo:
    station, item = _station(session, entry), resolve(session, str(entry.arguments.get("item")), "batch", "wafer")

    def verb(s: Session, by: By, _: str) -> dict[str, Any]:
        unmount(s, by, station.id, item.id)
        return {"said": f"{item.code} is off {_name(s, station)} again."}

    return Undo("unmount", {"station": station.code, "item": item.code}, verb, f"Take {item.code} off {_name(session, station)} again?")


def _on_again(session: Session, entry: Entry) -> Undo:
    station, item = _station(session, entry), resolve(session, str(entry.arguments.get("item")), "batch", "wafer")

    def verb(s: Session, by: By, _: str) -> dict[str, Any]:
        mount(s, by, station.id, item.id)
        return {"said": f"{item.code} is on {_name(s, station)} again."}

    return Undo("mount", {"station": station.code, "item": item.code}, verb, f"Put {item.code} on {_name(session, station)} again?")


def _state_before(session: Session, entry: Entry) -> Undo:
    station = _station(session, entry)
    rows = select(StationState).where(StationState.station == station.id).order_by(StationState.since.desc(), StationState.id.desc())
    before = session.scalar(rows.where(StationState.e < entry.id).limit(1))
    state, reason = (before.state, before.reason) if before else ("productive", "entered by mistake")

    def verb(s: Session, by: By, _: str) -> dict[str, Any]:
        set_state(s, by, station.id, state, reason)
        return {"said": f"{_name(s, station)} is as it was."}

    arguments = {"station": station.code, "state": state, "reason": reason}
    return Undo("set_station_state", arguments, verb, f"Put {_name(session, station)} back to what was said of it before: {WORDS[state]}, {reason}?")


def _attended(session: Session, entry: Entry) -> Undo:
    """Who has come to a station leaves it again; who has left it has it again."""
    station, said = _station(session, entry), entry.arguments
    person = resolve(session, said["person"], "person").id if isinstance(said.get("person"), str) else entry.actor or 0
    name, at = session.get_one(Person, person).name, _name(session, station)
    has_left = _has_left(entry)

    def verb(s: Session, by: By, _: str) -> dict[str, Any]:
        (attend if has_left else leave)(s, by, person, station.id)
        return {"said": f"{name} has {at} again." if has_left else f"{name} has left {at}."}

    arguments = {"station": station.code} | ({} if has_left else {"leave": True}) | {"person": code_of(session, "person", person)}
    return Undo("attend_station", arguments, verb, f"Does {name} have {at} again?" if has_left else f"Does {name} leave {at}?")


def _has_left(entry: Any) -> bool:
    """As the terminal says it, or a machine."""
    return entry.action == "attend_station" and (entry.arguments.get("leave") is True or entry.arguments.get("here") is False)


def _name(session: Session, station: Named) -> str:
    """As people call it: of codes that differ in one digit the wrong one is read."""
    return catalogue.station(session, station.id).name


def _station(session: Session, entry: Entry) -> Named:
    station = entry.arguments.get("station")
    if not isinstance(station, str):
        raise NotFound("That is not taken back here.", Reason("unknown_code", "Its entry names no station.", "Ask a lead."))
    return resolve(session, station, "station")

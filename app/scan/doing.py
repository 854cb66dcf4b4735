"""What the terminal writes: one act each, and the sentence that the person is told. Raises what is refused."""

from collections.abc import Callable, Mapping
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.db import House
from app.errors import Refused, bad_input, refuse
from app.final_test.bins_out import take_bins_out, with_grades
from app.final_test.singulate import singulate
from app.floor import counts_at_finish
from app.floor.attendance import attend, hand_over, leave
from app.floor.change_overs import change_over
from app.floor.counting import Counted
from app.floor.ends import Said, Value, finish_run
from app.floor.gate_facts import loaded_on
from app.floor.groups import gather
from app.floor.mounts import mount, part_of, place_among_several, swap, unmount
from app.floor.own_ends import makes_loose
from app.floor.starts import start_run
from app.floor.station_states import WORDS, set_state
from app.floor.typed_number import number
from app.journal.act import By, act
from app.ledger.counting import compare
from app.ledger.counts import CountEntry
from app.ledger.runs import Reading, Run
from app.naming.resolve import Named, code_of, resolve, resolve_at
from app.ovens.judging import judge_run
from app.people.callers import Caller
from app.scan.choose import run_of
from app.scan.last_done import Undo
from app.scan.questions import ENDS_ELSEWHERE, Question, and_more, others_in, question_about, what_ends
from app.web.said import STATIONS_ARE_WITH, TAKE_CARE, TAKES_OVER

Verb = Callable[[Session, By], dict[str, Any]]


def start(house: House, who: Caller, thing: str, station: str, key: str, *, clear: bool) -> str:
    def verb(session: Session, by: By) -> dict[str, Any]:
        one, at = resolve_at(session, thing, station)
        done = start_run(session, by, at.id, [one], person=who.person, line_clear=clear)
        return {"said": f"Started on {one.code}: run {done.code}."}

    return _done(house, who, "start_run", {"station": station, "things": [thing], "line_clear": clear}, verb, key)


def finish(house: House, who: Caller, thing: str, station: str, numbers: dict[str, str], key: str) -> str:
    """`numbers` as typed, by the names of the form: `value.` what the step records, `count.` what its count takes."""
    values = [Value(name.removeprefix("value."), number(name, text)) for name, text in numbers.items() if name.startswith("value.")]
    counted = {name.removeprefix("count."): number(name, text) for name, text in numbers.items() if name.startswith("count.")}
    bins = {name.removeprefix("bin."): number(name, text) for name, text in numbers.items() if name.startswith("bin.")}

    def verb(session: Session, by: By) -> dict[str, Any]:
        one, at = resolve_at(session, thing, station)
        run = run_of(session, one, at.id)
        if run is None:
            name = catalogue.station(session, at.id).name
            raise refuse("finished", f"Nothing runs on {one.code} at {name}.", "It was finished before.", "Scan it again.")
        if run.operation in ENDS_ELSEWHERE:
            _must_end_here(question_about(session, one, at.id, by.now, who.person), numbers)
        ending = what_ends(session, run)
        count, found = _count(ending.count, counted), None
        said = f"Finished {ending.step} on {one.code}{and_more(others_in(ending.lines, gather(session, [one])))}."
        if makes_loose(session, run):
            lot = singulate(session, by, run, values, person=who.person, counted=count)
            said = f"Finished. Loose lot {code_of(session, 'lot', lot.item)}."
            found = _counted_loose(session, run) if count else None
        elif run.operation == "test":
            said = _bins_out(session, by, run, bins, values, who.person)
        else:
            lines = finish_run(session, by, run, values, person=who.person)
            if run.operation == "cure":
                judge_run(session, by, run)
            found = counts_at_finish.count_lines(session, by, lines, count) if count else None
        return {"said": _with_what_to_mind(session, run if values else None, said, found)}

    arguments = {"thing": thing, "station": station, "values": {one.name: one.value for one in values}}
    arguments |= {name: given for name, given in (("count", counted), ("bins", bins)) if given}
    return _done(house, who, "finish_run", arguments, verb, key)


def _must_end_here(question: Question, numbers: Mapping[str, str]) -> None:
    """A test whose bins can be counted ends at the terminal, with a number for each of them."""
    if question.ends_elsewhere:
        raise refuse("changed", f"{question.step} on {question.thing.code} does not end here.", question.ends_elsewhere, "Open its page from here.")
    if missing := [one for one in question.to_enter if one.key not in numbers]:
        raise bad_input("The test can't finish yet.", missing[0].key, f"{missing[0].words}: no number.", "Enter one for each, 0 too.")


def put_on(house: House, who: Caller, station: Named, item: Named, key: str, instead: str = "") -> str:
    """Material onto the station; where runs are open there, it is a change-over. `instead`: the code of what comes off, where that was said."""
    with house.reading() as session:
        running = session.scalar(select(Run.id).where(Run.station == station.id, Run.closed_e.is_(None)).limit(1)) is not None
        there = {one.item: one.code for one in loaded_on(session, station.id)}
        name = catalogue.station(session, station.id).name
        place = _place_of(session, station.id, item, instead) if instead else None
    if item.id in there:
        return f"{item.code} is on {name} already."

    def verb(session: Session, by: By) -> dict[str, Any]:
        if running:
            change_over(session, by, station.id, item, place, Said())
        else:
            _mount(session, by, station.id, item.id, place)
        left = {one.item for one in loaded_on(session, station.id)}
        off = [code for one, code in there.items() if one not in left]
        return {"said": f"{item.code} is on {name}." + (f" {', '.join(off)} came off." if off else "")}

    return _done(house, who, "change_over" if running else "mount", {"station": station.code, "item": item.code}, verb, key)


def take_off(house: House, who: Caller, station: str, item: str, key: str) -> str:
    def verb(session: Session, by: By) -> dict[str, Any]:
        one = resolve(session, item, "batch", "wafer")
        at = resolve(session, station, "station").id
        unmount(session, by, at, one.id)
        return {"said": f"{one.code} is off {catalogue.station(session, at).name}."}

    return _done(house, who, "unmount", {"station": station, "item": item}, verb, key)


def attend_station(house: House, who: Caller, station: Named, key: str) -> None:
    def verb(session: Session, by: By) -> dict[str, Any]:
        if who.person is not None:
            attend(session, by, who.person, station.id)
        return {"said": ""}

    _done(house, who, "attend_station", {"station": station.code}, verb, key)


def leave_station(house: House, who: Caller, station: Named, key: str) -> str:
    def verb(session: Session, by: By) -> dict[str, Any]:
        if who.person is not None:
            leave(session, by, who.person, station.id)
        return {"said": f"You have left {catalogue.station(session, station.id).name}."}

    return _done(house, who, "attend_station", {"station": station.code, "leave": True}, verb, key)


def hand_all_over(house: House, who: Caller, badge: Named, key: str) -> str:
    def verb(session: Session, by: By) -> dict[str, Any]:
        given = hand_over(session, by, who.person or 0, badge.id)
        return {"said": (STATIONS_ARE_WITH if given else TAKES_OVER).format(code=badge.code)}

    return _done(house, who, "hand_over", {"to": badge.code}, verb, key)


def say_state(house: House, who: Caller, station: Named, state: str, reason: str, key: str) -> str:
    def verb(session: Session, by: By) -> dict[str, Any]:
        set_state(session, by, station.id, state, reason)
        return {"said": f"{catalogue.station(session, station.id).name}: {WORDS[state]}, {reason.strip()}."}

    return _done(house, who, "set_station_state", {"station": station.code, "state": state, "reason": reason}, verb, key)


def take_back(house: House, who: Caller, undo: Undo, reason: str, key: str) -> str:
    arguments = undo.arguments | ({"reason": reason} if undo.purpose else {})
    return _done(house, who, undo.action, arguments, lambda session, by: undo.verb(session, by, reason), key)


def _done(house: House, who: Caller, action: str, arguments: dict[str, Any], verb: Verb, key: str) -> str:
    return str(act(house, who.actor, action, arguments, verb, key=key or None, source="server").body["said"])


def _place_of(session: Session, station: int, item: Named, instead: str) -> str | None:
    """Where what comes off is; None where it is of another kind, or gone: then nothing was said of a place."""
    off = resolve(session, instead, "batch", "wafer")
    is_alike = part_of(session, off.id).body.kind == part_of(session, item.id).body.kind
    return place_among_several(session, station, off.id) if is_alike else None


def _mount(session: Session, by: By, station: int, item: int, place: str | None = None) -> None:
    """A fresh batch takes the place of the one that is there: who scans it has it in hand."""
    try:
        mount(session, by, station, item, place)
    except Refused as refusal:
        if set(refusal.kinds) != {"container_taken"}:
            raise
        swap(session, by, station, item, place)


def _count(method: str, entered: dict[str, float]) -> tuple[int, str, float] | None:
    if method == "none":
        return None
    missing = [name for name in counts_at_finish.names(method) if name not in entered]
    if missing:
        raise bad_input("The step can't end yet.", f"count.{missing[0]}", f"Its step asks for a count by {method}.", "Count, and enter the number.")
    return counts_at_finish.counted_units(method, entered)


def _bins_out(session: Session, by: By, run: Run, bins: dict[str, float], values: list[Value], person: int | None) -> str:
    if broken := [name for name, units in bins.items() if units < 0 or units != int(units)]:
        raise bad_input("The test can't end yet.", f"bin.{broken[0]}", f"{bins[broken[0]]:g} is not a number of units.", "Enter whole numbers.")
    lots = take_bins_out(session, by, run, with_grades(session, run, {name: int(units) for name, units in bins.items()}), values, person=person)
    told = ", ".join(f"{name} {code_of(session, 'lot', lot.item)}" for name, lot in lots.items())
    return f"Finished. Loose lots: {told}."


def _counted_loose(session: Session, run: Run) -> Counted | None:
    """The count of a singulation: it was booked where the loose lot was made."""
    entry = session.scalar(select(CountEntry).where(CountEntry.run == run.id, CountEntry.kind == "counted").order_by(CountEntry.id.desc()).limit(1))
    return Counted(entry, compare(entry.book or 0, entry.units, 0.0, entry.u)) if entry else None


def _with_what_to_mind(session: Session, run: Run | None, said: str, counted: Counted | None) -> str:
    """Values out of their limits have placed a hold: whoever has the magazine in hand must hear of it. `run`: one with values."""
    query = select(Reading).where(Reading.within.is_(False), Reading.closed_e.is_(None))
    outside = list(session.scalars(query.where(Reading.run == run.id))) if run else []
    held = [f"{one.name} {one.value:g} {one.unit}".strip() for one in outside]
    text = f"{said} {counts_at_finish.in_words(counted)}" if counted else said
    if held:
        return f"{TAKE_CARE}{text} {', '.join(held)} is out of limits: it is on hold. Put it on the hold rack and tell quality."
    return f"{TAKE_CARE}{text}" if counted and not counted.difference.within else text

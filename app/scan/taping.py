"""Taping and dry packing at a terminal: a reel is begun from a loose lot, filled, closed; a closed pack goes into its bag.

Each of them is a question about what was scanned, and an act once it is confirmed.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Step
from app.catalogue.models import Thing
from app.clock import day
from app.db import House
from app.errors import Reason, Refused, bad_input, refuse
from app.floor.ends import Value
from app.floor.gate_facts import loaded_on
from app.floor.groups import contents, gather
from app.floor.line_steps import step_of_line
from app.floor.typed_number import number
from app.genealogy.before_mixing import Coming, FillReach, before_fill
from app.journal.act import By, act, lock
from app.ledger.items import DryPack, Item, Lot, Pack
from app.naming.resolve import Named, code_of, resolve
from app.packing import dry, fill
from app.packing.contents import units_of
from app.people.callers import Caller
from app.scan.questions import Question, ToEnter
from app.scan.sent import Sent

UNITS = "fill.units"  # the form's name of how many were taped
_LOT, _PACK = ("container", "lot"), ("pack",)
ASKS = {"begin": _LOT, "fill": _LOT, "close": _PACK, "seal": _PACK, "seal again": _PACK}  # each about what


def packing_question(session: Session, named: Named, station: int, now: datetime, person: int | None) -> Question | None:
    """None: the station does not pack, or what was scanned is not packed."""
    does = catalogue.station(session, station).body.operations
    if named.kind == "pack" and "dry pack" in does:
        return _seal_question(session, named, station, now, person)
    in_work = fill.pack_in_work(session, station) if "tape" in does else None
    if in_work is not None and named.kind == "pack" and named.id == in_work.item:
        return _close_question(session, in_work, station)
    lot = _loose_lot(session, named) if "tape" in does else None
    if lot is None:
        return None
    if in_work is not None and units_of(session, in_work.item) >= in_work.size_units:
        return _close_question(session, in_work, station)  # full: nothing goes into it, and the next reel waits for it
    step = fill.check_fill(session, station, lot, in_work, person=person, at=now)
    return _fill_question(session, named, lot, in_work, station, step) if in_work else _begin_question(session, named, lot, station, step)


def _loose_lot(session: Session, named: Named) -> Named | None:
    if named.kind not in ("container", "lot"):
        return None
    panels, items = contents(session, named)
    lots = [item for item in items if session.get(Lot, item) is not None]
    return Named("lot", lots[0], code_of(session, "lot", lots[0])) if len(lots) == 1 and not panels else None


def _begin_question(session: Session, named: Named, lot: Named, station: int, step: Step | None) -> Question:
    row = session.get_one(Lot, lot.id)
    of = " ".join(word for word in (catalogue.with_id(session, row.product).name, row.bin, row.grade) if word)
    words = f"Begin a reel from {lot.code}?"
    return _question(session, "begin", named, station, step, words, about=f"{of}.", asks_line_clear=True, lots=(lot,))


def _fill_question(session: Session, named: Named, lot: Named, pack: Pack, station: int, step: Step | None) -> Question:
    free = pack.size_units - units_of(session, pack.item)
    into = Named("pack", pack.item, code_of(session, "pack", pack.item))
    words = f"Into reel {into.code} from {lot.code}?"
    to_enter = (ToEnter(UNITS, f"units taped, {free:,} pockets were free", ""),)
    return _question(session, "fill", named, station, step, words, to_enter=to_enter, lots=(lot,), into=into, out_of=lot)


def mixing(house: House, question: Question, given: Mapping[str, str]) -> tuple[FillReach, ...]:
    """What a fill would do to the reach of one bad origin. Asked where the question is shown, never on the way to the act."""
    if question.into is None or question.out_of is None:
        return ()
    taped = given.get(UNITS)
    coming = Coming(question.out_of, int(number(UNITS, taped)) if taped else None)
    with house.walking() as session:
        return before_fill(session, [coming], session.get_one(Pack, question.into.id))


def _close_question(session: Session, pack: Pack, station: int) -> Question:
    code, units = code_of(session, "pack", pack.item), units_of(session, pack.item)
    is_short = units < pack.size_units
    step = _tape_step(session, pack)
    words = f"Close {code} short, with {units:,} of {pack.size_units:,} units?" if is_short else f"Close {code} with {units:,} units?"
    to_enter = _records(step)
    reasons = tuple(one.name for one in catalogue.every(session, "reason") if "short pack" in one.body.of) if is_short else ()
    named = Named("pack", pack.item, code)
    return _question(session, "close", named, station, step, words, to_enter=to_enter, choices=reasons, must_choose=is_short)


def _seal_question(session: Session, named: Named, station: int, now: datetime, person: int | None) -> Question:
    step = dry.check_seal(session, station, named, person=person, at=now)
    pack = session.get_one(Pack, named.id)
    sealed = session.get(DryPack, named.id) is not None
    about = "It was in a bag before: it goes on as a new pack with a new label." if sealed else f"{units_of(session, pack.item):,} units."
    verb = "seal again" if sealed else "seal"
    words = f"Seal {named.code} in its bag{' again' if sealed else ''}?"
    return _question(session, verb, named, station, step, words, about=about, to_enter=_records(step))


def _records(step: Step | None) -> tuple[ToEnter, ...]:
    return tuple(ToEnter(f"value.{record.name}", record.name, record.unit) for record in (step.records if step else ()))


def _values(numbers: dict[str, float]) -> list[Value]:
    return [Value(name.removeprefix("value."), amount) for name, amount in numbers.items() if name.startswith("value.")]


def _question(
    session: Session, verb: str, named: Named, station: int, step: Step | None, words: str, *, lots: tuple[Named, ...] = (), **more: Any
) -> Question:
    name = catalogue.station(session, station).name
    return Question(
        verb=verb, thing=named, station=station, station_name=name, step=step.name if step else verb, words=words,
        caution=step.caution if step else "", instruction=step.instruction if step else "", loaded=tuple(loaded_on(session, station)),
        groups=tuple(gather(session, list(lots))) if lots else (), **more,
    )  # fmt: skip


def _tape_step(session: Session, pack: Pack) -> Step | None:
    return step_of_line(session, fill.open_line(session, pack)[1])


def confirm(house: House, who: Caller, station: str, form: Sent) -> str:
    """Does what was asked, once; the sentence that the person is told."""
    asks, thing, reason = form.asks, form.asked, form.reason
    numbers = {name: number(name, text) for name, text in form.numbers.items()}
    verb = {"begin": _begin, "fill": _fill, "close": _close, "seal": _seal_first, "seal again": _seal}[asks]
    action = {"begin": "fill_pack", "fill": "fill_pack", "close": "close_pack", "seal": "seal_pack", "seal again": "seal_pack"}[asks]
    arguments = {"station": station, "thing": thing, "values": numbers} | ({"reason": reason} if reason else {})

    def once(session: Session, by: By) -> dict[str, Any]:
        at = resolve(session, station, "station").id
        return {"said": verb(session, by, who.person, resolve(session, thing, *ASKS[asks]), at, numbers, reason)}

    return str(act(house, who.actor, action, arguments, once, key=form.key or None, source="server").body["said"])


def _begin(session: Session, by: By, person: int | None, named: Named, station: int, numbers: dict[str, float], reason: str) -> str:
    lot = _lot(session, named)
    lock(session, Item, [lot.id])
    lock(session, Thing, [station])  # of two terminals at one taper the second finds the reel of the first
    if fill.pack_in_work(session, station) is not None:
        raise Refused("No reel was begun.", Reason("changed", "One is being filled here.", "Close it first, or go on filling it."))
    pack = fill.fill_pack(session, by, station, [fill.Part(lot, 0)], person=person, line_clear=True, close=False)
    return f"Begun: reel {code_of(session, 'pack', pack.item)}. Scan the lot again when it is taped."


def _fill(session: Session, by: By, person: int | None, named: Named, station: int, numbers: dict[str, float], reason: str) -> str:
    pack = _in_work(session, station)
    units = numbers.get(UNITS, 0.0)
    if units < 1 or units != int(units):
        raise bad_input("Nothing was filled in.", UNITS, f"{units:g} is not a number of units.", "Enter a whole number.")
    fill.fill_more(session, by, pack, [fill.Part(_lot(session, named), int(units))])
    code, inside = code_of(session, "pack", pack.item), units_of(session, pack.item)
    if inside < pack.size_units:
        return f"{code} holds {inside:,} of {pack.size_units:,}. Scan the next lot, or {code} to close it short."
    step = _tape_step(session, pack)
    if step is not None and step.records:
        return f"{code} is full. Scan it to close it."
    fill.close_pack(session, by, pack, person=person)
    return f"{code} is full and closed: {inside:,} units. Print its label."


def _close(session: Session, by: By, person: int | None, named: Named, station: int, numbers: dict[str, float], reason: str) -> str:
    pack = _in_work(session, station, named.id)
    fill.close_pack(session, by, pack, short_reason=reason or None, values=_values(numbers), person=person)
    return f"{named.code} is closed with {pack.units:,} units. Print its label."


def _seal_first(session: Session, by: By, person: int | None, named: Named, station: int, numbers: dict[str, float], reason: str) -> str:
    """Nobody was asked whether a bag is to be opened: of two who were asked at once the second finds it sealed."""
    lock(session, Item, [named.id])
    if session.get(DryPack, named.id, populate_existing=True) is not None:
        why = Reason("changed", "It was sealed since you were asked.", "Nothing is left to do. Only if its bag was opened, scan it again.")
        raise Refused(f"{named.code} was not sealed a second time.", why)
    return _seal(session, by, person, named, station, numbers, reason)


def _seal(session: Session, by: By, person: int | None, named: Named, station: int, numbers: dict[str, float], reason: str) -> str:
    sealed = dry.seal_pack(session, by, station, named, values=_values(numbers), person=person, again=True)
    code = code_of(session, "pack", sealed.pack.item)
    ends = sealed.dry_pack.use_before_at
    until = f", good in it until {day(ends, catalogue.site(session).zone)}" if ends else ""
    return f"{code} is in its bag{until}." + ("" if sealed.pack.item == named.id else f" It was {named.code}: print its new label.")


def _in_work(session: Session, station: int, only: int | None = None) -> Pack:
    pack = fill.pack_in_work(session, station)
    if pack is None or only not in (None, pack.item):
        raise refuse("finished", "No such reel is being filled here.", "It was closed before.", "Scan the lot again.")
    return pack


def _lot(session: Session, named: Named) -> Named:
    lot = _loose_lot(session, named)
    if lot is None:
        raise refuse("not_here", f"{named.code} is not a loose lot.", "Units come from one loose lot.", "Scan the lot, or the jar that has it alone.")
    return lot

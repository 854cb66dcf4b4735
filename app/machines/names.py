"""From the names in a body to things, once the transaction is open; and back to codes for the answer."""

from collections.abc import Iterable, Sequence

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import bad_input, refuse, unknown
from app.floor.ends import Said, Value
from app.floor.groups import contents
from app.journal.act import By
from app.ledger.items import Lot
from app.ledger.runs import Line, Run
from app.ledger.sets import lots_of_panels
from app.machines.bodies import ValueIn
from app.naming.resolve import Named, candidates, code_of, codes_of, resolve
from app.ovens.run_of_load import run_of_load
from app.people.people import duties_of


def station_of(session: Session, name: str) -> int:
    return resolve(session, name, "station").id


def panels_of(session: Session, names: Sequence[str] | None) -> list[int] | None:
    """None where nothing was said."""
    return None if names is None else [resolve(session, name, "panel").id for name in names]


def things_of(session: Session, names: Iterable[str]) -> list[Named]:
    return [resolve(session, name) for name in names]


def inside(session: Session, things: Iterable[Named]) -> tuple[list[int], list[int]]:
    """(panels, loose lots and other items) that things stand for now. One that stands for nothing is refused: nobody means nothing by it."""
    panels: list[int] = []
    items: list[int] = []
    for thing in things:
        some, others = contents(session, thing)
        if not some and not others:
            raise refuse("not_here", f"{thing.code} is empty.", "No panels are in it now.", "Name what its panels went into, or leave it out.")
        panels += some
        items += others
    return panels, items


def person_of(session: Session, name: str | None, caller: int | None) -> int | None:
    return resolve(session, name, "person").id if name else caller


def doer_of(session: Session, by: By, name: str | None, caller: int | None) -> int | None:
    """Who is about to do something. One whose duties have all ended begins nothing more; what was done is recorded whoever did it."""
    person = person_of(session, name, caller)
    if name and person is not None and not by.fact and not duties_of(session, person):
        who = resolve(session, name, "person").code
        why = "This person's duties have all ended."
        raise refuse("duty", f"{who} may begin nothing here.", why, "Name who does it; if it was done already, send it as a fact.")
    return person


def said(session: Session, done: Sequence[str] | None, in_work: Sequence[str] | None) -> Said:
    return Said(panels_of(session, done), panels_of(session, in_work))


def values_of(values: Sequence[ValueIn]) -> list[Value]:
    return [Value(one.name, one.value, one.unit) for one in values]


def open_run(session: Session, name: str) -> Run:
    """The run that a code names, while it is open."""
    named = resolve(session, name, "run", "load")
    run = session.get_one(Run, run_of_load(session, named) if named.kind == "load" else named.id, populate_existing=True)
    if run.closed_e is not None:
        raise refuse("finished", f"{named.code} is not running.", "It has ended.", "Look at its page.")
    return run


def run_named(session: Session, name: str) -> Run:
    """A run by its code, or by that of its load; open or not."""
    named = resolve(session, name, "run", "load")
    return session.get_one(Run, run_of_load(session, named) if named.kind == "load" else named.id)


def line_numbered(session: Session, number: int) -> Line:
    found = session.get(Line, number)
    if found is None:
        raise unknown(str(number), "the number of a run line")
    return found


def order_number(session: Session, name: str | None) -> str | None:
    """The number of an order, named by it or by our code for it."""
    if name is None:
        return None
    found = candidates(session, name, "order")
    return catalogue.with_id(session, found[0].id).name if len(found) == 1 else name


def lot_named(session: Session, name: str) -> Named:
    """A lot by its name, or by the container that it is alone in."""
    return lot_in(session, resolve(session, name, "lot", "container"))


def lot_in(session: Session, named: Named) -> Named:
    if named.kind == "lot":
        return named
    panels, items = contents(session, named)
    lots = [item for item in items if session.get(Lot, item)] or sorted(set(lots_of_panels(session, panels).values()))
    if len(lots) != 1:
        raise bad_input("Which lot?", "lot", f"{named.code} holds {len(lots)} lots.", "Name the lot.")
    return Named("lot", lots[0], code_of(session, "lot", lots[0]))


def lot_code(session: Session, lot: int) -> str:
    return code_of(session, "lot", lot)


def panel_codes(session: Session, panels: Iterable[int]) -> list[str]:
    return sorted(codes_of(session, "panel", list(panels)).values())


def evidence_numbers(text: str | None) -> list[int]:
    """Of `replaces` in a form: numbers of files, by commas."""
    parts = [part.strip() for part in (text or "").split(",") if part.strip()]
    if not all(part.isascii() and part.isdecimal() and len(part) < 16 for part in parts):
        raise bad_input("That is not a file.", "replaces", f"{text!r} is not a list of numbers.", "Name the `evidence` that its import answered.")
    return [int(part) for part in parts]

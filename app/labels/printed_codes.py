"""What stands beside a code that is printed to be stuck on its thing, or worn: whose it is."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, literal, select
from sqlalchemy.orm import Session

from app.catalogue.models import Thing
from app.errors import bad_input
from app.ledger.items import Batch, Lot, Wafer
from app.ledger.places import Container
from app.naming.models import Code
from app.naming.resolve import Named
from app.people.models import Person

MOST = 500  # on one sheet to print
OF_A_KIND = ("station", "container", "person")  # that all are printed of; the others as they come


@dataclass(frozen=True)
class PrintedCode:
    code: str
    words: str
    about: str


def printed_codes(session: Session, named: Sequence[Named]) -> list[PrintedCode]:
    """In the order in which they were named."""
    found: dict[str, PrintedCode] = {}
    for kind in {one.kind for one in named}:
        codes = [one.code for one in named if one.kind == kind]
        words = {} if kind not in _WORDS else {row[0]: (row[1], row[2]) for row in session.execute(_WORDS[kind].where(Code.code.in_(codes)))}
        found |= {code: PrintedCode(code, *words.get(code, (kind, ""))) for code in codes}
    return [found[one.code] for one in named]


def every_printed_code(session: Session, kind: str) -> list[PrintedCode]:
    """Of all stations, containers or people, by name."""
    if kind not in OF_A_KIND:
        raise bad_input("Nothing is printed.", "kind", f"{kind[:40]!r} is not one of: {', '.join(OF_A_KIND)}.", "Choose one of them.")
    return [PrintedCode(*row) for row in session.execute(_WORDS[kind].order_by("words", Code.code).limit(MOST))]


def _of(kind: str, key: Any, words: Any, about: Any) -> Select[Any]:
    return select(Code.code, words.label("words"), about).join(key.class_, key == Code.thing).where(Code.kind == kind)


# the code, what it is called, and what that is
_WORDS: dict[str, Select[Any]] = {
    "station": _of("station", Thing.id, Thing.name, literal("station")),
    "container": _of("container", Container.id, Container.name, Container.kind),
    "person": _of("person", Person.id, Person.name, literal("badge")),
    "batch": _of("batch", Batch.item, Thing.name, literal("material batch")).join(Thing, Thing.id == Batch.part),
    "wafer": _of("wafer", Wafer.item, Thing.name, Wafer.role).join(Thing, Thing.id == Wafer.part),
    "lot": _of("lot", Lot.item, Thing.name, literal("lot")).join(Thing, Thing.id == Lot.product),
}

"""A supplier's EPCIS document as evidence of origin: kept as it came, and linked to the batches and wafers here that it names."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app import codes
from app.db import House
from app.errors import NotFound, Reason, Refused
from app.evidence.keep import Kept, keep_and_read, record_evidence
from app.evidence.models import Evidence
from app.journal.act import By
from app.listed import among, listed, tuples
from app.naming.models import Alias, Code
from app.naming.resolve import Named, codes_of_items
from app.receiving.models import OriginLink
from app.receiving.origin_events import NamedThing, OriginEvent, read_origin_document

_KINDS = ("batch", "wafer")
_MOST_INPUTS = 100  # of one event that are kept beside the link; the file has them all


@dataclass(frozen=True)
class Told:
    """What a supplier's event says of a batch or wafer. `came_from`: the inputs of the event that it is an output of."""

    item: str
    file: int
    file_name: str
    event: int
    kind: str
    role: str
    name: str
    happened_at: datetime
    step: str
    disposition: str
    place: str
    quantity: float | None
    uom: str
    came_from: tuple[str, ...]


def read_origin_file(house: House, name: str, data: bytes) -> tuple[Kept, tuple[OriginEvent, ...]]:
    """Keeps and reads a document, outside any transaction."""
    return keep_and_read(house, name, data, lambda: read_origin_document(data, f"{name} cannot be read as an EPCIS document."))


def import_origin_document(session: Session, by: By, kept: Kept, events: Sequence[OriginEvent]) -> list[OriginLink]:
    """One link for each naming of a thing of ours. A document that names none is refused; one number for two things, too."""
    known = _known(session, {text for event in events for one in event.things for text in (one.uri, one.number)})
    links = [(event, one, item) for event in events for one in event.things if (item := _item(one, known, kept.name)) is not None]
    if not links:
        raise NotFound(
            f"{kept.name} names nothing of ours.",
            Reason("unknown_code", "No number in its events is that of a batch or wafer here.", "Receive it first, with the supplier's number."),
        )
    evidence = record_evidence(session, by, kept, "origin_document")
    rows = [
        OriginLink(
            e=by.e, item=item, evidence=evidence.id, event=event.number, kind=event.kind, role=one.role, name=one.uri, happened_at=event.happened_at,
            step=event.step, disposition=event.disposition, place=event.place, quantity=one.quantity, uom=one.uom,
            came_from=event.inputs()[:_MOST_INPUTS] if one.role == "output" else [],
        )
        for event, one, item in links
    ]  # fmt: skip
    session.add_all(rows)
    session.flush()
    return rows


def told_of(session: Session, items: Iterable[int]) -> list[Told]:
    """What suppliers say of these batches and wafers, by time."""
    links = [link for (link,) in tuples(session, _LINKS, items=items)]
    if not links:
        return []
    query = select(OriginLink, Evidence.name).join(Evidence, Evidence.id == OriginLink.evidence).where(among(OriginLink.id, links))
    rows = session.execute(query.order_by(OriginLink.happened_at, OriginLink.id)).all()
    known = codes_of_items(session, [row.item for row, _ in rows])
    return [
        Told(
            known[row.item], row.evidence, name, row.event, row.kind, row.role, row.name, row.happened_at, row.step, row.disposition, row.place,
            row.quantity, row.uom, tuple(row.came_from),
        )
        for row, name in rows
    ]  # fmt: skip


_LINKS = listed("select id from origin_link where item in :items", "items")


def _known(session: Session, texts: set[str]) -> dict[str, set[Named]]:
    """The batches and wafers that each text names: by our code, or by an alias."""
    found: defaultdict[str, set[Named]] = defaultdict(set)
    wanted = sorted(text for text in texts if text.isprintable())
    tidied: defaultdict[str, list[str]] = defaultdict(list)  # a code may be spelled in several ways
    for text in wanted:
        tidied[codes.tidy(text)].append(text)
    for n in range(0, len(wanted), 5000):
        some = wanted[n : n + 5000]
        of_alias = select(Alias.value, Alias.kind, Alias.thing).where(Alias.value.in_(some), Alias.kind.in_(_KINDS), Alias.closed_e.is_(None))
        for value, kind, thing in session.execute(of_alias):
            found[value].add(Named(kind, thing, ""))
        of_code = select(Code.code, Code.kind, Code.thing).where(Code.code.in_([codes.tidy(text) for text in some]), Code.kind.in_(_KINDS))
        for code, kind, thing in session.execute(of_code):
            for text in tidied[code]:
                found[text].add(Named(kind, thing, ""))
    return dict(found)


def _item(one: NamedThing, known: dict[str, set[Named]], file: str) -> int | None:
    """The whole URI counts first, then the number within it."""
    found = known.get(one.uri) or known.get(one.number) or set()
    if len(found) > 1:
        why = f"{one.number!r} is the number of {len(found)} batches or wafers here."
        raise Refused(f"{file} was not taken in.", Reason("ambiguous_code", why, "Take back the alias that is wrong, or name ours.", one.where))
    return next(iter(found)).id if found else None

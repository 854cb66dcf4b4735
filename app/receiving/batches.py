"""Material batches: received with expiry, opened (pot life begins), mixed from others."""

from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Part
from app.clock import told
from app.errors import Reason, Refused, bad_input, refuse
from app.holds.place import hold_line
from app.holds.stopped import stops_on
from app.journal.act import By, lock
from app.ledger.corrections import not_void
from app.ledger.flows import Flow
from app.ledger.items import Batch, Item, Opening
from app.ledger.runs import Line, Use, is_void
from app.ledger.used import mixed_from
from app.listed import among
from app.naming.resolve import Named, add_alias, give_code


def receive_batch(
    session: Session, by: By, part: str, *, supplier: str = "", supplier_batch: str | None = None, expires_at: datetime | None = None
) -> Named:
    """A batch of a material part. Without a stated expiry, its shelf life runs from now if the part has one."""
    found = catalogue.part(session, part)
    if found.body.kind == "wafer":
        raise bad_input(f"{part} is a wafer part.", "part", "Wafers come with their die maps.", "Receive it as a wafer.")
    named = _new_batch(session, by, found.id, supplier, expires_at or _shelf_end(found.body, by.happened_at))
    if supplier_batch:
        add_alias(session, by, named, supplier or "supplier", "batch number", supplier_batch)
    return named


def open_batch(session: Session, by: By, batch: Named) -> Opening:
    """Opened once; its pot life runs from here. Told late it may have ended before work that was entered with it: that is held."""
    lock(session, Item, [batch.id])
    if session.get(Opening, batch.id):
        raise refuse("finished", f"{batch.code} is open already.", "A batch is opened once.", "Mount it, or open a fresh one.")
    row = session.get_one(Batch, batch.id)
    part: Part = catalogue.with_id(session, row.part).body
    if row.expires_at is not None and by.happened_at > row.expires_at and not by.fact:
        expired = told(row.expires_at, catalogue.site(session).zone)
        raise refuse("material_lapsed", f"{batch.code} can't be opened.", f"It expired at {expired}.", "Take a fresh one.")
    ends = by.happened_at + timedelta(minutes=part.pot_life_minutes) if part.pot_life_minutes else None
    opening = Opening(e=by.e, batch=batch.id, opened_at=by.happened_at, pot_life_ends_at=ends)
    session.add(opening)
    session.flush()
    if ends is not None:
        _hold_what_it_had_lapsed_for(session, by, batch, ends)
    return opening


def _hold_what_it_had_lapsed_for(session: Session, by: By, batch: Named, ends: datetime) -> None:
    """Lines that began with the batch, or with what was mixed from it, after its pot life had ended."""
    used = select(Line).join(Use, Use.line == Line.id).where(among(Use.item, [batch.id, *mixed_from(session, batch.id)]), Line.started_at > ends)
    used = used.where(~is_void(Line.run), not_void()).distinct().order_by(Line.id)
    for line in session.scalars(used).all():
        why = f"The pot life of {batch.code} had ended at {told(ends, catalogue.site(session).zone)} when this began; its opening was told later."
        hold_line(session, by, line.id, why)


def mix_batches(session: Session, by: By, part: str, parents: list[Named], *, expires_at: datetime | None = None) -> Named:
    """A batch mixed here from others. It is open from now; neither its shelf life nor its pot life is longer than its part's or any parent's."""
    if len(parents) < 1:
        raise bad_input("A mix needs batches.", "parents", "None was named.", "Name the batches that went in.")
    lock(session, Item, sorted(parent.id for parent in parents))
    _parents_are_usable(session, by, parents)
    found = catalogue.part(session, part)
    ends = list(session.scalars(select(Batch.expires_at).where(Batch.item.in_([p.id for p in parents]), Batch.expires_at.is_not(None))))
    limits = [end for end in [expires_at or _shelf_end(found.body, by.happened_at), *ends] if end is not None]
    mixed = _new_batch(session, by, found.id, "mixed here", min(limits) if limits else None)
    for parent in {parent.id for parent in parents}:
        session.add(Flow(e=by.e, child=mixed.id, parent=parent, kind="mix", walked=True, run=None, units=0))
    lives = list(_pot_lives(session, parents).values())
    if found.body.pot_life_minutes:
        lives.append(by.happened_at + timedelta(minutes=found.body.pot_life_minutes))
    session.add(Opening(e=by.e, batch=mixed.id, opened_at=by.happened_at, pot_life_ends_at=min(lives, default=None)))
    session.flush()
    return mixed


def _parents_are_usable(session: Session, by: By, parents: list[Named]) -> None:
    if by.fact:
        return
    rows = {row.item: row for row in session.scalars(select(Batch).where(Batch.item.in_([p.id for p in parents])))}
    stops = stops_on(session, [parent.id for parent in parents])
    zone, lives = catalogue.site(session).zone, _pot_lives(session, parents)
    found = [
        Reason("material_lapsed", f"{parent.code} expired at {told(end, zone)}.", "Take a fresh one.")
        for parent in parents
        if (end := rows[parent.id].expires_at) is not None and by.happened_at > end
    ]
    found += [
        Reason("material_lapsed", f"The pot life of {parent.code} ended at {told(end, zone)}.", "Open a fresh one.")
        for parent in parents
        if (end := lives.get(parent.id)) is not None and by.happened_at > end
    ]
    found += [Reason("material_held", f"{p.code} is on hold: {stops[p.id][0].reason}.", "Use another batch.") for p in parents if p.id in stops]
    if found:
        raise Refused("These batches may not be mixed.", *found)


def _pot_lives(session: Session, batches: list[Named]) -> dict[int, datetime]:
    """When the pot life of those ends that are open and have one."""
    rows = session.execute(select(Opening.batch, Opening.pot_life_ends_at).where(Opening.batch.in_([one.id for one in batches])))
    return {batch: ends for batch, ends in rows if ends is not None}


def _new_batch(session: Session, by: By, part: int, supplier: str, expires_at: datetime | None) -> Named:
    item = Item(e=by.e, kind="batch")
    session.add(item)
    session.flush()
    session.add(Batch(e=by.e, item=item.id, part=part, supplier=supplier, expires_at=expires_at))
    return Named("batch", item.id, give_code(session, by, "batch", item.id))


def _shelf_end(part: Part, received_at: datetime) -> datetime | None:
    return received_at + timedelta(days=part.shelf_life_days) if part.shelf_life_days else None

"""Correct a move: it went elsewhere, in another shipment, or nowhere. The right move has the turn of the wrong one among the thing's moves."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import Refused, bad_input
from app.floor.corrections import Corrected, checked_words, corrections_of, why_not_by
from app.floor.moves import KINDS, why_back
from app.journal.act import By, lock
from app.ledger.corrections import MoveCorrection, corrected_before, moves_in_force, turn_of
from app.ledger.items import Item, Pack
from app.ledger.places import Diversion, Move, Shipment
from app.ledger.runs import Line
from app.ledger.sets import Member
from app.naming.resolve import codes_of


@dataclass(frozen=True)
class To:
    """Where it went in truth: a kind of place and its name, or a shipment."""

    kind: str
    place: str = ""
    shipment: int | None = None


@dataclass(frozen=True)
class MoveRow:
    """A move as pages show it, with its correction if it was wrong."""

    move: int
    thing: str
    kind: str
    place: str
    shipment: str | None
    moved_at: datetime
    why_back: str  # of a return
    corrected: Corrected | None


def correct_move(session: Session, by: By, move: Move, to: To | None, reason: str) -> Move | None:
    """`to`: where the thing went in truth; None: it was not moved then."""
    words = checked_words(reason)
    lock(session, Item, [move.item])
    session.refresh(move)
    to = _checked(session, move, to) if to else None
    _may(session, by, move, to)
    stands_at = session.scalar(select(MoveCorrection.stands_at).where(MoveCorrection.right == move.id)) or move.id
    right = None
    if to is not None:
        right = Move(e=by.e, item=move.item, kind=to.kind, place=to.place, shipment=to.shipment, moved_at=move.moved_at)
        session.add(right)
        session.flush()
    session.add(MoveCorrection(e=by.e, move=move.id, right=right.id if right else None, stands_at=stands_at, reason=words))
    if right is not None and right.shipment is not None:
        _tell_diversion(session, by, right.shipment, right.item, right.place, words)
    session.flush()
    return right


def moves_of(session: Session, items: Sequence[int]) -> list[MoveRow]:
    """Every move that was told of things, in the order of their turns; wrong ones with what corrected them."""
    turn = turn_of()
    query = select(Move, Item.kind).join(Item, Item.id == Move.item).where(Move.item.in_(items)).order_by(Move.item, turn, Move.id)
    rows = session.execute(query).all()
    corrected = corrections_of(session, MoveCorrection, [move.id for move, _ in rows])
    shipments = codes_of(session, "shipment", [move.shipment for move, _ in rows if move.shipment])
    reasons = why_back(session, {move.e for move, _ in rows if move.kind == "returned"})
    names: dict[int, str] = {}
    for kind in {kind for _, kind in rows}:
        names |= codes_of(session, kind, [move.item for move, of in rows if of == kind])
    return [
        MoveRow(
            move.id, names[move.item], move.kind, move.place, shipments.get(move.shipment or 0), move.moved_at, reasons.get(move.e, ""),
            corrected.get(move.id),
        )
        for move, _ in rows
    ]  # fmt: skip


def moved_with(session: Session, move: Move) -> list[Move]:
    """Moves of other things in the same entry, alike and in force: the panels of a lot, the packs of a shipment."""
    alike = (Move.e == move.e, Move.id != move.id, Move.kind == move.kind, Move.place == move.place)
    return list(session.scalars(select(Move).where(*alike, moves_in_force()).order_by(Move.id)))


def _checked(session: Session, move: Move, to: To) -> To:
    if to.shipment is not None:
        if session.get(Pack, move.item) is None:
            raise bad_input("Only packs ship.", "shipment", "It is not a pack.", "Name a kind of place.")
        customer = session.get_one(Shipment, to.shipment).customer
        to = To("shipped", catalogue.with_id(session, customer).name, to.shipment)
    elif to.kind not in KINDS:
        raise bad_input("A thing moves to a known kind of place.", "kind", f"{to.kind!r} is not one of: {', '.join(KINDS)}.", "Or name its shipment.")
    if to.kind == "outside" and not to.place:
        raise bad_input("An outside firm is missing.", "place", "It is empty.", "Name the firm.")
    return to


def _tell_diversion(session: Session, by: By, shipment: int, pack: int, customer: str, words: str) -> None:
    """It went, in truth, to another customer than it was filled for: that is on record as of any shipment. Of one it was in before, it is already."""
    order = session.get_one(Pack, pack).order
    if order is not None and catalogue.with_id(session, order).body.customer != customer and session.get(Diversion, (shipment, pack)) is None:
        session.add(Diversion(e=by.e, shipment=shipment, pack=pack, reason=words))


def _may(session: Session, by: By, move: Move, to: To | None) -> None:
    what = f"Move {move.id} was not corrected."
    if before := corrected_before(session, MoveCorrection, move.id):
        raise Refused(what, before)
    if to == To(move.kind, move.place, move.shipment):
        raise bad_input("Nothing to correct.", "kind", "That is what the record says.", "Say where it went in truth.")
    later = select(Move.id).where(Move.item == move.item, Move.e > move.e, moves_in_force())
    worked = select(Line.id).where(Line.e > move.e, Line.set.in_(select(Member.set).where(Member.panel == move.item)) | (Line.item == move.item))
    came_after = session.scalar(later.limit(1)) is not None or session.scalar(worked.limit(1)) is not None
    if found := why_not_by(session, by, move.e, came_after=came_after):
        raise Refused(what, *found)

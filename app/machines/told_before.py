"""What a form tells before its act is done, where that is more than the act itself would say: how far a merge or a fill lets trouble reach."""

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import Refused
from app.floor.amounts import books
from app.genealogy.before_mixing import Coming, FillReach, WorstReach, before_fill, before_mixing
from app.ledger import walk
from app.ledger.items import Lot, Pack
from app.machines.names import lot_named, order_number
from app.machines.typed_lists import rows_in
from app.naming.resolve import code_of, resolve
from app.packing.fill import too_many_lots
from app.several import codes_in


@dataclass(frozen=True)
class Before:
    """What a merge or a fill of these loose lots would do to the reach of one bad origin, which is told before it is done."""

    told: str  # what it was told of: it is done when that is sent again
    lots: str
    rows: tuple[WorstReach, ...] | tuple[FillReach, ...]
    is_fill: bool = False
    pack: str = ""  # that is open and filled on
    unpackable: str = ""  # why no pack could be filled from what they would be merged into


def told_before(session: Session, act: str, typed: Mapping[str, str]) -> Before | None:
    """Of an act by its name, and what was typed into its form so far."""
    tell = _TELLS.get(act)
    try:
        return tell(session, typed) if tell else None
    except Refused:  # the act itself says what is wrong
        return None


def _of_merge(session: Session, typed: Mapping[str, str]) -> Before | None:
    codes = codes_in(typed.get("lot", ""), typed.get("others", ""))
    lots = [resolve(session, code, "lot") for code in codes]
    if len(codes) < 2 or any(session.get_one(Lot, one.id).form != "loose" for one in lots):
        return None
    held = books(session, [one.id for one in lots])
    full = [one for one in lots if held.get(one.id, 0) > 0]  # what an empty one takes in mixes with no unit of its own
    named = " ".join(one.code for one in lots)
    rows = before_mixing(session, full).reach
    loose = [one.id for one in full]
    too_many = too_many_lots(session, session.get_one(Lot, loose[0]).product, loose, walk.up(session, loose))
    return Before(named, " ".join(one.code for one in full), rows, unpackable=too_many[0].why if too_many else "")


def _of_fill(session: Session, typed: Mapping[str, str]) -> Before | None:
    rows = rows_in(typed.get("parts", ""), 2)
    if not rows or any(len(row) != 2 or not _is_whole(row[1]) for row in rows):
        return None
    coming = [Coming(lot_named(session, lot), int(units)) for lot, units in rows]
    pack = session.get_one(Pack, resolve(session, typed["pack"], "pack").id) if typed.get("pack") else None
    size = int(typed["size"]) if _is_whole(typed.get("size", "")) else None
    number = order_number(session, typed.get("order") or None)
    order = catalogue.named(session, "order", number).id if number else None
    found = before_fill(session, coming, pack, size, order)
    into = code_of(session, "pack", pack.item) if pack else ""
    told = " ".join([into, *(f"{one.lot.code} {one.units}" for one in coming)]).strip()
    return Before(told, " ".join(one.lot.code for one in coming), found, is_fill=True, pack=into) if found else None


def _is_whole(text: str) -> bool:
    return text.isascii() and text.isdigit() and 0 < len(text) < 10


_TELLS = {"/lots/{lot}/merge": _of_merge, "/packs": _of_fill, "/packs/{pack}/fill": _of_fill}

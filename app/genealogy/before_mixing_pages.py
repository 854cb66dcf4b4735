"""The page that is asked before a merge or a fill: how far one bad origin would reach."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import Query, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from app.errors import Refused, bad_input
from app.genealogy.before_mixing import BeforeMixing, Coming, FillReach, before_fill, before_mixing, others_at_hand
from app.ledger.items import Pack
from app.naming.resolve import resolve
from app.people.callers import Calling, page_router
from app.several import codes_in
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
Codes = Annotated[tuple[str, ...], Query(max_length=2000)]


@router.get("/before-mixing")
def before_mixing_page(
    request: Request, who: Calling, lot: Codes = (), size: Annotated[str, Query(max_length=12)] = "", pack: Annotated[str, Query(max_length=120)] = ""
) -> Response:
    """What a merge or an order of fills would do to the reach of one bad origin."""
    codes = codes_in(*lot)
    try:
        if size and not (size.isascii() and size.isdigit() and len(size) < 10):
            raise bad_input("That is not a size.", "size", f"It is {size!r}.", "Give the units of a full pack.")
        with house_of(request).walking() as session:
            asked = _ask(session, codes, int(size) if size else None, pack)
    except Refused as refusal:  # what was typed stays, to be put right
        asked = _Asked(refusal=refusal)
    status = asked.refusal.status if asked.refusal else 200
    return render(request, "genealogy/before_mixing.html", status=status, asked=codes, size=size, pack=pack, **vars(asked))


@dataclass(frozen=True)
class _Asked:
    """One of them: the reach before mixing, what else is at hand, the reach of fills into a pack, or why there is no answer."""

    found: BeforeMixing | None = None
    others: Sequence[tuple[str, int]] = ()
    into: str = ""
    fills: tuple[FillReach, ...] = ()
    refusal: Refused | None = None


def _ask(session: Session, codes: Sequence[str], size: int | None, pack: str) -> _Asked:
    lots = [resolve(session, code, "lot") for code in codes]
    if pack and lots:
        named = resolve(session, pack, "pack")
        return _Asked(into=named.code, fills=before_fill(session, [Coming(one) for one in lots], session.get_one(Pack, named.id)))
    if len(lots) == 1:
        return _Asked(others=others_at_hand(session, lots[0]))
    return _Asked(found=before_mixing(session, lots, size) if lots else None)

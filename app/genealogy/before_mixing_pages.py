"""The page that is asked before a merge or a fill: how far one bad origin would reach."""

from typing import Annotated

from fastapi import Query, Request
from fastapi.responses import Response

from app.errors import bad_input
from app.genealogy.before_mixing import Coming, before_fill, before_mixing, others_at_hand
from app.ledger.items import Pack
from app.naming.resolve import resolve
from app.people.callers import Calling, page_router
from app.web import house_of, render

router = page_router()
Codes = Annotated[tuple[str, ...], Query(max_length=2000)]


@router.get("/before-mixing")
def before_mixing_page(
    request: Request, who: Calling, lot: Codes = (), size: Annotated[str, Query(max_length=12)] = "", pack: Annotated[str, Query(max_length=120)] = ""
) -> Response:
    """What a merge or an order of fills would do to the reach of one bad origin."""
    codes = [code for text in lot for code in text.replace(",", " ").split()]
    if size and not (size.isascii() and size.isdigit() and len(size) < 10):
        raise bad_input("That is no size.", "size", f"It is {size!r}.", "Give the units of a full pack.")
    found, others, fills, into = None, [], None, None
    with house_of(request).walking() as session:
        lots = [resolve(session, code, "lot") for code in codes]
        if pack and lots:
            named = resolve(session, pack, "pack")
            into, fills = named.code, before_fill(session, [Coming(one) for one in lots], session.get_one(Pack, named.id))
        elif len(codes) == 1:
            others = others_at_hand(session, lots[0])
        elif codes:
            found = before_mixing(session, lots, int(size) if size else None)
    return render(request, "genealogy/before_mixing.html", asked=codes, size=size, found=found, others=others, into=into, fills=fills)

"""A pack's label at true size, and codes to print for everything else that is scanned."""

from typing import Annotated

from fastapi import Query, Request
from fastapi.responses import Response
from markupsafe import Markup

from app.drawing.symbols import data_matrix
from app.errors import not_allowed
from app.labels.pack_label import pack_label
from app.labels.printed_codes import MOST, every_printed_code, printed_codes
from app.naming.resolve import resolve
from app.people.callers import Calling, page_router
from app.people.doors import SEES_PEOPLE
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
MODULE_MM = 0.5  # there is room for more than the least that reads, and a reel is scanned from further away; our choice
_CODE_MM = 0.6  # as the cards of the floor
Asked = Annotated[list[str], Query(max_length=MOST)]


@router.get("/packs/{code}/label")
def label_page(request: Request, who: Calling, code: str) -> Response:
    with house_of(request).reading() as session:
        label = pack_label(session, resolve(session, code, "pack"))
    symbol = Markup(data_matrix(label.message, f"Data Matrix of {label.pack}", MODULE_MM))
    return render(request, "labels/pack.html", label=label, symbol=symbol)


@router.get("/codes")
def codes_page(request: Request, who: Calling, code: Asked = [], kind: str = "") -> Response:  # noqa: B006 (FastAPI copies it)
    """Codes to print: of the things that are named, else of all stations, containers or people."""
    with house_of(request).reading() as session:
        named = [resolve(session, one) for one in code]
        others = [one for one in named if one.kind == "person" and one.id != who.person]
        if (others or (kind == "person" and not named)) and not who.has(*SEES_PEOPLE):
            raise not_allowed(who.actor.name, "print the badges of others", SEES_PEOPLE)
        found = printed_codes(session, named) if named else every_printed_code(session, kind)
    symbols = {one.code: Markup(data_matrix(one.code, one.code, _CODE_MM)) for one in found}
    return render(request, "labels/codes.html", found=found, symbols=symbols, most=MOST)

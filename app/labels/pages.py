"""A pack's label at true size."""

from fastapi import Request
from fastapi.responses import Response
from markupsafe import Markup

from app.drawing.symbols import data_matrix
from app.labels.pack_label import pack_label
from app.naming.resolve import resolve
from app.people.callers import Calling, page_router
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
MODULE_MM = 0.5  # there is room for more than the least that reads, and a reel is scanned from further away; our choice


@router.get("/packs/{code}/label")
def label_page(request: Request, who: Calling, code: str) -> Response:
    with house_of(request).reading() as session:
        label = pack_label(session, resolve(session, code, "pack"))
    symbol = Markup(data_matrix(label.message, f"Data Matrix of {label.pack}", MODULE_MM))
    return render(request, "labels/pack.html", label=label, symbol=symbol)

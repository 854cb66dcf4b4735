"""A lot's page: its traveller, its counts, its holds, its kin; and the sheet of it that is printed. A pack's page."""

from fastapi import Request
from fastapi.responses import Response
from markupsafe import Markup

from app import clock
from app.drawing.symbols import data_matrix
from app.final_test.results_shown import tested_in
from app.floor.whereabouts import place_of_lot
from app.genealogy.doings import doings_of_lots
from app.genealogy.kin import kin_of
from app.genealogy.lot_page import account, holds_shown
from app.genealogy.pack_page import pack_shown
from app.genealogy.sheet import sheet_values, span
from app.genealogy.traveller import travellers
from app.ledger.items import Lot
from app.naming.resolve import resolve
from app.people.callers import Calling, page_router
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()


@router.get("/lots/{code}")
def lot_page(request: Request, who: Calling, code: str) -> Response:
    """Where the lot stands, what was done to it, and that its counts close. On paper it is the sheet that travels with the lot."""
    with house_of(request).reading() as session:
        lot = session.get_one(Lot, resolve(session, code, "lot").id)
        now = clock.now()
        one = travellers(session, [lot], now)[0]
        return render(
            request, "genealogy/lot.html", lot=one, account=account(session, lot.item), kin=kin_of(session, lot.item, lot.form == "panel"),
            holds=holds_shown(session, one.strip.stops, one.held),
            place=place_of_lot(session, lot.item), has_results=tested_in(session, lot) is not None, **sheet_values(request, [one], now),
        )  # fmt: skip


@router.get("/lots/{code}/sheet")
def lot_sheet(request: Request, who: Calling, code: str) -> Response:
    """The sheet alone, as it is printed."""
    with house_of(request).reading() as session:
        lot = session.get_one(Lot, resolve(session, code, "lot").id)
        now = clock.now()
        one = travellers(session, [lot], now)[0]
        return render(request, "genealogy/sheet.html", lots=[one], title=f"Traveller of lot {one.code}", **sheet_values(request, [one], now))


@router.get("/packs/{code}")
def pack_page(request: Request, who: Calling, code: str) -> Response:
    with house_of(request).reading() as session:
        named = resolve(session, code, "pack")
        shown, doings = pack_shown(session, named), doings_of_lots(session, {}, {named.id: []})[named.id]
    symbol = Markup(data_matrix(shown.code, f"Data Matrix of {shown.code}", 0.6))
    return render(request, "genealogy/pack.html", pack=shown, doings=doings, symbol=symbol, span=lambda begin, end: span(request, begin, end))

"""Plain pages of a wafer (what became of its dies) and of a panel (its marks, its dies, where it stands)."""

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.floor.wafer_account import panel_story, wafer_account
from app.naming.resolve import resolve
from app.people.callers import Calling
from app.web import house_of, render

router = APIRouter(include_in_schema=False)


@router.get("/wafers/{code}")
def wafer_page(request: Request, who: Calling, code: str) -> Response:
    with house_of(request).reading() as session:
        found = wafer_account(session, resolve(session, code, "wafer"))
    return render(request, "floor/wafer.html", wafer=found)


@router.get("/panels/{code}")
def panel_page(request: Request, who: Calling, code: str) -> Response:
    with house_of(request).reading() as session:
        found = panel_story(session, resolve(session, code, "panel"))
    return render(request, "floor/panel.html", panel=found)

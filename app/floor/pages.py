"""Pages of a wafer (its map and what became of its dies) and of a panel (its marks, its dies, where it stands)."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from functools import lru_cache
from typing import Annotated, Any

import numpy as np
from fastapi import Depends, Form, Query, Request
from fastapi.responses import RedirectResponse, Response
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from app.drawing.grid_frame import GridFrame
from app.drawing.grid_picture import Over, cut_out, paint
from app.errors import Refused, bad_input
from app.floor.die_list import DieLine, die_list
from app.floor.map_classes import highlighted, number_of
from app.floor.map_shown import Asked, close_up, close_up_frame, legend, neighbours, whole
from app.floor.panel_picture import MARKS, cell_list, panel_picture
from app.floor.reasons import offered_reasons
from app.floor.scrap import scrap_wafer
from app.floor.wafer_account import CellStory, cell_story, die_story, panel_story, wafer_account
from app.floor.wafer_picture import STATES, VIEWS, View, wafer_picture
from app.journal.act import By, act
from app.journal.actions import ACTIONS
from app.naming.resolve import resolve
from app.people.callers import Caller, Calling, page_router
from app.web.downloads import csv_file
from app.web.installation import house_of
from app.web.rendering import redirect, render

router = page_router()
Number = Annotated[int | None, Query(ge=-99_999, le=99_999)]
Pixel = Annotated[int, Query(ge=0, le=99_999)]
Key = Annotated[int, Query(ge=-1, le=99_999_999)]
Words = Annotated[str, Form(max_length=300)]
_PAGE = 200


def asked_of_wafer(view: View = "use", only: str = "", x: Number = None, y: Number = None) -> Asked:
    return Asked(view, only, x, y)


AskedOfWafer = Annotated[Asked, Depends(asked_of_wafer)]


@router.get("/wafers/{code}")
def wafer_page(request: Request, who: Calling, code: str, asked: AskedOfWafer) -> Response:
    return _wafer_page(request, who, code, asked)


@router.post("/wafers/{code}/scrap")
def scrap_wafer_now(request: Request, who: Calling, code: str, reason: Words = "", key: Words = "") -> Response:
    def verb(session: Session, by: By) -> dict[str, Any]:
        return {"count": scrap_wafer(session, by, resolve(session, code, "wafer").id, reason).id}

    try:
        act(house_of(request), who.actor, "scrap", {"thing": code, "reason": reason}, verb, key=key or None)
    except Refused as refusal:
        return _wafer_page(request, who, code, asked_of_wafer(), refusal)
    return redirect(request, "wafer_page", code=code)


def _wafer_page(request: Request, who: Caller, code: str, asked: Asked, refusal: Refused | None = None) -> Response:
    with house_of(request).reading() as session:
        named = resolve(session, code, "wafer")
        picture = wafer_picture(session, named, _view(asked))
        number_of(picture.classes, asked.only)  # a class that the map does not have is refused
        story = die_story(session, named, *asked.chosen) if asked.chosen else None
        account = wafer_account(session, named)
        reasons = offered_reasons(session, "scrap wafer")
    path = request.url_for("wafer_page", code=named.code).path
    return render(
        request, "floor/wafer.html", status=refusal.status if refusal else 200, refusal=refusal, wafer=account, reasons=reasons,
        may_scrap=bool(who.actor.duties & set(ACTIONS["scrap"].duties)), asked=asked, picture=picture, story=story, path_here=path,
        views=[(words, asked.query(view=view, only=None), view == asked.view) for view, words in VIEWS.items()],
        whole=whole(path, asked, picture.frame, picture.over), near=close_up(path, asked, picture.frame, picture.over),
        legend=legend(picture.classes, asked), every=asked.query(only=None), beside=neighbours(asked, picture.frame),
        state=_state_at(asked, picture.frame, picture.states), rest=asked.query(x=None, y=None),
    )  # fmt: skip


@router.get("/wafers/{code}/touched")
def touched_on_wafer(
    request: Request, who: Calling, code: str, asked: AskedOfWafer,
    at_x: Annotated[Pixel | None, Query(alias="at.x")] = None, at_y: Annotated[Pixel | None, Query(alias="at.y")] = None,
    near_x: Annotated[Pixel | None, Query(alias="near.x")] = None, near_y: Annotated[Pixel | None, Query(alias="near.y")] = None,
) -> Response:  # fmt: skip
    """The picture was touched at a pixel: on to the die there."""
    with house_of(request).reading() as session:
        named = resolve(session, code, "wafer")
        frame = wafer_picture(session, named, _view(asked)).frame
    part = close_up_frame(asked, frame)
    place = frame.place_at(at_x, at_y) if at_x is not None and at_y is not None else None
    if part and near_x is not None and near_y is not None:
        place = part.place_at(near_x, near_y)
    path = request.url_for("wafer_page", code=named.code).path
    return RedirectResponse(f"{path}{asked.at(place)}#chosen" if place else path + asked.query(), status_code=303)


@router.get("/wafers/{code}/chosen")
def chosen_on_wafer(request: Request, who: Calling, code: str, asked: AskedOfWafer) -> Response:
    """What the page says of a chosen die, alone: for the script."""
    if asked.chosen is None:
        raise bad_input("No die is chosen.", "x", "The address does not say which.", "Give its x and y.")
    with house_of(request).reading() as session:
        named = resolve(session, code, "wafer")
        picture = wafer_picture(session, named, _view(asked))
        story = die_story(session, named, *asked.chosen)
    path = request.url_for("wafer_page", code=named.code).path
    return render(
        request, "floor/_die.html", story=story, asked=asked, path_here=path,
        near=close_up(path, asked, picture.frame, picture.over), beside=neighbours(asked, picture.frame),
        state=_state_at(asked, picture.frame, picture.states),
    )  # fmt: skip


@router.get("/wafers/{code}/map.png")
def wafer_map_png(request: Request, who: Calling, code: str, asked: AskedOfWafer, close: str = "") -> Response:
    with house_of(request).reading() as session:
        picture = wafer_picture(session, resolve(session, code, "wafer"), _view(asked))
    keys, looks = highlighted(picture.keys, picture.classes, asked.only)
    part = close_up_frame(asked, picture.frame) if close else None
    drawn = paint(cut_out(keys, picture.frame, part), looks, part) if part else paint(keys, looks, picture.frame)
    return Response(drawn, media_type="image/png")


@router.get("/wafers/{code}/map.csv")
def wafer_map_csv(request: Request, who: Calling, code: str, asked: AskedOfWafer) -> Response:
    """The numbers of the legend."""
    with house_of(request).reading() as session:
        named = resolve(session, code, "wafer")
        picture = wafer_picture(session, named, _view(asked))
    rows = [(one.name, one.words, one.count) for one in picture.classes]
    return csv_file(f"{named.code}-map", ("class", "meaning", "dies"), rows)


@router.get("/wafers/{code}/dies")
def wafer_dies(request: Request, who: Calling, code: str, asked: AskedOfWafer, after: Key = -1) -> Response:
    with house_of(request).reading() as session:
        named = resolve(session, code, "wafer")
        picture = wafer_picture(session, named, _view(asked))
        lines = die_list(session, picture, asked.only, after, _PAGE)
    return render(
        request, "floor/dies.html", wafer=named, lines=lines[:_PAGE], path_here=request.url_for("wafer_page", code=named.code).path,
        next=asked.query(after=lines[_PAGE - 1].key) if len(lines) > _PAGE else None, first=asked.query() if after >= 0 else None,
        only=next((one.name for one in picture.classes if one.key == asked.only), ""), rest=asked.query(),
        every=[(one.name, asked.query(only=one.key), one.key == asked.only) for one in picture.classes], all=asked.query(only=None),
    )  # fmt: skip


@router.get("/wafers/{code}/dies.csv")
def wafer_dies_csv(request: Request, who: Calling, code: str, asked: AskedOfWafer) -> Response:
    with house_of(request).reading() as session:
        named = resolve(session, code, "wafer")
        lines = die_list(session, wafer_picture(session, named, _view(asked)), asked.only)
    head = ("wafer", "x", "y", "die bin", "state", "panel", "row", "column", "run", "run from (UTC)", "run to (UTC)")
    return csv_file(f"{named.code}-dies", head, (row for line in lines for row in _die_rows(named.code, line)))


def asked_of_panel(
    view: Annotated[str, Query(max_length=80)] = MARKS, only: Annotated[str, Query(max_length=200)] = "", column: Number = None, row: Number = None
) -> Asked:
    return Asked(view, only, column, row, ("column", "row"))


AskedOfPanel = Annotated[Asked, Depends(asked_of_panel)]


@router.get("/panels/{code}")
def panel_page(request: Request, who: Calling, code: str, asked: AskedOfPanel) -> Response:
    with house_of(request).reading() as session:
        named = resolve(session, code, "panel")
        picture = panel_picture(session, named, asked.view)
        number_of(picture.classes, asked.only)
        cell = cell_story(session, named, asked.y or 0, asked.x or 0) if asked.chosen else None
        found = panel_story(session, named)
    path = request.url_for("panel_page", code=named.code).path
    return render(
        request, "floor/panel.html", panel=found, asked=asked, picture=picture, cell=cell, path_here=path,
        views=[(_words_of(view), asked.query(view=view, only=None), view == picture.view) for view in picture.views],
        title=_words_of(picture.view), whole=whole(path, asked, picture.frame, Over(("column", "row"))), legend=legend(picture.classes, asked),
        every=asked.query(only=None), beside=neighbours(asked, picture.frame), rest=asked.query(column=None, row=None),
    )  # fmt: skip


@router.get("/panels/{code}/touched")
def touched_on_panel(
    request: Request, who: Calling, code: str, asked: AskedOfPanel,
    at_x: Annotated[Pixel, Query(alias="at.x")] = 0, at_y: Annotated[Pixel, Query(alias="at.y")] = 0,
) -> Response:  # fmt: skip
    """The picture was touched at a pixel: on to the cell there."""
    with house_of(request).reading() as session:
        named = resolve(session, code, "panel")
        place = panel_picture(session, named).frame.place_at(at_x, at_y)
    path = request.url_for("panel_page", code=named.code).path
    return RedirectResponse(f"{path}{asked.at(place)}#chosen" if place else path + asked.query(), status_code=303)


@router.get("/panels/{code}/chosen")
def chosen_on_panel(request: Request, who: Calling, code: str, asked: AskedOfPanel) -> Response:
    """What the page says of a chosen cell, alone: for the script."""
    with house_of(request).reading() as session:
        named = resolve(session, code, "panel")
        picture = panel_picture(session, named, asked.view)
        cell = cell_story(session, named, asked.y or 0, asked.x or 0)
    path = request.url_for("panel_page", code=named.code).path
    return render(request, "floor/_cell.html", cell=cell, path_here=path, beside=neighbours(asked, picture.frame))


@router.get("/panels/{code}/map.png")
def panel_map_png(request: Request, who: Calling, code: str, asked: AskedOfPanel) -> Response:
    with house_of(request).reading() as session:
        picture = panel_picture(session, resolve(session, code, "panel"), asked.view)
    keys, looks = highlighted(picture.keys, picture.classes, asked.only)
    return Response(paint(keys, looks, picture.frame), media_type="image/png")


@router.get("/panels/{code}/map.csv")
def panel_map_csv(request: Request, who: Calling, code: str, asked: AskedOfPanel) -> Response:
    """The numbers of the legend."""
    with house_of(request).reading() as session:
        picture = panel_picture(session, resolve(session, code, "panel"), asked.view)
    return csv_file(f"{picture.panel.code}-map", ("class", "meaning", "cells"), [(one.name, one.words, one.count) for one in picture.classes])


@router.get("/panels/{code}/cells")
def panel_cells(request: Request, who: Calling, code: str, asked: AskedOfPanel, after: Key = -1) -> Response:
    with house_of(request).reading() as session:
        picture = panel_picture(session, resolve(session, code, "panel"), asked.view)
        number = number_of(picture.classes, asked.only)
        found = [(key, cell) for key, cell in enumerate(cell_list(session, picture)) if not number or picture.keys.flat[key] == number]
    shown = [(key, cell) for key, cell in found if key > after][: _PAGE + 1]
    return render(
        request, "floor/cells.html", panel=picture.panel, cells=[cell for _, cell in shown[:_PAGE]],
        path_here=request.url_for("panel_page", code=picture.panel.code).path, rest=asked.query(),
        next=asked.query(after=shown[_PAGE - 1][0]) if len(shown) > _PAGE else None, first=asked.query() if after >= 0 else None,
        only=next((one.name for one in picture.classes if one.key == asked.only), ""), all=asked.query(only=None),
    )  # fmt: skip


@router.get("/panels/{code}/cells.csv")
def panel_cells_csv(request: Request, who: Calling, code: str) -> Response:
    with house_of(request).reading() as session:
        picture = panel_picture(session, resolve(session, code, "panel"))
        cells = cell_list(session, picture)
    head = ("panel", "row", "column", "marks", "role", "wafer", "x", "y", "die bin", "run", "run from (UTC)", "run to (UTC)")
    return csv_file(f"{picture.panel.code}-cells", head, (row for cell in cells for row in _cell_rows(cell)))


def _words_of(view: str) -> str:
    return "marks by reason" if view == MARKS else f"wafers of the {view} dies"


def _cell_rows(cell: CellStory) -> Iterable[Sequence[object]]:
    """A row a die; one row with empty columns for a cell without one."""
    first = (cell.panel, cell.row, cell.column, "; ".join(cell.marks))
    for die in cell.dies:
        yield (*first, die.placed_as, die.wafer, die.x, die.y, die.bin or "", die.run, _utc(die.started_at), _utc(die.ended_at))
    if not cell.dies:
        yield (*first, "", "", "", "", "", "", "", "")


def _view(asked: Asked) -> View:
    return "bin" if asked.view == "bin" else "use"


def _state_at(asked: Asked, frame: GridFrame, states: NDArray[np.uint8]) -> str:
    """The state of the chosen die by its name; empty where there is none."""
    place = frame.column_row(*asked.chosen) if asked.chosen else None
    number = int(states[place[1], place[0]]) if place else 0
    return STATES[number - 1] if number else ""


def _die_rows(wafer: str, line: DieLine) -> Iterable[Sequence[object]]:
    """A row a cell; one row with empty columns for a die that is on none."""
    first = (wafer, line.x, line.y, line.bin, line.state)
    for at in line.cells:
        yield (*first, at.panel, at.row, at.column, at.run, _utc(at.started_at), _utc(at.ended_at))
    if not line.cells:
        yield (*first, "", "", "", "", "", "")


@lru_cache(maxsize=4096)  # a hundred thousand dies share a few runs
def _utc(moment: datetime | None) -> str:
    return moment.isoformat() if moment else ""

"""Which dies are inside a pack: for each wafer its numbers and its picture, and every die as CSV."""

from typing import Annotated

from fastapi import Query, Request
from fastapi.responses import Response

from app.drawing.looks import swatch
from app.genealogy.dies_inside import LOOKS, WORDS, dies_inside, inside_picture, wafers_inside
from app.naming.resolve import resolve
from app.people.callers import Calling, page_router
from app.web.downloads import csv_file
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
ACode = Annotated[str, Query(max_length=80)]


@router.get("/packs/{code}/dies")
def pack_dies(request: Request, who: Calling, code: str, wafer: ACode = "") -> Response:
    """`wafer`: the one whose picture is shown; else the first that has a map and a log."""
    with house_of(request).walking() as session:
        pack = resolve(session, code, "pack")
        units, wafers = wafers_inside(session, pack)
        drawn = [one.wafer for one in wafers if one.has_map and one.is_logged]
        chosen = resolve(session, wafer or drawn[0], "wafer") if wafer or drawn else None
        picture = inside_picture(session, pack, chosen) if chosen else None
    legend = [(swatch(look), words) for look, words in zip(LOOKS, WORDS, strict=True)]
    return render(
        request, "genealogy/pack_dies.html", pack=pack.code, units=units, wafers=wafers, chosen=chosen.code if chosen else "", picture=picture,
        legend=legend,
    )  # fmt: skip


@router.get("/packs/{code}/dies/map.png")
def pack_dies_png(request: Request, who: Calling, code: str, wafer: ACode) -> Response:
    with house_of(request).walking() as session:
        picture = inside_picture(session, resolve(session, code, "pack"), resolve(session, wafer, "wafer"))
    return Response(picture.png(), media_type="image/png")


@router.get("/packs/{code}/dies.csv")
def pack_dies_csv(request: Request, who: Calling, code: str) -> Response:
    """Every die that can be inside, with the cell that it sat on."""
    with house_of(request).walking() as session:
        pack = resolve(session, code, "pack")
        rows = [(one.wafer, one.x, one.y, one.panel, one.row, one.column, "must" if one.must else "can") for one in dies_inside(session, pack)]
    return csv_file(f"{pack.code}-dies", ("wafer", "x", "y", "panel", "row", "column", "inside"), rows)

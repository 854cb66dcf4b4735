"""The catalogue's pages: what there is, kind by kind; load a file after seeing what it changes; approve and retire routes."""

import io
from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import File, Form, Request, UploadFile
from fastapi.responses import PlainTextResponse, Response
from sqlalchemy.orm import Session

from app.catalogue.approve import approve_route, retire_route, what_approval_changes
from app.catalogue.changes import changes, facts, in_words
from app.catalogue.definitions import THINGS, Part, Route
from app.catalogue.file import dump, read_catalogue
from app.catalogue.load import Change, as_json, digest_of_changes, load_file, what_would_change
from app.catalogue.queries import Defined, every, history, named, route_states, site, whole, with_id
from app.errors import Refused, not_allowed, unknown
from app.evidence.keep import Kept, keep_file, path_of, read_kept
from app.journal.act import By, act
from app.journal.actions import ACTIONS
from app.naming.resolve import code_of, codes_of
from app.people.callers import Caller, Calling, page_router
from app.people.doors import SEES_PEOPLE
from app.people.sign_in import check_signature
from app.web.fields import FormNumber, Number
from app.web.installation import house_of
from app.web.rendering import redirect, render

router = page_router()
Text = Annotated[str, Form(max_length=300)]
WORDS = {
    "product": "Products", "route": "Routes", "recipe": "Recipes", "station": "Stations", "part": "Material parts", "bin_table": "Bin tables",
    "reason": "Reasons", "customer": "Customers", "order": "Orders",
}  # fmt: skip
# what a list shows of each kind: heading -> field of the body, by path
COLUMNS: dict[str, tuple[tuple[str, str], ...]] = {
    "product": (("What", "description"), ("Bin table", "bin_table"), ("Units per reel", "units_per_reel"), ("Moisture level", "moisture_level")),
    "route": (("Product", "product"), ("Revision", "revision"), ("Steps", "steps (order)")),
    "recipe": (("Set point °C", "set_point_c"), ("From °C", "band_low_c"), ("To °C", "band_high_c"), ("Soak min", "soak_minutes")),
    "station": (("Area", "area"), ("Does", "operations"), ("Calibration due", "calibration_due")),
    "part": (("Kind", "kind"), ("What", "description"), ("Shelf life days", "shelf_life_days"), ("Pot life min", "pot_life_minutes")),
    "bin_table": (("Bins", "bins (order)"), ("Fits nowhere", "unbinned"), ("Failed", "failed")),
    "reason": (("Given for", "of"),),
    "customer": (("Supplier code there", "supplier_code"),),
    "order": (("Customer", "customer"), ("Product", "product"), ("Units", "units"), ("Due", "due")),
}  # fmt: skip
NUMBERS = ("units_per_reel", "set_point_c", "band_low_c", "band_high_c", "soak_minutes", "shelf_life_days", "pot_life_minutes", "units")
ABOUT = {
    "product": "Part numbers that are made here: the cells of a panel, the wafer part of each die, units per reel, moisture level.",
    "route": "A product's numbered list of steps, by revision. Lots start by the active one and keep the revision that they began by.",
    "recipe": "What an oven must do; a load is judged against the recipe that it began by.",
    "station": "Machines and benches: what each can do, where material is put on it, which sensor watches which shelf.",
    "part": "What is bought or mixed: its shelf life in days, and its pot life in minutes from opening.",
    "bin_table": "How tested units become bins: colour areas, ranks and failures, and the grade of each bin.",
    "reason": "Why cells are marked, units and wafers scrapped, samples taken, runs voided: no other is taken, where one is listed. Of holds, "
    "stations and short packs they are offered: what is wrong may need its own words.",
    "customer": "Who is delivered to, our number there, and their part numbers.",
    "order": "What was ordered, for whom, and when it is due.",
}


@router.get("/catalogue")
def catalogue_home(request: Request, who: Calling) -> Response:
    with house_of(request).reading() as session:
        states = route_states(session)
        kinds = [{"kind": kind, "words": words, "n": len(every(session, kind))} for kind, words in WORDS.items()]
        routes = [
            {"id": one.id, "name": one.name, "product": one.body.product, "state": states.get(one.id, "draft"), "steps": len(one.body.steps)}
            for one in every(session, "route")
        ]
        site_id = next((one.id for one in every(session, "site")), None)
        return render(request, "catalogue/home.html", site=site(session), site_id=site_id, kinds=kinds, routes=routes, may_load=_may_load(who))


@router.get("/catalogue/dump")
def catalogue_dump(request: Request, who: Calling) -> Response:
    with house_of(request).reading() as session:
        text = dump(session, with_people=who.has(*SEES_PEOPLE))
    return PlainTextResponse(text, media_type="application/toml", headers={"Content-Disposition": 'attachment; filename="catalogue.toml"'})


@router.get("/catalogue/load")
def catalogue_load_page(request: Request, who: Calling) -> Response:
    return render(request, "catalogue/load.html", refusal=None)


@router.post("/catalogue/load/look")
def catalogue_look(request: Request, who: Calling, file: Annotated[UploadFile, File()]) -> Response:
    """What a file would change. Its bytes are kept by their digest, so that what is loaded then is what was looked at."""
    house = house_of(request)
    known = ACTIONS["load_catalogue"]
    if not who.has(*known.duties):
        raise not_allowed(who.actor.name, known.words, known.duties)
    raw = file.file.read()
    try:
        with house.reading() as session:
            found = what_would_change(session, read_catalogue(raw, whole(session)))
    except Refused as refusal:
        return render(request, "catalogue/load.html", status=refusal.status, refusal=refusal)
    kept = keep_file(house, file.filename or "catalogue.toml", io.BytesIO(raw))
    kept.wait_for_disk()  # who loads it comes with its digest alone
    return _look_page(request, kept.digest, kept.name, found)


def _look_page(request: Request, digest: str, name: str, found: Sequence[Change], refusal: Refused | None = None) -> Response:
    return render(
        request, "catalogue/look.html", status=refusal.status if refusal else 200, changes=found, digest=digest, name=name, text="", title=name,
        shown=digest_of_changes(found), refusal=refusal,
    )  # fmt: skip


@router.post("/catalogue/load")
def catalogue_load_now(
    request: Request, who: Calling, digest: Text, name: Text = "catalogue.toml", shown: Text = "", password: Text = "", key: Text = "",
) -> Response:  # fmt: skip
    """Signed by whoever read what it changes; if that is not so any more, nothing is loaded."""
    house = house_of(request)
    raw = read_kept(house, digest)
    kept = Kept(digest, name[:200] or "catalogue.toml", len(raw), path_of(house, digest))
    with house.reading() as session:
        found = read_catalogue(raw, whole(session))

    def verb(session: Session, by: By) -> dict[str, Any]:
        return as_json(load_file(session, by, found, kept, shown))

    try:
        check_signature(house, who.person or 0, password, who.address)
        answer = act(house, who.actor, "load_catalogue", {"file": [kept.name, digest]}, verb, key=key or None, signed=True).body
    except Refused as refusal:
        with house.reading() as session:
            return _look_page(request, digest, kept.name, what_would_change(session, found), refusal)
    with house.reading() as session:
        request.app.state.zone = site(session).zone
    return redirect(request, "catalogue_home", said=_counted(answer["changes"]))


@router.get("/catalogue/of/{kind}")
def catalogue_kind(request: Request, who: Calling, kind: str) -> Response:
    if kind not in WORDS:
        raise unknown(kind, "a kind of the catalogue")
    with house_of(request).reading() as session:
        found = every(session, kind)
        codes = codes_of(session, kind, [one.id for one in found]) if kind in ("station", "order") else {}
        states = route_states(session)
        rows = [_row(one, codes, states) for one in found]
    heads = [(head, field in NUMBERS) for head, field in COLUMNS[kind]]
    return render(
        request, "catalogue/kind.html", words=WORDS[kind], kind=kind, heads=heads, rows=rows, coded=bool(codes), stated=kind == "route",
        may_edit=_may_load(who), about=ABOUT[kind],
    )  # fmt: skip


@router.get("/catalogue/thing/{thing}")
def catalogue_thing(request: Request, who: Calling, thing: Number) -> Response:
    with house_of(request).reading() as session:
        return _thing_page(request, session, who, with_id(session, thing))


@router.post("/catalogue/thing/{thing}/approve")
def approve_route_now(
    request: Request, who: Calling, thing: Number, seen: FormNumber, password: Text = "", key: Text = ""
) -> Response:
    route = _route(request, thing)

    def verb(session: Session, by: By) -> dict[str, Any]:
        return {"route": approve_route(session, by, route.body.product, route.body.revision, seen).name}

    return _signed(request, who, route, "approve_route", verb, password, key, f"{route.name} is active.", seen=seen)


@router.post("/catalogue/thing/{thing}/retire")
def retire_route_now(request: Request, who: Calling, thing: Number, password: Text = "", key: Text = "") -> Response:
    route = _route(request, thing)

    def verb(session: Session, by: By) -> dict[str, Any]:
        retire_route(session, by, route.body.product, route.body.revision)
        return {"route": route.name}

    return _signed(request, who, route, "retire_route", verb, password, key, f"{route.name} is retired.")


def _signed(
    request: Request, who: Caller, route: Defined[Route], action: str, verb: Any, password: str, key: str, said: str, **more: Any
) -> Response:
    """The act, signed by the person at the browser; a refusal draws the page again."""
    house = house_of(request)
    try:
        check_signature(house, who.person or 0, password, who.address)
        arguments = {"product": route.body.product, "revision": route.body.revision} | more
        act(house, who.actor, action, arguments, verb, key=key or None, signed=True)
    except Refused as refusal:
        with house.reading() as session:
            return _thing_page(request, session, who, with_id(session, route.id), refusal)
    return redirect(request, "catalogue_thing", said=said, thing=route.id)


def _thing_page(request: Request, session: Session, who: Caller, thing: Defined[Any], refusal: Refused | None = None) -> Response:
    pasts = history(session, thing.id)
    steps = [
        {"who": new.who, "at": new.at, "entry": new.entry, "fields": changes(old.body if old else None, new.body) if old else ()}
        for new, old in zip(pasts, [*pasts[1:], None], strict=True)
    ]
    shown: dict[str, Any] = {"thing": thing, "words": WORDS.get(thing.kind, "Site"), "history": steps, "refusal": refusal, "may_edit": _may_load(who)}
    shown["one"] = "Material part" if thing.kind == "part" else thing.kind.replace("_", " ").capitalize()
    if thing.kind != "route":
        code = code_of(session, thing.kind, thing.id) if thing.kind in ("station", "order") else None
        named_facts = [(in_words(path), text) for path, text in facts(thing.body)]
        return render(request, "catalogue/thing.html", **shown, facts=named_facts, code=code, status=refusal.status if refusal else 200)
    before, fields = what_approval_changes(session, thing)
    state = route_states(session).get(thing.id, "draft")
    return render(
        request, "catalogue/route.html", **shown, state=state, active=before, fields=fields, unable=_unable(session, thing.body),
        may_sign=who.has("engineer") and who.person is not None, recipes=_ids(session, "recipe"), parts=_ids(session, "part"),
        product=_ids(session, "product").get(thing.body.product), status=refusal.status if refusal else 200,
    )  # fmt: skip


def _ids(session: Session, kind: str) -> dict[str, int]:
    return {one.name: one.id for one in every(session, kind)}


def _unable(session: Session, route: Route) -> list[str]:
    """Operations of the route that no station does: worth knowing before signing, no reason to refuse."""
    able = {operation for station in every(session, "station") for operation in station.body.operations}
    return list(dict.fromkeys(step.operation for step in route.steps if step.operation not in able))


def _route(request: Request, thing: int) -> Defined[Route]:
    with house_of(request).reading() as session:
        found = with_id(session, thing)
        return found if found.kind == "route" else named(session, "route", found.name)


def _row(one: Defined[Any], codes: dict[int, str], states: dict[int, str]) -> dict[str, Any]:
    said = dict(facts(one.body))
    cells = [_cell(path, said.get(path, "")) for _, path in COLUMNS[one.kind]]
    if isinstance(one.body, Part) and one.body.role:
        cells[0] = f"{one.body.kind}, {one.body.role}"
    return {"id": one.id, "name": one.name, "code": codes.get(one.id), "state": states.get(one.id, "draft"), "cells": cells}


def _cell(field: str, text: str) -> str:
    return f"{int(text):,}" if field in NUMBERS and text.isdecimal() else text


def _counted(found: list[dict[str, Any]]) -> str:
    if not found:
        return "Nothing changed: the catalogue says so already."
    added = sum(one["what"] == "added" for one in found)
    return f"{added} added, {len(found) - added} changed."


def _may_load(who: Caller) -> bool:
    return who.has("engineer", "administer")


assert WORDS.keys() == THINGS.keys() == COLUMNS.keys() == ABOUT.keys()

"""Pages that answer from the record: find by any code, a thing's page, lots, packs, holds, traces, the journal."""

from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import not_allowed
from app.floor.moves import place_of
from app.floor.standing import standings
from app.genealogy.freed import units_freed
from app.holds.place import place_hold
from app.holds.release import release_hold
from app.holds.words import on_what
from app.journal.act import By, act
from app.journal.actions import ACTIONS
from app.journal.models import Entry
from app.ledger.items import Lot, Pack
from app.ledger.judgements import DISPOSITIONS
from app.ledger.places import Load
from app.ledger.stops import Hold
from app.naming.models import Code
from app.naming.resolve import Named, candidates, code_of, codes_of, resolve
from app.people.callers import Calling
from app.people.sign_in import check_signature
from app.web import check_form, house_of, redirect, render

router = APIRouter(include_in_schema=False)
Text = Annotated[str, Form(max_length=1000)]
_PAGE = 100
TRACED = ("wafer", "batch", "panel", "lot", "sample", "pack", "run")


@router.get("/")
def home(request: Request, who: Calling) -> Response:
    return render(request, "home.html", duties=sorted(who.actor.duties))


@router.get("/find")
def find(request: Request, who: Calling, code: str = "") -> Response:
    """By any code of ours, another's number, or the beginning of a code."""
    with house_of(request).reading() as session:
        found = candidates(session, code) if code.strip() else []
        if len(found) == 1:
            return RedirectResponse(request.url_for("thing", code=found[0].code).path, status_code=303)
        if not found and code.strip():
            start = code.strip().upper()
            rows = session.execute(select(Code.kind, Code.thing, Code.code).where(Code.code.startswith(start, autoescape=True)).limit(_PAGE))
            found = [Named(*row) for row in rows]
        return render(request, "genealogy/find.html", code=code, found=found)


@router.get("/things/{code}")
def thing(request: Request, who: Calling, code: str) -> Response:
    """The page of anything with a code."""
    with house_of(request).reading() as session:
        named = resolve(session, code)
        if named.kind == "lot":
            return RedirectResponse(request.url_for("lot_page", code=named.code).path, status_code=303)
        if named.kind == "hold":
            return RedirectResponse(request.url_for("hold_page", code=named.code).path, status_code=303)
        if named.kind == "load":
            run = session.get_one(Load, named.id).run
            if run:
                named = Named("run", run, code_of(session, "run", run))
        if named.kind not in TRACED:
            return render(request, "genealogy/find.html", code=code, found=[named])
    return RedirectResponse(request.url_for("trace_page", code=named.code).path, status_code=303)


@router.get("/lots")
def lots(request: Request, who: Calling, before: int | None = None) -> Response:
    with house_of(request).reading() as session:
        query = select(Lot).order_by(Lot.item.desc()).limit(_PAGE)
        rows = list(session.scalars(query.where(Lot.item < before) if before else query))
        codes = codes_of(session, "lot", [row.item for row in rows])
        products = catalogue.with_ids(session, list({row.product for row in rows}))
        stand = standings(session, rows)
        shown = [
            {
                "code": codes[row.item], "form": "panels" if row.form == "panel" else "loose units", "product": products[row.product].name,
                "bin": row.bin or "", "grade": row.grade or "", "stand": stand[row.item],
            }
            for row in rows
        ]  # fmt: skip
    return render(request, "genealogy/lots.html", rows=shown, more=rows[-1].item if len(rows) == _PAGE else None)


@router.get("/packs")
def packs(request: Request, who: Calling, before: int | None = None, date_code: str = "", part: str = "") -> Response:
    """All packs, or those of a date code and part number."""
    with house_of(request).reading() as session:
        query = select(Pack).order_by(Pack.item.desc()).limit(_PAGE)
        if before:
            query = query.where(Pack.item < before)
        if date_code:
            query = query.where(Pack.date_code == date_code)
        if part:
            query = query.where(Pack.part_number == part)
        rows = list(session.scalars(query))
        codes, places = codes_of(session, "pack", [row.item for row in rows]), place_of(session, [row.item for row in rows])
        shown = [
            {
                "code": codes[row.item], "form": row.form, "part": row.part_number, "bin": row.bin or "", "grade": row.grade,
                "units": row.units, "date_code": row.date_code or "", "where": str(places[row.item]),
            }
            for row in rows
        ]  # fmt: skip
    return render(request, "genealogy/packs.html", rows=shown, more=rows[-1].item if len(rows) == _PAGE else None, date_code=date_code, part=part)


@router.get("/holds")
def holds(request: Request, who: Calling) -> Response:
    with house_of(request).reading() as session:
        rows = list(session.scalars(select(Hold).order_by(Hold.closed_e.is_not(None), Hold.id.desc()).limit(_PAGE)))
        codes = codes_of(session, "hold", [row.id for row in rows])
        named = on_what(session, rows)
        shown = [
            {"code": codes[row.id], "on": named[row.id], "reason": row.reason, "in_force": row.closed_e is None, "automatic": row.automatic}
            for row in rows
        ]
    return render(request, "genealogy/holds.html", rows=shown)


@router.post("/holds")
def place_hold_now(request: Request, who: Calling, subject: Text, reason: Text, key: Text = "", form_token: Text = "") -> Response:
    check_form(request, form_token)

    def verb(session: Session, by: By) -> dict[str, Any]:
        return {"hold": code_of(session, "hold", place_hold(session, by, resolve(session, subject), reason).id)}

    answer = act(house_of(request), who.actor, "place_hold", {"subject": subject, "reason": reason}, verb, key=key or None)
    return redirect(request, "hold_page", code=answer.body["hold"], said="The hold is placed.")


@router.get("/holds/{code}")
def hold_page(request: Request, who: Calling, code: str) -> Response:
    with house_of(request).reading() as session:
        hold = session.get_one(Hold, resolve(session, code, "hold").id)
        freed = units_freed(session, hold, []) if hold.closed_e is None else 0
        entry = session.get_one(Entry, hold.e)
        return render(
            request, "genealogy/hold.html", code=code.upper(), hold=hold, freed=freed, dispositions=DISPOSITIONS, may=who.has("quality"),
            on=on_what(session, [hold])[hold.id], placed_at=entry.happened_at, placed_by=entry.actor_name,
        )  # fmt: skip


@router.post("/holds/{code}/release")
def release_now(
    request: Request, who: Calling, code: str, disposition: Text, words: Text, password: Text, items: Text = "", key: Text = "", form_token: Text = ""
) -> Response:
    check_form(request, form_token)
    if who.person is None:
        raise not_allowed(who.actor.name, "sign", ("quality",))
    check_signature(house_of(request), who.person, password, who.address)
    names = items.replace(",", " ").split()

    def verb(session: Session, by: By) -> dict[str, Any]:
        hold = session.get_one(Hold, resolve(session, code, "hold").id)
        chosen = [resolve(session, name) for name in names]
        freed = units_freed(session, hold, chosen)
        release_hold(session, by, hold, chosen, disposition, words, units_freed=freed)
        return {"freed": freed}

    arguments = {"hold": code, "items": names, "disposition": disposition, "words": words}
    answer = act(house_of(request), who.actor, "release_hold", arguments, verb, key=key or None, signed=True)
    return redirect(request, "hold_page", code=code, said=f"Released: {answer.body['freed']} units are free.")


@router.get("/journal")
def journal(request: Request, who: Calling, before: int | None = None) -> Response:
    """Who did what, when, in the words of the floor."""
    with house_of(request).reading() as session:
        query = select(Entry).order_by(Entry.id.desc()).limit(_PAGE)
        rows = list(session.scalars(query.where(Entry.id < before) if before else query))
        shown = [
            {
                "id": e.id,
                "at": e.recorded_at,
                "who": e.actor_name,
                "what": ACTIONS[e.action].words,
                "refused": e.outcome == "refused",
                "about": _about(e),
            }
            for e in rows
        ]
    return render(request, "genealogy/journal.html", rows=shown, more=rows[-1].id if len(rows) == _PAGE else None)


def _about(entry: Entry) -> str:
    """The codes and words that an entry's arguments name, in short."""
    parts = [f"{name} {value if isinstance(value, str) else ', '.join(map(str, value)) if isinstance(value, list) else value}"
             for name, value in entry.arguments.items() if name != "refused" and value not in (None, "", [], {})]  # fmt: skip
    return "; ".join(parts)[:200]

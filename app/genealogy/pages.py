"""The page of a hold: place it, see what it is on, release it by signature."""

from typing import Annotated, Any

from fastapi import Form, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from app.errors import Refused, not_allowed
from app.genealogy.freed import NOTHING, stopped_now, units_freed
from app.genealogy.held_now import HEAD, held_now
from app.holds.place import place_hold
from app.holds.release import named_to_release, release_hold
from app.holds.words import on_what
from app.journal.act import By, act
from app.journal.models import Entry
from app.ledger.judgements import DISPOSITIONS
from app.ledger.stops import Hold
from app.naming.resolve import code_of, resolve
from app.people.callers import Caller, Calling, page_router
from app.people.sign_in import check_signature
from app.several import codes_in
from app.web.downloads import csv_file
from app.web.installation import house_of
from app.web.rendering import redirect, render
from app.web.words import counted

router = page_router()
Text = Annotated[str, Form(max_length=1000)]
MOST = 20  # rows on the page; our choice


@router.post("/holds")
def place_hold_now(request: Request, who: Calling, subject: Text, reason: Text, key: Text = "") -> Response:
    def verb(session: Session, by: By) -> dict[str, Any]:
        return {"hold": code_of(session, "hold", place_hold(session, by, resolve(session, subject), reason).id)}

    answer = act(house_of(request), who.actor, "place_hold", {"subject": subject, "reason": reason}, verb, key=key or None)
    return redirect(request, "hold_page", code=answer.body["hold"], said="The hold is placed.")


@router.get("/holds/{code}")
def hold_page(request: Request, who: Calling, code: str) -> Response:
    return _page(request, who, code)


def _page(request: Request, who: Caller, code: str, refusal: Refused | None = None, **typed: str) -> Response:
    with house_of(request).reading() as session:
        hold = session.get_one(Hold, resolve(session, code, "hold").id)
        stopped = stopped_now(session, hold) if hold.closed_e is None else NOTHING
        held, entry = held_now(session, stopped), session.get_one(Entry, hold.e)
        return render(
            request, "genealogy/hold.html", code=code.upper(), hold=hold, dispositions=DISPOSITIONS, may=who.has("quality"),
            freed=stopped.freed, held=held[:MOST], total=len(held),
            on=on_what(session, [hold])[hold.id], placed_at=entry.happened_at, placed_by=entry.actor_name,
            status=refusal.status if refusal else 200, refusal=refusal, typed={"items": "", "disposition": "", "words": ""} | typed,
        )  # fmt: skip


@router.get("/holds/{code}/stopped.csv")
def stopped_file(request: Request, who: Calling, code: str) -> Response:
    """All that it stops now."""
    with house_of(request).reading() as session:
        hold = session.get_one(Hold, resolve(session, code, "hold").id)
        rows = [one.cells for one in held_now(session, stopped_now(session, hold) if hold.closed_e is None else NOTHING)]
    return csv_file(f"{code}-stopped", HEAD, rows)


@router.post("/holds/{code}/release")
def release_now(
    request: Request, who: Calling, code: str, disposition: Text, words: Text, password: Text, items: Text = "", key: Text = ""
) -> Response:
    """A refusal draws the page again with all that was typed but the password."""
    if who.person is None:
        raise not_allowed(who.actor.name, "sign", ("quality",))
    names = codes_in(items)

    def verb(session: Session, by: By) -> dict[str, Any]:
        hold = session.get_one(Hold, resolve(session, code, "hold").id)
        chosen = named_to_release(session, names)
        freed = units_freed(session, hold, chosen)
        release_hold(session, by, hold, chosen, disposition, words, units_freed=freed)
        return {"freed": freed}

    arguments = {"hold": code, "items": names, "disposition": disposition, "words": words}
    try:
        check_signature(house_of(request), who.person, password, who.address)
        answer = act(house_of(request), who.actor, "release_hold", arguments, verb, key=key or None, signed=True)
    except Refused as refusal:
        return _page(request, who, code, refusal, items=items, disposition=disposition, words=words)
    return redirect(request, "hold_page", code=code, said=f"Released: {counted(answer.body['freed'], 'unit')} free.")

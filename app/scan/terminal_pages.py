"""Pages: the floor terminals, each enrolled for a station area. One may stand there before its stations do; the page says so."""

from typing import Any

from fastapi import Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.journal.act import By, act
from app.naming.resolve import code_of, resolve
from app.people.callers import TERMINAL_COOKIE, Calling, cookie_of, page_router
from app.people.sign_in import terminal_of
from app.people.sign_in_pages import set_cookie
from app.people.terminals import enrol_terminal, enrolled, retire_terminal
from app.web.fields import Line
from app.web.installation import house_of
from app.web.rendering import redirect, render
from app.web.said import TAKE_CARE
from app.web.words import counted

router = page_router()


@router.get("/terminals")
def terminals(request: Request, who: Calling) -> Response:
    with house_of(request).reading() as session:
        found, areas = enrolled(session), catalogue.stations_by_area(session)
    return render(request, "scan/terminals.html", terminals=found, areas=areas, may=who.has("administer", "lead"))


@router.post("/terminals")
def enrol_now(request: Request, who: Calling, area: Line) -> Response:
    """This browser becomes a floor terminal: the secret stays in its cookie, in place of that of the terminal that it was."""
    secrets: list[str] = []

    def verb(session: Session, by: By) -> dict[str, Any]:
        before = terminal_of(session, cookie_of(request, TERMINAL_COOKIE))
        terminal, secret = enrol_terminal(session, by, area, instead_of=before)
        secrets[:] = [secret]
        at = catalogue.stations_by_area(session).get(terminal.area, 0)
        return {"terminal": code_of(session, "terminal", terminal.id), "stations": at, "before": before and code_of(session, "terminal", before)}

    done = act(house_of(request), who.actor, "enrol_terminal", {"area": area}, verb).body
    here = f"This browser is terminal {done['terminal']} of {area.strip()}"
    there = f"{here}, with {counted(done['stations'], 'station')}." if done["stations"] else f"{TAKE_CARE}{here}, but no station has that area yet."
    past = f" Terminal {done['before']}, which it was, is retired." if done["before"] else ""
    page = redirect(request, "terminals", said=f"{there}{past} Sign in again to work at it.")
    set_cookie(request, page, TERMINAL_COOKIE, secrets[0], max_age=400 * 86400)
    return page


@router.post("/terminals/{terminal}/retire")
def retire_now(request: Request, who: Calling, terminal: str, key: Line = "") -> Response:
    def verb(session: Session, by: By) -> dict[str, Any]:
        retire_terminal(session, by, resolve(session, terminal, "terminal").id)
        return {"done": True}

    act(house_of(request), who.actor, "retire_terminal", {"terminal": terminal}, verb, key=key or None)
    return redirect(request, "terminals", said=f"Terminal {terminal} is retired.")

"""Pages: one's own PIN, password and open sessions, and the choice of one's own where another gave the first."""

from typing import Any

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session

from app import clock
from app.db import House
from app.errors import NotAllowed, Reason, Refused, bad_input
from app.journal.act import By, act
from app.naming.resolve import code_of, resolve
from app.people.callers import SESSION_COOKIE, Caller, Calling, at_browser, cookie_of, own, page_router
from app.people.people import known_of
from app.people.second_factor import factor_of
from app.people.secrets import called, check_again, keep_secret, new_secret
from app.people.security import note
from app.people.sessions import end_all, end_session, end_sessions, open_sessions
from app.people.sign_in import FACTOR, begin_session, check_secret, digest, form_token
from app.people.sign_in_pages import set_cookie
from app.web.fields import Line
from app.web.installation import house_of
from app.web.rendering import redirect, render
from app.web.ways_back import here_only
from app.web.words import counted

router = page_router()


@router.get("/choose-secret")
def choose_secret(request: Request, who: Calling, next: str = "/") -> Response:
    """Where a session leads that a given PIN or password opened; others come from their own page."""
    return _choosing(request, who, next)


@router.post("/my-secret")
def my_secret(request: Request, who: Calling, kind: Line, old: Line, new: Line, again: Line = "", key: Line = "", next: Line = "") -> Response:
    """A new PIN or password of one's own, by the current password. All earlier sessions end; this browser gets a new one."""
    try:
        check_again(kind, new, again)
        _set_own(request, who, kind, old, new, key)
    except Refused as refusal:
        return _choosing(request, who, next, refusal, kind)
    house, terminal = house_of(request), who.session.terminal if who.session else None
    token = begin_session(house, own(who), terminal, browser=at_browser(request), must_choose=_lacks(house, own(who), terminal))
    request.state.form_token = form_token(token)
    if next:
        answer: Response = RedirectResponse(here_only(next), status_code=303)
    else:
        answer = redirect(request, "person_page", said=f"Your new {called(kind)} is set.", badge=_badge(request, who))
    set_cookie(request, answer, SESSION_COOKIE, token)
    return answer


def _set_own(request: Request, who: Caller, kind: str, old: str, new: str, key: str) -> None:
    house, person, must = house_of(request), own(who), _must(who)
    if must and kind != must:
        raise bad_input(f"Choose a {called(must)} first.", "kind", "It is the one that was given.", "Choose it here.")
    wrong = Reason("password", f"The current {called(must or 'password')} is wrong.", "Type the one you use now, then the new one.")
    check_secret(house, person, (must or "password",), old, who.address, NotAllowed(f"Your {called(kind)} stays as it is.", wrong))
    if new == old:
        raise bad_input(f"That is the current {called(must or 'password')}.", "new", "The new one must differ from it.", "Choose another.")
    with house.reading() as session:
        about = known_of(session, person)
    kept = new_secret(kind, new, about, cheap=house.settings.cheap_passwords)

    def verb(session: Session, by: By) -> dict[str, str]:
        keep_secret(session, by, person, kept, given=False)
        return {"set": kind}

    act(house, who.actor, "set_secret", {"kind": kind}, verb, key=key or None)
    note(house, "chose_secret", person=person, address=who.address)


@router.get("/sessions")
def sessions(request: Request, who: Calling) -> Response:
    """Where one is signed in now."""
    return _sessions(request, who)


@router.post("/sessions/end")
def end_now(request: Request, who: Calling, which: Line = "", secret: Line = "") -> Response:
    """`others`, or the handle of one, by the password, at a terminal the PIN: who finds a desk left open ends nobody's sessions.

    This very one is ended by signing out.
    """
    house, person, now = house_of(request), own(who), clock.now()
    try:
        kinds = ("pin", "password") if _at_terminal(who) else ("password",)
        wrong = Reason("password", f"The {'PIN or password' if _at_terminal(who) else 'password'} is wrong or missing.", "Give it once more.")
        check_secret(house, person, kinds, secret, who.address, NotAllowed("Nothing was ended.", wrong))
    except Refused as refusal:
        return _sessions(request, who, refusal, which)
    with house.writing() as session:
        if which == "others":
            end_sessions(session, person, now, keep=_this(request))
            said = "All your other sessions are ended."
        else:
            said = "That session is ended." if end_session(session, person, which, now) else "That session was over already."
    note(house, "ended_sessions", person=person, address=who.address)
    return redirect(request, "sessions", said=said)


@router.post("/people/{badge}/sessions/end")
def end_of_person(request: Request, who: Calling, badge: str, key: Line = "") -> Response:
    """An administrator ends all sessions of someone: a terminal left open, a lost badge, someone who has left."""

    def verb(session: Session, by: By) -> dict[str, int]:
        return {"ended": end_all(session, by, resolve(session, badge, "person").id)}

    ended = act(house_of(request), who.actor, "end_sessions", {"person": badge}, verb, key=key or None).body["ended"]
    return redirect(request, "person_page", said=f"Ended: {counted(ended, 'session')}.", badge=badge)


def _sessions(request: Request, who: Caller, refusal: Refused | None = None, which: str = "others") -> Response:
    with house_of(request).reading() as session:
        found = open_sessions(session, own(who), clock.now(), _this(request))
        badge = code_of(session, "person", own(who))
    values: dict[str, Any] = {"sessions": found, "others": sum(not one.is_this for one in found), "badge": badge, "which": which}
    status = refusal.status if refusal else 200
    return render(request, "people/sessions.html", status=status, refusal=refusal, at_terminal=_at_terminal(who), **values)


def _at_terminal(who: Caller) -> bool:
    return bool(who.session and who.session.terminal)


def _choosing(request: Request, who: Caller, next: str, refusal: Refused | None = None, kind: str = "") -> Response:
    must = _must(who)
    values: dict[str, Any] = {"must": must, "kind": must or kind or "password", "named": called(must or "password"), "next": next}
    values["at_terminal"] = _at_terminal(who)
    return render(request, "people/choose_secret.html", status=refusal.status if refusal else 200, refusal=refusal, **values)


def _must(who: Caller) -> str | None:
    return who.session.must_choose if who.session else None


def _lacks(house: House, person: int, terminal: int | None) -> str | None:
    """After a given password the second factor is next, where one is asked for."""
    with house.reading() as session:
        return FACTOR if house.settings.second_factor and terminal is None and factor_of(session, person) is None else None


def _this(request: Request) -> str:
    return digest(cookie_of(request, SESSION_COOKIE) or "")


def _badge(request: Request, who: Caller) -> str:
    with house_of(request).reading() as session:
        return code_of(session, "person", own(who))

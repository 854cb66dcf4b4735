"""Pages: people and what each may do, machines' tokens, and one's own PIN and password."""

from collections.abc import Callable
from datetime import date, datetime, time
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Form, Path, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from app import clock
from app.errors import Refused, bad_input, not_allowed
from app.journal.act import By, act
from app.naming.resolve import code_of, resolve
from app.people.callers import Caller, Calling, page_router
from app.people.people import DUTIES, Certified, add_person, change_certificate, everyone, known_of, set_duties
from app.people.second_factor import factor_of
from app.people.secrets import called, check_again, is_given, keep_secret, new_secret
from app.people.sessions import open_sessions
from app.people.tokens import make_token, revoke_token, tokens_in_force
from app.web.fields import Line
from app.web.installation import house_of, zone_of
from app.web.rendering import redirect, render

router = page_router()
Lines = Annotated[list[str], Form(default_factory=list, max_length=100)]


@router.post("/people")
def add_person_now(request: Request, who: Calling, name: Line, password: Line, duties: Lines, again: Line = "", key: Line = "") -> Response:
    def verb(session: Session, by: By) -> dict[str, str]:
        person = add_person(session, by, name, duties)
        keep_secret(session, by, person.id, new, given=True)
        return {"person": code_of(session, "person", person.id)}

    try:
        check_again("password", password, again)
        new = new_secret("password", password, (name,), cheap=house_of(request).settings.cheap_passwords)
        badge = _act(request, who, "add_person", {"name": name, "duties": duties}, verb, key)["person"]
    except Refused as refusal:
        values: dict[str, Any] = {"name": name, "chosen": duties, "duties": DUTIES}
        return render(request, "people/add.html", status=refusal.status, refusal=refusal, **values)
    said = f"{name} has badge {badge}, and chooses a password of their own at the first sign-in."
    return redirect(request, "person_page", said=said, badge=badge)


@router.get("/people/{badge}")
def person_page(request: Request, who: Calling, badge: str) -> Response:
    return _page(request, who, badge)


def _page(request: Request, who: Caller, badge: str, refusal: Refused | None = None, kind: str = "") -> Response:
    with house_of(request).reading() as session:
        person = everyone(session, resolve(session, badge, "person").id)[0]
        who.check_sees(person.id)
        sessions = open_sessions(session, person.id, clock.now()) if who.has("administer") else []
        given = [kind for kind in ("password", "pin") if who.has("administer") and is_given(session, person.id, kind)]
        has_factor = who.has("administer") and factor_of(session, person.id) is not None
    values: dict[str, Any] = {"person": person, "duties": DUTIES, "sessions": len(sessions), "given": given, "has_factor": has_factor}
    values |= {"refusal": refusal, "kind": kind, "status": refusal.status if refusal else 200}
    return render(request, "people/person.html", may=who.has("administer"), is_own=person.id == who.person, **values)


@router.post("/people/{badge}/duties")
def change_duties(request: Request, who: Calling, badge: str, duties: Lines, key: Line = "") -> Response:
    def verb(session: Session, by: By) -> dict[str, bool]:
        return {"changed": set_duties(session, by, resolve(session, badge, "person").id, duties)}

    _act(request, who, "change_person", {"person": badge, "duties": duties}, verb, key)
    return redirect(request, "person_page", said=f"Duties now: {', '.join(duties) or 'none, so they cannot sign in'}.", badge=badge)


@router.post("/people/{badge}/certificates")
def change_certificates(request: Request, who: Calling, badge: str, name: Line, until: Line = "", end: Line = "", key: Line = "") -> Response:
    """A certificate given, or given until another day, or ended."""
    day = _end_of(request, until)

    def verb(session: Session, by: By) -> dict[str, bool]:
        person = resolve(session, badge, "person").id
        return {"changed": change_certificate(session, by, person, Certified(name.strip(), day), end=bool(end))}

    if not name.strip():
        raise bad_input("A certificate needs a name.", "name", "It is empty.", "Name it as the stations and steps do.")
    _act(request, who, "change_person", {"person": badge, "certificate": name, "until": until, "end": bool(end)}, verb, key)
    return redirect(request, "person_page", said=f"{name} {'ended' if end else 'is recorded'}.", badge=badge)


@router.post("/people/{badge}/secret")
def give_secret(request: Request, who: Calling, badge: str, kind: Line, new: Line, again: Line = "", key: Line = "") -> Response:
    """An administrator gives a new PIN or password to someone who forgot theirs. One's own is chosen, never given: it asks for the current one."""
    with house_of(request).reading() as session:
        about = known_of(session, resolve(session, badge, "person").id)

    def verb(session: Session, by: By) -> dict[str, str]:
        keep_secret(session, by, resolve(session, badge, "person").id, kept, given=True)
        return {"set": kind}

    try:
        check_again(kind, new, again)
        kept = new_secret(kind, new, about, cheap=house_of(request).settings.cheap_passwords)
        _act(request, who, "give_secret", {"person": badge, "kind": kind}, verb, key)
    except Refused as refusal:
        return _page(request, who, badge, refusal, kind)
    return redirect(request, "person_page", said=f"The new {called(kind)} is set. Its owner chooses another at the first sign-in.", badge=badge)


@router.get("/tokens")
def tokens(request: Request, who: Calling) -> Response:
    if not who.has("administer"):
        raise not_allowed(who.actor.name, "see the tokens of machines", ("administer",))
    with house_of(request).reading() as session:
        return render(request, "people/tokens.html", tokens=tokens_in_force(session), duties=DUTIES)


@router.post("/tokens")
def new_token(request: Request, who: Calling, name: Line, duties: Lines, until: Line = "", facts: Line = "") -> Response:
    """No key: a token that nobody saw is of no use, so a repeat makes another."""
    secrets: list[str] = []
    day = _end_of(request, until)

    def verb(session: Session, by: By) -> dict[str, int]:
        token, secret = make_token(session, by, name, tuple(duties), day, may_state_facts=bool(facts))
        secrets[:] = [secret]
        return {"token": token.id}

    _act(request, who, "make_token", {"name": name, "duties": duties, "until": until, "may_state_facts": bool(facts)}, verb)
    return render(request, "people/token.html", name=name, secret=secrets[0])


@router.post("/tokens/{token}/revoke")
def revoke_now(request: Request, who: Calling, token: Annotated[int, Path(ge=1, lt=2**63)], key: Line = "") -> Response:
    _act(request, who, "revoke_token", {"token": token}, _done(lambda s, by: revoke_token(s, by, token)), key)
    return redirect(request, "tokens", said="The token is revoked.")


def _act(request: Request, who: Caller, action: str, arguments: dict[str, Any], verb: Callable[[Session, By], Any], key: str = "") -> dict[str, Any]:
    return act(house_of(request), who.actor, action, arguments, verb, key=key or None).body


def _done(verb: Callable[[Session, By], None]) -> Callable[[Session, By], dict[str, bool]]:
    def once(session: Session, by: By) -> dict[str, bool]:
        verb(session, by)
        return {"done": True}

    return once


def _end_of(request: Request, day: str) -> datetime | None:
    """The last moment of a day in the site's zone."""
    if not day:
        return None
    try:
        return datetime.combine(date.fromisoformat(day), time.max, ZoneInfo(zone_of(request)))
    except ValueError as error:
        raise bad_input("That is not a date.", "until", f"{day!r} can't be read as one.", "Like 2027-03-31.") from error

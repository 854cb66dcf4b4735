"""Sign in and out, the first administrator, people, terminals and tokens."""

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import Refused, not_allowed
from app.journal.act import By, act
from app.naming.resolve import code_of, codes_of
from app.people import first_run
from app.people.callers import SESSION_COOKIE, TERMINAL_COOKIE, Caller, Calling
from app.people.models import Person, Terminal, Token
from app.people.people import DUTIES, add_person, duties_of, set_duties
from app.people.secrets import set_secret
from app.people.sign_in import check_signature, sign_in, sign_out
from app.people.terminals import enrol_terminal, retire_terminal
from app.people.tokens import make_token, revoke_token
from app.web import check_form, house_of, redirect, render

router = APIRouter(include_in_schema=False)
Text = Annotated[str, Form(max_length=200)]


@router.get("/sign-in")
def sign_in_page(request: Request, next: str = "/") -> Response:
    return render(request, "people/sign_in.html", next=next, refusal=None, badge="", at_terminal=bool(request.cookies.get(TERMINAL_COOKIE)))


@router.post("/sign-in")
def sign_in_now(request: Request, badge: Text, secret: Text, next: Text = "/") -> Response:
    house, terminal = house_of(request), request.cookies.get(TERMINAL_COOKIE)
    try:
        token = sign_in(
            house, badge, secret, terminal=terminal, address=request.client.host if request.client else "", before=request.cookies.get(SESSION_COOKIE)
        )
    except Refused as refusal:
        return render(request, "people/sign_in.html", status=refusal.status, next=next, refusal=refusal, badge=badge, at_terminal=bool(terminal))
    answer = RedirectResponse(next if next.startswith("/") and not next.startswith("//") else "/", status_code=303)
    answer.set_cookie(SESSION_COOKIE, token, httponly=True, samesite="lax", secure=request.url.scheme == "https", path="/")
    return answer


@router.post("/sign-out")
def sign_out_now(request: Request, who: Calling, form_token: Text = "") -> Response:
    check_form(request, form_token)
    sign_out(house_of(request), request.cookies[SESSION_COOKIE])
    answer = redirect(request, "sign_in_page")
    answer.delete_cookie(SESSION_COOKIE, path="/")
    return answer


@router.get("/first/{secret}")
def first_page(request: Request, secret: str) -> Response:
    first_run.check(house_of(request), secret)
    return render(request, "people/first.html", secret=secret)


@router.post("/first/{secret}")
def make_first(request: Request, secret: str, name: Text, password: Text) -> Response:
    code = first_run.make_administrator(house_of(request), secret, name, password)
    return redirect(request, "sign_in_page", said=f"Your badge code is {code}. Sign in with it.")


@router.get("/people")
def people(request: Request, who: Calling) -> Response:
    with house_of(request).reading() as session:
        everyone = list(session.scalars(select(Person).order_by(Person.name, Person.id)))
        badges = codes_of(session, "person", [person.id for person in everyone])
        rows = [{"name": p.name, "badge": badges[p.id], "duties": ", ".join(sorted(duties_of(session, p.id)))} for p in everyone]
        terminals = list(session.scalars(select(Terminal).where(Terminal.closed_e.is_(None)).order_by(Terminal.id)))
        places = [{"id": t.id, "code": code_of(session, "terminal", t.id), "area": t.area} for t in terminals]
        tokens = [
            {"id": t.id, "name": t.name, "duties": t.duties, "valid_until": t.valid_until}
            for t in session.scalars(select(Token).where(Token.closed_e.is_(None)).order_by(Token.id))
        ]
    return render(request, "people/people.html", rows=rows, terminals=places, tokens=tokens, duties=DUTIES, may=who.has("administer"), secret=None)


@router.post("/people")
def add_person_now(
    request: Request, who: Calling, name: Text, password: Text, duties: Annotated[list[str], Form()], form_token: Text = ""
) -> Response:
    check_form(request, form_token)
    cheap = house_of(request).settings.cheap_passwords

    def verb(session: Session, by: By) -> dict[str, str]:
        person = add_person(session, by, name, duties)
        set_secret(session, by, person.id, "password", password, cheap=cheap)
        return {"person": code_of(session, "person", person.id)}

    answer = act(house_of(request), who.actor, "add_person", {"name": name, "duties": duties}, verb)
    return redirect(request, "people", said=f"{name} has badge {answer.body['person']}.")


@router.post("/people/{badge}/duties")
def change_duties(request: Request, who: Calling, badge: str, duties: Annotated[list[str], Form()], form_token: Text = "") -> Response:
    check_form(request, form_token)

    def verb(session: Session, by: By) -> dict[str, bool]:
        person = first_run.person_with(session, badge)
        return {"changed": set_duties(session, by, person, duties)}

    act(house_of(request), who.actor, "change_person", {"person": badge, "duties": duties}, verb)
    return redirect(request, "people", said=f"{badge} now may: {', '.join(duties)}.")


@router.post("/my-secret")
def my_secret(request: Request, who: Calling, kind: Text, old: Text, new: Text, form_token: Text = "") -> Response:
    """A person sets a new PIN or password with the password of now."""
    check_form(request, form_token)
    person = _person(who)
    check_signature(house_of(request), person, old, who.address)
    cheap = house_of(request).settings.cheap_passwords

    def verb(session: Session, by: By) -> dict[str, str]:
        set_secret(session, by, person, kind, new, cheap=cheap)
        return {"set": kind}

    act(house_of(request), who.actor, "set_secret", {"kind": kind}, verb)
    return redirect(request, "people", said=f"Your new {kind} is set.")


@router.post("/terminals")
def enrol_now(request: Request, who: Calling, area: Text, form_token: Text = "") -> Response:
    """This browser becomes a floor terminal: the secret stays in its cookie."""
    check_form(request, form_token)
    secrets: list[str] = []

    def verb(session: Session, by: By) -> dict[str, str]:
        terminal, secret = enrol_terminal(session, by, area)
        secrets[:] = [secret]
        return {"terminal": code_of(session, "terminal", terminal.id)}

    answer = act(house_of(request), who.actor, "enrol_terminal", {"area": area}, verb)
    page = redirect(request, "people", said=f"This browser is terminal {answer.body['terminal']} of {area}.")
    page.set_cookie(TERMINAL_COOKIE, secrets[0], httponly=True, samesite="lax", max_age=400 * 86400, secure=request.url.scheme == "https", path="/")
    return page


@router.post("/terminals/{terminal}/retire")
def retire_now(request: Request, who: Calling, terminal: int, form_token: Text = "") -> Response:
    check_form(request, form_token)
    act(house_of(request), who.actor, "retire_terminal", {"terminal": terminal}, _done(lambda s, by: retire_terminal(s, by, terminal)))
    return redirect(request, "people", said="The terminal is retired.")


@router.post("/tokens")
def new_token(request: Request, who: Calling, name: Text, duties: Annotated[list[str], Form()], facts: Text = "", form_token: Text = "") -> Response:
    check_form(request, form_token)
    secrets: list[str] = []

    def verb(session: Session, by: By) -> dict[str, int]:
        token, secret = make_token(session, by, name, tuple(duties), may_state_facts=bool(facts))
        secrets[:] = [secret]
        return {"token": token.id}

    act(house_of(request), who.actor, "make_token", {"name": name, "duties": duties, "may_state_facts": bool(facts)}, verb)
    return render(request, "people/token.html", name=name, secret=secrets[0])


@router.post("/tokens/{token}/revoke")
def revoke_now(request: Request, who: Calling, token: int, form_token: Text = "") -> Response:
    check_form(request, form_token)
    act(house_of(request), who.actor, "revoke_token", {"token": token}, _done(lambda s, by: revoke_token(s, by, token)))
    return redirect(request, "people", said="The token is revoked.")


def _done(verb: Callable[[Session, By], None]) -> Callable[[Session, By], dict[str, bool]]:
    def once(session: Session, by: By) -> dict[str, bool]:
        verb(session, by)
        return {"done": True}

    return once


def _person(who: Caller) -> int:
    if who.person is None:
        raise not_allowed(who.actor.name, "set a password", ("operate",))
    return who.person

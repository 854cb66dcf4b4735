"""Who is calling: a person by the cookie of a session, or a machine by its bearer token."""

import re
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Request

from app import clock
from app.errors import CRAFTED, NotAllowed, Reason, Refused, not_allowed
from app.journal.act import Actor
from app.people import tokens
from app.people.doors import SEES_PEOPLE, check_door
from app.people.people import DUTIES
from app.people.secrets import called
from app.people.security import note
from app.people.sessions import browser_of
from app.people.sign_in import FACTOR, Browser, SignedIn, signed_in
from app.web.forgery import check_form
from app.web.installation import house_of
from app.web.late_routes import LateRoute

SESSION_COOKIE = "reelroot_session"
TERMINAL_COOKIE = "reelroot_terminal"
_A_SESSION = re.compile("([A-Za-z0-9_-]{43})?")  # one that ended is anybody's; what never was one is in no browser
# what pages ask for again and again while nobody touches them; without JavaScript the board loads itself anew, and says so in its address
_BY_ITSELF = frozenset({"/board/now", "/board/changes", "/paper/here"})
# all that is open to a session that a given PIN or password opened, or that lacks a second factor
_TO_CHOOSE = {"pin": ("/choose-secret", "/my-secret"), "password": ("/choose-secret", "/my-secret"), FACTOR: ("/second-factor",)}


@dataclass(frozen=True)
class Caller:
    """`person` is None for a machine. `address` is for throttling."""

    actor: Actor
    person: int | None
    may_state_facts: bool
    address: str
    session: SignedIn | None = None

    @property
    def area(self) -> str | None:
        return self.session.area if self.session else None

    def has(self, *duties: str) -> bool:
        return bool(self.actor.duties & set(duties))

    def sees(self, person: int) -> bool:
        """One's own page, and others' for who plans and trains: a person's duties and certificates are nobody else's business."""
        return person == self.person or self.has(*SEES_PEOPLE)

    def check_sees(self, person: int) -> None:
        if not self.sees(person):
            raise not_allowed(self.actor.name, "see the page of another person", SEES_PEOPLE)


def maybe_caller(request: Request) -> Caller | None:
    """Who asks, by token or cookie, if anyone does. A page's token for forms is put on the request."""
    house, address = house_of(request), address_of(request)
    if (secret := _token_sent(request)) is not None:  # a token that is not in force is nobody, whatever cookie comes with it
        with house.reading() as session:
            machine = tokens.bearer_of(session, secret, clock.now())
        return Caller(machine.actor, None, machine.may_state_facts, address) if machine else None
    found = signed_in(house, cookie_of(request, SESSION_COOKIE), by_itself=_asks_by_itself(request))
    if found is None:
        return None
    request.state.form_token, request.state.person = found.form_token, found.person
    request.state.person_name = None if found.must_choose else found.name  # its owner has nowhere to go yet
    return Caller(Actor("person", found.person, found.name, found.duties), found.person, "lead" in found.duties, address, found)


def _token_sent(request: Request) -> str | None:
    bearer = request.headers.get("authorization", "")
    return bearer[7:].strip() if bearer.lower().startswith("bearer ") else None


def _asks_by_itself(request: Request) -> bool:
    route = request.scope.get("route")
    return route is not None and (route.path in _BY_ITSELF or (route.path == "/board" and "renewed" in request.query_params))


def caller(request: Request) -> Caller:
    """Who asks. Whoever still has a secret that was given, or lacks a second factor, gets no further than to the page that mends it."""
    found = maybe_caller(request)
    if found is None:
        raise NotSignedIn(with_token=_token_sent(request) is not None)
    must = found.session.must_choose if found.session else None
    if must and request.scope["route"].path not in _TO_CHOOSE[must]:
        raise LacksFactor if must == FACTOR else MustChoose(must)
    return found


def cookie_of(request: Request, name: str) -> str | None:
    return request.cookies.get(spelled(request, name))


def spelled(request: Request, name: str) -> str:
    """Over HTTPS in a name that a browser takes from this very host by HTTPS only (RFC 6265bis, 4.1.3.2)."""
    return f"__Host-{name}" if request.url.scheme == "https" else name


def address_of(request: Request) -> str:
    return request.client.host if request.client else ""


def at_browser(request: Request) -> Browser:
    return Browser(address_of(request), browser_of(request.headers.get("user-agent", "")))


def note_refused(request: Request, refusal: Refused) -> None:
    """What weighs of what was refused: what says so itself, a token that is not in force, a cookie that was never ours, want of a duty."""
    kind = refusal.event or (
        "unknown_token" if refusal.status == 401 and request.headers.get("authorization")
        else CRAFTED if refusal.status == 401 and not _A_SESSION.fullmatch(cookie_of(request, SESSION_COOKIE) or "")
        else "not_allowed" if refusal.kind == "duty" and refusal.status == 403
        else ""
    )  # fmt: skip
    if kind:
        note_tried(request, kind)


def note_tried(request: Request, kind: str) -> None:
    """Of one request each kind counts once, in however many of its places it shows."""
    noted: set[str] = request.scope.setdefault("state", {}).setdefault("tried", set())
    if kind not in noted:
        noted.add(kind)
        note(house_of(request), kind, person=getattr(request.state, "person", None), address=address_of(request))


class NotSignedIn(NotAllowed):
    """A page sends to the sign-in; a call of the API answers 401."""

    def __init__(self, *, with_token: bool = False) -> None:
        why, now = "This needs a person or a machine's token.", "Sign in, or send a token."
        if with_token:
            why, now = "The token that was sent is not in force: unknown, revoked, or past its end.", "Ask an administrator for another."
        super().__init__("You are not signed in.", Reason("duty", why, now))

    leads_to = "sign_in_page"

    @property
    def status(self) -> int:
        return 401


class MustChoose(NotAllowed):
    """Whoever gave it knows it: until its owner has chosen one, all that was done would be done by either."""

    leads_to = "choose_secret"

    def __init__(self, kind: str) -> None:
        why = Reason("password", "The one you have was given to you by someone else.", "Sign in at a page and choose one.")
        super().__init__(f"Choose your own {called(kind)} first.", why)


class LacksFactor(NotAllowed):
    """Where the settings ask everyone at a desk for one."""

    leads_to = "second_factor"

    def __init__(self) -> None:
        why = Reason("password", "At a desk here a password alone is not enough.", "Sign in at a page and set up your second factor.")
        super().__init__("Set up a second factor first.", why)


def own(who: Caller) -> int:
    """The person who calls: a machine has neither sessions nor secrets of its own."""
    if who.person is None:
        raise not_allowed(who.actor.name, "have sessions or a password", DUTIES)
    return who.person


Calling = Annotated[Caller, Depends(caller)]


async def form_is_ours(request: Request, who: Calling) -> None:
    """Before any page: its door must be open to this caller, and a form must be one that this very session was given."""
    check_door(request, who.actor)
    if request.method == "POST":
        token = (await request.form()).get("form_token")
        check_form(request, token if isinstance(token, str) else None)


def page_router() -> APIRouter:
    """For a room's pages: none of them is reached past `form_is_ours`."""
    return APIRouter(include_in_schema=False, dependencies=[Depends(form_is_ours)], route_class=LateRoute)

"""Pages: setting up one's second factor, and ending that of someone whose device is lost."""

from typing import Any

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from markupsafe import Markup
from sqlalchemy.orm import Session

from app import clock
from app.db import House
from app.drawing.symbols import qr
from app.errors import NotAllowed, Reason, Refused, bad_input
from app.journal.act import By, act
from app.journal.models import Entry
from app.naming.resolve import code_of, resolve
from app.people.callers import SESSION_COOKIE, Caller, Calling, at_browser, cookie_of, own, page_router
from app.people.models import SignIn
from app.people.second_factor import address_of, end_factor, factor_of, new_seed, set_factor, step_of, use_code
from app.people.security import note
from app.people.sign_in import begin_session, check_secret, digest, form_token
from app.people.sign_in_pages import set_cookie
from app.web.fields import Line
from app.web.installation import house_of
from app.web.rendering import redirect, render
from app.web.ways_back import here_only

_SCREEN_MM = 1.0  # a module: a camera reads it from a screen at arm's length
router = page_router()


@router.get("/second-factor")
def second_factor(request: Request, who: Calling, next: str = "") -> Response:
    return _page(request, who, new_seed(), next)


@router.post("/second-factor")
def set_up(request: Request, who: Calling, seed: Line, code: Line, password: Line, key: Line = "", next: Line = "") -> Response:
    """By the password, and a code of the device that shows that it holds the seed. This browser gets a new session."""
    house, person = house_of(request), own(who)
    try:
        if len(seed) != 32 or set(seed) - set("ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"):
            raise bad_input("That is not a seed.", "seed", "It is not the one this page showed.", "Open the page again.")
        _must_have_shown_the_one_before(house, who, cookie_of(request, SESSION_COOKIE) or "")
        wrong = NotAllowed("Nothing was set up.", Reason("password", "The password is wrong.", "Give your password."))
        check_secret(house, person, ("password",), password, who.address, wrong)
        if step_of(seed, code, clock.now()) is None:
            why = "The code is not that of this seed and half minute."
            raise bad_input("Nothing was set up.", "code", why, "See that the device's clock is right, and type the code that it shows now.")

        def verb(session: Session, by: By) -> dict[str, bool]:
            set_factor(session, by, person, seed)
            return {"set": True}

        act(house, who.actor, "set_second_factor", {}, verb, key=key or None)
    except Refused as refusal:
        return _page(request, who, seed, next, refusal)
    use_code(house, person, code, clock.now())  # so that who saw it typed can't sign in with it
    note(house, "set_factor", person=person, address=who.address)
    before = cookie_of(request, SESSION_COOKIE)
    token = begin_session(house, person, who.session.terminal if who.session else None, before=before, browser=at_browser(request))
    request.state.form_token = form_token(token)
    answer = RedirectResponse(here_only(next), status_code=303) if next else redirect(request, "sessions", said="Your second factor is set up.")
    set_cookie(request, answer, SESSION_COOKIE, token)
    return answer


def _must_have_shown_the_one_before(house: House, who: Caller, token: str) -> None:
    """Who knows a password only could put a device of their own in its place, and sign in at any desk: the owner could not any more.

    A floor terminal does not ask for its code, nor did a desk before it was set up.
    """
    with house.reading() as session:
        factor = factor_of(session, own(who))
        if factor is None:
            return
        why, now = "You have a second factor, and {} did not ask for its code.", "Sign in at a desk with it."
        if who.session and who.session.terminal:
            reason = Reason("password", why.format("a terminal"), now)
            raise NotAllowed("The second factor is not replaced from a floor terminal.", reason)
        begun, set_up_at = session.get_one(SignIn, digest(token)).begun_at, session.get_one(Entry, factor.e).recorded_at
        if begun < set_up_at:
            reason = Reason("password", why.format("this session, which began before it was set up,"), now)
            raise NotAllowed("The second factor is not replaced from here.", reason)


@router.post("/people/{badge}/second-factor/end")
def end_now_of(request: Request, who: Calling, badge: str, key: Line = "") -> Response:
    """Its owner lost the device, and sets another up at the next sign-in, if one is asked for."""

    def verb(session: Session, by: By) -> dict[str, str]:
        end_factor(session, by, resolve(session, badge, "person").id)
        return {"person": badge}

    act(house_of(request), who.actor, "end_second_factor", {"person": badge}, verb, key=key or None)
    return redirect(request, "person_page", said="The second factor is ended.", badge=badge)


def _page(request: Request, who: Caller, seed: str, next: str, refusal: Refused | None = None) -> Response:
    with house_of(request).reading() as session:
        badge, has = code_of(session, "person", own(who)), factor_of(session, own(who)) is not None
    must = bool(who.session and who.session.must_choose)
    values: dict[str, Any] = {"seed": seed, "has": has, "must": must, "next": next, "refusal": refusal}
    is_seed = len(seed) == 32 and seed.isalnum()
    values |= {"symbol": Markup(qr(address_of(seed, badge), "The seed, as a QR code", _SCREEN_MM)) if is_seed else "", "badge": badge}
    return render(request, "people/second_factor.html", status=refusal.status if refusal else 200, **values)

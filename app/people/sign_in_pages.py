"""The pages that need no one to be signed in: sign in and out, and the link that makes the first administrator."""

from typing import Annotated, Any, cast

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from app.errors import NotFound, Refused
from app.people import first_run
from app.people.callers import SESSION_COOKIE, TERMINAL_COOKIE, at_browser, cookie_of, maybe_caller, spelled
from app.people.kept_forms import MOST, kept, kept_for
from app.people.people import there_is_an_administrator
from app.people.secrets import check_again
from app.people.security import note
from app.people.sign_in import is_terminal, reopen, sign_in, sign_out, signed_in
from app.web.fields import Line
from app.web.forgery import check_form
from app.web.installation import house_of
from app.web.late_routes import LateRoute
from app.web.refusals import refused
from app.web.rendering import redirect, render
from app.web.said import BADGE_IS
from app.web.ways_back import here_only, page_left

router = APIRouter(include_in_schema=False, route_class=LateRoute)
Carried = Annotated[str, Form(alias="kept", max_length=MOST)]


@router.get("/sign-in")
def sign_in_page(request: Request, next: str = "/", badge: str = "") -> Response:
    return _page(request, next, badge=badge[:80])


@router.post("/sign-in")
def sign_in_now(request: Request, badge: Line, secret: Line = "", code: Line = "", next: Line = "/", carried: Carried = "") -> Response:
    """At a terminal the badge is scanned first, and may be enough; else the PIN is asked for."""
    house, terminal, before = house_of(request), cookie_of(request, TERMINAL_COOKIE), cookie_of(request, SESSION_COOKIE)
    browser = at_browser(request)
    if not secret and is_terminal(house, terminal):
        opened = reopen(house, badge, terminal=terminal, before=before, browser=browser)
        return _go_on(request, opened, next, carried, before) if opened else _page(request, next, badge=badge, carried=carried)
    try:
        token = sign_in(house, badge, secret, terminal=terminal, address=browser.address, before=before, browser=browser.kind, code=code)
    except Refused as refusal:
        return _page(request, next, refusal, badge, carried)
    return _go_on(request, token, next, carried, before)


async def not_signed_in(request: Request, error: Exception) -> Response:
    """What was sent with an ended session is carried through the sign-in, where it can be; else the sign-in says that it is lost."""
    carried = "" if request.url.path.startswith("/api/") else await kept(request, cookie_of(request, SESSION_COOKIE))
    if not carried:
        return await refused(request, error)
    request.app.state.note_refused(request, cast(Refused, error))
    return await run_in_threadpool(_page, request, page_left(request), carried=carried)


def _go_on(request: Request, token: str, next: str, carried: str, before: str | None) -> Response:
    house = house_of(request)
    form, now = kept_for(house, carried, before, token), signed_in(house, token)
    if form is None or now is None or now.must_choose:
        return signed_in_here(request, token, next)
    request.state.form_token, request.state.person_name = now.form_token, now.name
    answer = render(request, "people/send_again.html", form=form, next=here_only(next))
    set_cookie(request, answer, SESSION_COOKIE, token)
    return answer


def signed_in_here(request: Request, token: str, next: str) -> Response:
    at_terminal = next == "/" and is_terminal(house_of(request), cookie_of(request, TERMINAL_COOKIE))
    answer = RedirectResponse(request.url_for("floor").path if at_terminal else here_only(next), status_code=303)
    set_cookie(request, answer, SESSION_COOKIE, token)
    return answer


@router.post("/sign-out")
def sign_out_now(request: Request, form_token: Line = "") -> Response:
    """Whoever is not signed in any more is already out."""
    token = cookie_of(request, SESSION_COOKIE)
    if maybe_caller(request) is not None and token:
        check_form(request, form_token)
        sign_out(house_of(request), token)
    answer = redirect(request, "sign_in_page")
    answer.delete_cookie(spelled(request, SESSION_COOKIE), path="/", secure=request.url.scheme == "https")
    return answer


@router.get("/first/{secret}")
def first_page(request: Request, secret: str) -> Response:
    _check_link(request, secret)
    return render(request, "people/first.html", secret=secret, refusal=None, name="")


@router.post("/first/{secret}")
def make_first(request: Request, secret: str, name: Line, password: Line, again: Line = "") -> Response:
    _check_link(request, secret)
    try:
        check_again("password", password, again)
        code = first_run.make_administrator(house_of(request), secret, name, password)
    except Refused as refusal:
        return render(request, "people/first.html", status=refusal.status, secret=secret, refusal=refusal, name=name)
    return redirect(request, "sign_in_page", said=BADGE_IS.format(code=code))


def _check_link(request: Request, secret: str) -> None:
    try:
        first_run.check(house_of(request), secret)
    except NotFound:
        note(house_of(request), "wrong_link", address=at_browser(request).address)
        raise


def set_cookie(request: Request, answer: Response, name: str, value: str, max_age: int | None = None) -> None:
    """Read by no script, sent by no other site, and over https only where the page is."""
    answer.set_cookie(
        spelled(request, name), value, max_age=max_age, httponly=True, samesite="lax", secure=request.url.scheme == "https", path="/"
    )


def _page(request: Request, next: str, refusal: Refused | None = None, badge: str = "", carried: str = "") -> Response:
    house = house_of(request)
    with house.reading() as session:
        is_new = not there_is_an_administrator(session)
    values: dict[str, Any] = {
        "asks_factor": house.settings.second_factor, "next": next, "refusal": refusal, "badge": badge, "kept": carried,
        "status": refusal.status if refusal else 200, "is_new": is_new,
    }  # fmt: skip
    return render(request, "people/sign_in.html", at_terminal=is_terminal(house, cookie_of(request, TERMINAL_COOKIE)), **values)

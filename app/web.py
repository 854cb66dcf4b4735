"""The ground of every page and call: render, redirect, forms, request forgery, and one place where an error becomes an answer."""

import secrets
from collections.abc import Awaitable, Callable
from datetime import datetime
from pathlib import Path
from typing import Any, cast
from urllib.parse import quote, urlsplit
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.exceptions import HTTPException

from app.db import House
from app.errors import BadInput, Reason, Refused

TEMPLATES = Path(__file__).resolve().parent.parent / "templates"
_HEADERS = {
    "Content-Security-Policy": "default-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; form-action 'self'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
environment = Environment(
    loader=FileSystemLoader(TEMPLATES), undefined=StrictUndefined, autoescape=True, trim_blocks=True, lstrip_blocks=True
)


def house_of(request: Request) -> House:
    return cast(House, request.app.state.house)


def render(request: Request, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """A page from ready values. Every template also gets the paths, who is signed in, and the token of its forms."""
    base = {
        "path": lambda name, **parts: request.url_for(name, **parts).path,
        "person_name": getattr(request.state, "person_name", None),
        "form_token": getattr(request.state, "form_token", ""),
        "key": secrets.token_urlsafe(12),  # a redrawn form carries a new key
        "flash": request.query_params.get("said", "")[:300],
        "when": lambda moment: when(request, moment),
        "zone": zone_of(request),
        "here": request.url.path,
    }
    return HTMLResponse(environment.get_template(template).render(base | values), status_code=status)


def redirect(request: Request, name: str, said: str = "", **parts: Any) -> RedirectResponse:
    """303 to a route by name; `said` is shown once on the page that follows."""
    path = request.url_for(name, **parts).path
    return RedirectResponse(f"{path}?said={quote(said)}" if said else path, status_code=303)


def zone_of(request: Request) -> str:
    return cast(str, getattr(request.app.state, "zone", "UTC"))


def when(request: Request, moment: datetime | None) -> str:
    """A time in the site's zone, with the zone said."""
    if moment is None:
        return ""
    local = moment.astimezone(ZoneInfo(zone_of(request)))
    return f"{local:%Y-%m-%d %H:%M} {local.tzname()}"


def guard(app: FastAPI) -> None:
    """Headers, forgery checks and error answers for the whole app."""
    app.middleware("http")(_guarded)
    app.exception_handler(Refused)(_refused)
    app.exception_handler(RequestValidationError)(_not_understood)
    app.exception_handler(HTTPException)(_http)
    app.exception_handler(Exception)(_broken)


async def _guarded(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
    if request.method not in ("GET", "HEAD", "OPTIONS") and not _from_here(request):
        reason = Reason("duty", "The origin is not this server.", "Open the page here.")
        response: Response = _answer(request, 403, "This came from another site.", [reason])
    else:
        response = await call_next(request)
    for name, value in _HEADERS.items():
        response.headers.setdefault(name, value)
    if not request.url.path.startswith("/static/"):
        response.headers.setdefault("Cache-Control", "no-store")
    return response


def _from_here(request: Request) -> bool:
    """A browser's write must come from this very host. A machine sends a bearer token and no cookie."""
    if request.headers.get("authorization", "").lower().startswith("bearer "):
        return True
    if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = request.headers.get("origin")
    if origin is None:
        return not request.cookies  # browsers send Origin on every POST; a client without cookies can forge nothing
    return urlsplit(origin).netloc == request.headers.get("host", "")


def check_form(request: Request, token: str | None) -> None:
    """The form's own token must be that of the session."""
    expected = getattr(request.state, "form_token", "")
    if not expected or not secrets.compare_digest(expected, token or ""):
        raise BadInput("This form is stale.", Reason("bad_input", "It belongs to another session.", "Open the page again.", "form_token"))


async def _refused(request: Request, error: Exception) -> Response:
    refusal = cast(Refused, error)
    if refusal.status == 401 and not _is_call(request):
        return RedirectResponse(f"{request.url_for('sign_in_page').path}?next={quote(request.url.path)}", status_code=303)
    return _answer(request, refusal.status, refusal.what, list(refusal.reasons))


async def _not_understood(request: Request, error: Exception) -> Response:
    reasons = [
        Reason("bad_input", str(one["msg"]), "Correct it and send it again.", ".".join(str(part) for part in one["loc"]))
        for one in cast(RequestValidationError, error).errors()[:20]
    ]
    return _answer(request, 422, "The input is not understood.", reasons or [Reason("bad_input", "It can't be read.")])


async def _http(request: Request, error: Exception) -> Response:
    problem = cast(HTTPException, error)
    if problem.status_code == 404:
        reason = Reason("unknown_code", f"There is nothing at {request.url.path[:200]}.", "Search for it, or scan its code.")
        return _answer(request, 404, "Not found.", [reason])
    reason = Reason("bad_input", str(problem.detail), "Check the call.")
    return _answer(request, problem.status_code, str(problem.detail), [reason], headers=getattr(problem, "headers", None))


async def _broken(request: Request, error: Exception) -> Response:
    """A mistake of ours: no trace of it leaves the house."""
    reason = Reason("bad_input", "The program made a mistake; nothing was changed.", "Try again, and tell the administrator if it stays.")
    return _answer(request, 500, "Something went wrong.", [reason])


def _answer(request: Request, status: int, what: str, reasons: list[Reason], headers: Any = None) -> Response:
    if _is_call(request):
        return JSONResponse(problem(status, what, reasons), status_code=status, media_type="application/problem+json", headers=headers)
    page = render(request, "refusal.html", status=status, what=what, reasons=reasons)
    page.headers.update(headers or {})
    return page


def problem(status: int, what: str, reasons: list[Reason]) -> dict[str, Any]:
    """RFC 9457, with the kind of the refusal beside its sentence and all grounds that apply."""
    kinds = list(dict.fromkeys(reason.kind for reason in reasons))
    return {
        "type": "about:blank", "title": what, "status": status, "detail": " ".join(reason.why for reason in reasons),
        "kind": kinds[0] if kinds else "bad_input", "kinds": kinds, "now": next((r.now for r in reasons if r.now), ""),
        "reasons": [vars(reason) for reason in reasons],
    }  # fmt: skip


def _is_call(request: Request) -> bool:
    return request.url.path.startswith("/api/")

"""The ground of every page and call: render, redirect, forms, request forgery, and one place where an error becomes an answer."""

import csv
import io
import logging
import re
import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Annotated, Any, cast
from urllib.parse import quote, urlsplit

from fastapi import FastAPI, Form, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape
from pydantic import AfterValidator, Field
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as DatabaseTimeout
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.middleware.body_limit import RequestBodyLimitMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app import clock
from app.db import House
from app.errors import BadInput, NotAllowed, Reason, Refused
from app.misfits import misfit
from app.outages import AGAIN, Outage, outage_of

TEMPLATES = Path(__file__).resolve().parent.parent / "templates"
_HEADERS = {
    "Content-Security-Policy": "default-src 'self'; img-src 'self' data:; object-src 'none'; "
    "frame-ancestors 'none'; base-uri 'none'; form-action 'self'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
_HTTP = {  # what, why, now
    404: ("Not found.", "There is nothing at {path}.", "Search for it, or scan its code."),
    405: ("This can't be done here.", "{path} does not take {method}.", "Begin at the first page, or see the calls at /api."),
    413: ("Too much was sent.", "It is larger than this server takes in.", "Send it in parts, or ask the administrator to raise the limit."),
}
_UNREAD: tuple[tuple[type[Exception], tuple[str, str]], ...] = (  # by what the framework met in a body: why, now
    (UnicodeDecodeError, ("It is not text in UTF-8.", "Send it in UTF-8.")),
    (RecursionError, ("It is nested too deeply.", "Send it as the document at /api has it.")),
    (ValueError, ("It has a number of thousands of figures.", "Correct the number.")),
)
_BEGIN_FORMULAS = tuple("=+@\t\r\n\uff1d\uff0b\uff0d\uff20")  # the wide ones where a spreadsheet speaks Chinese, Japanese or Korean
_COME_AGAIN_SECONDS = "2"
_log = logging.getLogger("reelroot")
_OF_STRANGERS = 1 << 20  # bytes: a body is read before anyone is asked who they are, and could fill the disk
_AT = re.compile(' data-at="([^"]*)"')
_CODE = re.compile(r"\b[A-Z][0-9A-Z]*-[0-9A-Z-]+\b")
environment = Environment(
    loader=FileSystemLoader(TEMPLATES), undefined=StrictUndefined, autoescape=True, trim_blocks=True, lstrip_blocks=True, auto_reload=False
)  # fmt: skip


def _coded(text: str) -> Markup:
    """Text whose codes do not break at their hyphens when a line ends: half a code is read as another one."""
    return Markup(_CODE.sub(r'<span class="code">\g<0></span>', str(escape(text))))


environment.filters["coded"] = _coded


def counted(n: int, word: str) -> str:
    """ "1 panel", "1,200 panels": a number never stands beside the wrong plural."""
    return f"{n:,} {word}{'' if n == 1 else 's'}"


environment.filters["counted"] = counted


def _line(text: str) -> str:
    if not text.isprintable():
        raise ValueError("it has control characters; type it without them")
    return text


Line = Annotated[str, Form(max_length=200), AfterValidator(_line)]  # a field of a form; PostgreSQL takes no zero byte

Number = Annotated[int, Field(ge=0, lt=2**63)]  # of a row, in a path or query: what the databases count to
FormNumber = Annotated[int, Form(ge=0, lt=2**63)]  # the same in a form


def house_of(request: Request) -> House:
    return cast(House, request.app.state.house)


def render(request: Request, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """A page from ready values. Every template also gets the paths, who is signed in, and the token of its forms."""
    headers: dict[str, str] = {}
    if isinstance(refusal := values.get("refusal"), Refused):  # a form drawn again
        request.app.state.note_refused(request, refusal)
        headers = _to_wait(refusal)
    path, name = _paths(request), getattr(request.state, "person_name", None)
    base = {
        "path": path,
        "person_name": name,
        "menu": _menu(request, path) if name else "",
        "form_token": getattr(request.state, "form_token", ""),
        "key": secrets.token_urlsafe(12),  # a redrawn form carries a new key
        "flash": _said(request),
        "when": lambda moment: when(request, moment),
        "zone": zone_of(request),
        "here": request.url.path,
    }
    return HTMLResponse(environment.get_template(template).render(base | values), status_code=status, headers=headers)


def _paths(request: Request) -> Callable[..., str]:
    """The path of a route by its name. Each pattern is looked up once: a page asks for dozens, and each look-up walks every route there is."""
    patterns: dict[tuple[str, ...], str] = request.app.state.patterns
    root = str(request.scope.get("root_path", ""))

    def path(name: str, **parts: object) -> str:
        texts = {key: str(value) for key, value in parts.items()}
        if not all(texts.values()) or any(mark in text for text in texts.values() for mark in "/?#"):
            return request.url_for(name, **parts).path  # which knows what to do
        known = (root, name, *texts)
        if known not in patterns:
            patterns[known] = request.url_for(name, **{key: f"\0{key}\0" for key in texts}).path
        found = patterns[known]
        for key, text in texts.items():
            found = found.replace(f"\0{key}\0", text)
        return found

    return path


def _menu(request: Request, path: Callable[..., str]) -> Markup:
    """The links to all pages, which are the same on every one but for the mark of where one is."""
    drawn: dict[str, str] = request.app.state.menus
    root, here = str(request.scope.get("root_path", "")), request.url.path
    if root not in drawn:
        drawn[root] = environment.get_template("menu.html").render(path=path)

    def mark(found: re.Match[str]) -> str:
        return ' aria-current="page"' if here == found[1] else ' aria-current="true"' if here.startswith(f"{found[1]}/") else ""

    return Markup(_AT.sub(mark, drawn[root]))


def _said(request: Request) -> str:
    """What the act before said, unless something else led here, a letter or another site: it could put any words into our mouth."""
    came_from = urlsplit(request.headers.get("referer", "")).netloc
    if request.headers.get("sec-fetch-site", "same-origin") != "same-origin" or came_from not in ("", request.headers.get("host", "")):
        return ""
    return request.query_params.get("said", "")[:300]


def csv_file(name: str, head: Sequence[str], rows: Iterable[Sequence[object]]) -> Response:
    """A table to take away: RFC 4180, with a header. It goes out in pieces, so that a long one needs no memory and begins at once."""
    return StreamingResponse(_csv_pieces(head, iter(rows)), media_type="text/csv; charset=utf-8", headers=attached(f"{name}.csv"))


def attached(name: str) -> dict[str, str]:
    """The header of a file to take away. Its name may be another's number, of any script, and a header takes ASCII (RFC 6266, RFC 8187)."""
    is_plain = name.isascii() and name.isprintable() and not {'"', "\\"} & set(name)
    told = f'filename="{name}"' if is_plain else f"filename*=UTF-8''{quote(name, safe='')}"
    return {"Content-Disposition": f"attachment; {told}"}


def _csv_pieces(head: Sequence[str], rows: Iterator[Sequence[object]]) -> Iterator[str]:
    piece: list[Sequence[object]] = [head]
    while piece:
        out = io.StringIO()
        csv.writer(out, lineterminator="\r\n").writerows([safe(cell) if isinstance(cell, str) else cell for cell in row] for row in piece)
        yield out.getvalue()
        piece = list(islice(rows, 5000))


def safe(value: Any) -> str:
    """A cell as text; one that a spreadsheet would take for a formula gets a quote in front (OWASP, CSV injection)."""
    if value is None:
        return ""
    text = str(value)
    return "'" + text if text[:1] in _BEGIN_FORMULAS or (text[:1] == "-" and not isinstance(value, (int, float))) else text


def redirect(request: Request, name: str, said: str = "", **parts: Any) -> RedirectResponse:
    """303 to a route by name; `said` is shown once on the page that follows."""
    path = request.url_for(name, **parts).path
    return RedirectResponse(f"{path}?said={quote(said)}" if said else path, status_code=303)


def zone_of(request: Request) -> str:
    return cast(str, getattr(request.app.state, "zone", "UTC"))


def when(request: Request, moment: datetime | None) -> str:
    """A time in the site's zone, with the zone said."""
    return clock.told(moment, zone_of(request)) if moment else ""


class FromElsewhere(NotAllowed):
    """Another site sent it."""

    def __init__(self) -> None:
        super().__init__("This came from another site.", Reason("duty", "The origin is not this server.", "Open the page here."))


class Stale(BadInput):
    """A form that another session was given."""

    def __init__(self) -> None:
        super().__init__("This form is stale.", Reason("bad_input", "It belongs to another session.", "Open the page again.", "form_token"))


def guard(app: FastAPI, most_bytes: int, is_known: Callable[[Request], bool], note_refused: Callable[[Request, Refused], None]) -> None:
    """Headers, forgery checks, the limit of what is taken in, and error answers for the whole app. `note_refused` is told of each refusal."""
    app.state.patterns, app.state.menus = {}, {}
    app.add_middleware(RequestBodyLimitMiddleware, max_body_size=most_bytes)
    app.add_middleware(_Guard, most_bytes=most_bytes, is_known=is_known)
    app.exception_handler(Refused)(refused)
    app.exception_handler(RequestValidationError)(_not_understood)
    app.state.is_known, app.state.note_refused = is_known, note_refused
    app.exception_handler(HTTPException)(_http)
    for away in (DBAPIError, DatabaseTimeout, OSError, MemoryError, RuntimeError):
        app.exception_handler(away)(_away)
    app.exception_handler(Exception)(_broken)


class _Guard:
    """Refuses what another site sent, and puts the strict headers on every answer. Plain ASGI: streams stay streams."""

    def __init__(self, app: ASGIApp, most_bytes: int, is_known: Callable[[Request], bool]) -> None:
        self.app, self.most_bytes, self.is_known = app, most_bytes, is_known

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope, receive)
        if _is_call(request):
            scope["query_string"] = _given(scope["query_string"])
        app: ASGIApp = self.app
        if request.method not in ("GET", "HEAD", "OPTIONS") and not _from_here(request):
            app = await refused(request, FromElsewhere())
        elif _may_be_more_than(request, _OF_STRANGERS) and not await run_in_threadpool(self.is_known, request):
            app = _too_much(request) if "content-length" in request.headers else RequestBodyLimitMiddleware(app, max_body_size=_OF_STRANGERS)
        elif _says_more_than(request, self.most_bytes):
            app = _too_much(request)  # the limiter would answer in plain text; what says no length is stopped by it on the way

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                _strict(MutableHeaders(scope=message), request, message["status"])
            await send(message)

        await app(scope, receive, sent)


def _given(query: bytes) -> bytes:
    """The parameters of a call that say something: an empty one is as good as none, whatever its kind is."""
    return b"&".join(one for one in query.split(b"&") if one.partition(b"=")[2])


def _may_be_more_than(request: Request, most_bytes: int) -> bool:
    return request.headers.get("transfer-encoding") is not None or _says_more_than(request, most_bytes)


def _says_more_than(request: Request, most_bytes: int) -> bool:
    length = request.headers.get("content-length", "")
    return length.isascii() and length.isdigit() and (len(length) > 15 or int(length) > most_bytes)


def _strict(headers: MutableHeaders, request: Request, status: int) -> None:
    for name, value in _HEADERS.items():
        headers.setdefault(name, value)
    if request.url.scheme == "https":
        headers.setdefault("Strict-Transport-Security", "max-age=31536000; includeSubDomains")
    is_file = request.url.path.startswith("/static/") and status < 400  # what is told of one that is missing is a page of who is signed in
    headers.setdefault("Cache-Control", "max-age=3600" if is_file else "no-store")


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
    if not expected or not secrets.compare_digest(expected.encode(), (token or "").encode()):
        raise Stale


_LOST = "Take care. What you sent was not recorded, for you were not signed in any more. Sign in, and enter it again."


async def refused(request: Request, error: Exception) -> Response:
    refusal = cast(Refused, error)
    request.app.state.note_refused(request, refusal)
    if refusal.leads_to and not _is_call(request):
        lost = f"&said={quote(_LOST)}" if refusal.status == 401 and request.method == "POST" else ""
        return RedirectResponse(f"{request.url_for(refusal.leads_to).path}?next={quote(page_left(request), safe='/')}{lost}", status_code=303)
    headers = {"WWW-Authenticate": "Bearer"} if refusal.status == 401 else _to_wait(refusal)
    return _answer(request, refusal.status, refusal.what, list(refusal.reasons), headers=headers)


def _to_wait(refusal: Refused) -> dict[str, str]:
    return {} if refusal.wait_seconds is None else {"Retry-After": str(refusal.wait_seconds)}


def page_left(request: Request) -> str:
    """Where to go on after signing in: the page that was asked for, or the one whose form was sent."""
    if request.method == "GET":
        return here_only(request.url.path + (f"?{request.url.query}" if request.url.query else ""))
    left = urlsplit(request.headers.get("referer", ""))
    return here_only(left.path + (f"?{left.query}" if left.query else "")) if left.netloc == request.headers.get("host") else "/"


def here_only(path: str) -> str:
    """A path of this server, or the first page: `//host` and `/\\host` lead a browser elsewhere."""
    is_here = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if is_here else "/"


async def _not_understood(request: Request, error: Exception) -> Response:
    reasons = [misfit(one) for one in cast(RequestValidationError, error).errors()[:20]]
    return _answer(request, 422, "The input is not understood.", reasons or [Reason("bad_input", "It can't be read.")])


def _unread(error: HTTPException) -> Reason | None:
    """The framework tells of a body that it couldn't read no more than that."""
    found = next((words for kind, words in _UNREAD if isinstance(error.__cause__, kind)), None)
    return Reason("bad_input", *found, where="body") if found and error.status_code == 400 else None


async def _http(request: Request, error: Exception) -> Response:
    """No page asked who calls: who is signed in shall keep the menu on a page that is not there."""
    wrong = cast(HTTPException, error)
    if not _is_call(request):
        await run_in_threadpool(request.app.state.is_known, request)
    what, why, now = _HTTP.get(wrong.status_code, (str(wrong.detail), str(wrong.detail), "Check the call."))
    kind = "unknown_code" if wrong.status_code == 404 else "bad_input"
    if wrong.status_code == 404 and b"%2f" in request.scope.get("raw_path", b"").lower():
        now = "A number with a slash can't stand in an address: "
        now += "ask /api/v1/things?code=... for its code, and use that." if _is_call(request) else "search for it."
    reason = Reason(kind, why.format(path=request.url.path[:200], method=request.method), now)
    if unread := _unread(wrong):
        what, reason = "The input is not understood.", unread
    return _answer(request, wrong.status_code, what, [reason], headers=wrong.headers)


def _too_much(request: Request) -> Response:
    what, why, now = _HTTP[413]
    return _answer(request, 413, what, [Reason("bad_input", why, now)])


async def _broken(request: Request, error: Exception) -> Response:
    """A mistake of ours: it is logged, and no trace of it leaves the house."""
    mistake = Outage("Something went wrong.", "The program made a mistake; nothing was changed.", "Try again; tell the administrator if it stays.")
    answer = _without_kind(request, 500, mistake)
    _strict(answer.headers, request, 500)  # this answer does not pass the guard
    return answer


async def _away(request: Request, error: Exception) -> Response:
    """What heals by itself or by other hands: 503 and when to come again, one line in the log."""
    outage = outage_of(error)
    if outage is None:
        raise error
    _log.warning("%s %s: %s (%s)", request.method, request.url.path, outage.what, str(getattr(error, "orig", error)).strip().partition("\n")[0])
    answer = _without_kind(request, 503, replace(outage, now=f"{outage.now} {AGAIN}"))
    answer.headers["Retry-After"] = _COME_AGAIN_SECONDS
    return answer


def _without_kind(request: Request, status: int, told: Outage) -> Response:
    """It is no refusal, so it has no kind."""
    if _is_call(request):
        body = problem(status, told.what, []) | {"detail": told.why, "now": told.now}
        return JSONResponse(body, status_code=status, media_type="application/problem+json")
    return render(request, "refusal.html", status=status, what=told.what, reasons=[{"why": told.why, "now": told.now, "where": ""}], missing=False)


def _answer(request: Request, status: int, what: str, reasons: list[Reason], headers: Mapping[str, str] | None = None) -> Response:
    if _is_call(request):
        return JSONResponse(problem(status, what, reasons), status_code=status, media_type="application/problem+json", headers=headers)
    page = render(request, "refusal.html", status=status, what=what, reasons=reasons, missing=status == 404)
    page.headers.update(headers or {})
    return page


def problem(status: int, what: str, reasons: list[Reason]) -> dict[str, Any]:
    """RFC 9457, with the kind of the refusal beside its sentence and all grounds that apply."""
    kinds = list(dict.fromkeys(reason.kind for reason in reasons))
    return {
        "type": "about:blank", "title": what, "status": status, "detail": " ".join(reason.why for reason in reasons),
        "kind": kinds[0] if kinds else None, "kinds": kinds, "now": next((r.now for r in reasons if r.now), ""),
        "reasons": [vars(reason) for reason in reasons],
    }  # fmt: skip


def _is_call(request: Request) -> bool:
    return request.url.path.startswith("/api/")

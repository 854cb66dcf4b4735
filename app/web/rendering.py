"""Pages from the templates, and redirects. Every template gets the paths, the menu, who is signed in, and what the act before said."""

import re
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from app.drawing.strip import ordinal
from app.errors import Refused, short
from app.several import as_typed
from app.web.installation import when, zone_of
from app.web.late_routes import LateRoute, parameters_of, told_often
from app.web.said import OF_WHAT_IS_SAID, TAKE_CARE, said_to, saying
from app.web.words import coded, counted, place

TEMPLATES = Path(__file__).resolve().parent.parent.parent / "templates"
_AT = re.compile(' data-at="([^"]*)"')
environment = Environment(
    loader=FileSystemLoader(TEMPLATES), undefined=StrictUndefined, autoescape=True, trim_blocks=True, lstrip_blocks=True, auto_reload=False
)  # fmt: skip
environment.filters |= {"coded": coded, "counted": counted, "ordinal": ordinal, "place": place, "typed": as_typed}


def render(request: Request, template: str, *, status: int = 200, reads_all: bool = False, **values: Any) -> HTMLResponse:
    """A page from ready values. Every template also gets the paths, who is signed in, and the token of its forms.

    `reads_all`: the handler reads all of the address itself; else the page says which parameters of it nobody reads.
    """
    headers: dict[str, str] = {}
    if isinstance(refusal := values.get("refusal"), Refused):  # a form drawn again
        request.app.state.note_refused(request, refusal)
        headers = to_wait(refusal)
    path, name, flash = _paths(request), getattr(request.state, "person_name", None), said_to(request)
    base = {
        "path": path,
        "person_name": name,
        "menu": _menu(request, path) if name else "",
        "form_token": getattr(request.state, "form_token", ""),
        "key": secrets.token_urlsafe(12),  # a redrawn form carries a new key
        "flash": flash,
        "unread": [] if reads_all else _unread(request),
        "often": [] if reads_all else _often(request),
        "flash_is_care": flash.startswith(TAKE_CARE),
        "when": lambda moment: when(request, moment),
        "zone": zone_of(request),
        "here": request.url.path,
    }
    return HTMLResponse(environment.get_template(template).render(base | values), status_code=status, headers=headers)


def _unread(request: Request) -> list[str]:
    """Parameters that a page was asked with and does not know: of a misspelt one it would show everything, unsaid."""
    if (known := _known(request)) is None:
        return []
    return [short(name) for name in request.query_params if name not in known]


def _often(request: Request) -> list[str]:
    return [] if (known := _known(request)) is None else [short(name) for name in told_often(request.query_params, known)]


def _known(request: Request) -> dict[str, bool] | None:
    route = request.scope.get("route")
    if not request.query_params or request.method != "GET" or not isinstance(route, LateRoute):
        return None
    return parameters_of(route.dependant) | dict.fromkeys(OF_WHAT_IS_SAID, True)


def to_wait(refusal: Refused) -> dict[str, str]:
    return {} if refusal.wait_seconds is None else {"Retry-After": str(refusal.wait_seconds)}


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


def redirect(request: Request, name: str, said: str = "", **parts: Any) -> RedirectResponse:
    """303 to a route by name; `said` is shown once on the page that follows."""
    path = request.url_for(name, **parts).path
    return RedirectResponse(f"{path}?{urlencode(saying(request, said), quote_via=quote)}" if said else path, status_code=303)

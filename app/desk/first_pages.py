"""The first page, the search by any code, and the way from a code to the page of what it names."""

from collections.abc import Callable, Iterable

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import ColumnElement, Select, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from app.catalogue.models import Thing
from app.codes import on_label
from app.desk.first_use import first_steps
from app.desk.now import now_for
from app.ledger.places import Container, Load
from app.naming.models import Alias, Code
from app.naming.resolve import Named, candidates, code_of, resolve
from app.people.callers import Calling, page_router
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
_MOST = 100
_LEAST = 3  # characters of a part: fewer are in nearly everything
# kind of thing -> the page that shows it: a route by name and its parameter
_PAGES = {
    "lot": ("lot_page", "code"), "hold": ("hold_page", "code"), "load": ("load_page", "code"), "station": ("station_page", "code"),
    "person": ("person_page", "badge"), "run": ("run_page", "code"), "wafer": ("wafer_page", "code"), "panel": ("panel_page", "code"),
    "container": ("container_page", "code"),
}  # fmt: skip
_LISTED = {"shipment": "shipments"}
_Name = InstrumentedAttribute[str]


@router.get("/")
def home(request: Request, who: Calling) -> Response:
    """What to do next, and what waits; before the first lot, what the installation still needs."""
    with house_of(request).reading() as session:
        steps, now = first_steps(session), now_for(session, who.person)
    return render(request, "home.html", duties=sorted(who.actor.duties), steps=steps, now=now)


@router.get("/find")
def find(request: Request, who: Calling, code: str = "") -> Response:
    """By any code of ours, another's number, what is written on a container, a station's name, or a part of any."""
    with house_of(request).reading() as session:
        text = on_label(code.strip())
        found = [*candidates(session, text), *_called(session, lambda name: name == text)] if text.isprintable() and text else []
        if len(found) == 1:
            return RedirectResponse(request.url_for("thing", code=found[0].code).path, status_code=303)
        if not found and text:
            found = _like(session, text)
        return render(
            request, "desk/find.html", code=code, found=found, names=_names(session, found), most=_MOST, is_short=len(text) < _LEAST, least=_LEAST
        )  # fmt: skip


@router.get("/things/{code}")
def thing(request: Request, who: Calling, code: str) -> Response:
    """The page of anything with a code."""
    with house_of(request).reading() as session:
        named = resolve(session, code)
        if named.kind == "load" and (run := session.get_one(Load, named.id).run) is not None:
            named = Named("run", run, code_of(session, "run", run))
        return RedirectResponse(_page_of(request, named), status_code=303)


def _page_of(request: Request, named: Named) -> str:
    if named.kind in _PAGES:
        name, parameter = _PAGES[named.kind]
        return request.url_for(name, **{parameter: named.code}).path
    if named.kind in _LISTED:
        return f"{request.url_for(_LISTED[named.kind]).path}?q={named.code}"
    if named.kind == "order":
        return request.url_for("catalogue_thing", thing=named.id).path
    if named.kind == "terminal":
        return request.url_for("terminals").path
    return request.url_for("trace_page", code=named.code).path


def _like(session: Session, text: str) -> list[Named]:
    """What begins so comes first, then what has it anywhere in its code, then others' numbers that have it."""
    if not text.isprintable():
        return []
    begins = Code.code.startswith(text.upper(), autoescape=True)
    found = [Named(*row) for row in session.execute(_CODES.where(begins).limit(_MOST))]
    if len(found) < _MOST and len(text) >= _LEAST:
        within = Code.code.contains(text.upper(), autoescape=True)
        of_others = (Alias.kind == Code.kind) & (Alias.thing == Code.thing) & Alias.closed_e.is_(None)
        found += [Named(*row) for row in session.execute(_CODES.where(within).limit(_MOST))]
        others = _CODES.join(Alias, of_others).where(Alias.value.icontains(text, autoescape=True))
        found += [Named(*row) for row in session.execute(others.limit(_MOST))]
        found += _called(session, lambda name: name.icontains(text, autoescape=True))
    return list(dict.fromkeys(found))[:_MOST]


def _called(session: Session, which: Callable[[_Name], ColumnElement[bool]]) -> list[Named]:
    """Containers and stations by their names: what a person reads on them."""
    return [Named(*row) for name, query in _BY_NAME for row in session.execute(query.where(which(name)).limit(_MOST))]


def _names(session: Session, found: Iterable[Named]) -> dict[str, str]:
    """Code -> name, of those that have one."""
    codes = [one.code for one in found if one.kind in ("container", "station")]
    queries = [query.add_columns(name).where(Code.code.in_(codes)) for name, query in _BY_NAME if codes]
    return {row[2]: row[3] for query in queries for row in session.execute(query)}


_CODES = select(Code.kind, Code.thing, Code.code).order_by(Code.code)
_BY_NAME: tuple[tuple[_Name, Select[str, int, str]], ...] = (
    (Container.name, _CODES.join(Container, (Code.kind == "container") & (Code.thing == Container.id))),
    (Thing.name, _CODES.join(Thing, (Code.kind == "station") & (Code.thing == Thing.id))),
)

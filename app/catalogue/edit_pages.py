"""Change a thing of the catalogue on a page, or add one: its text, what that changes, and the signature."""

import io
from typing import Annotated

from fastapi import Form, Request
from fastapi.responses import Response

from app.catalogue.definitions import THINGS
from app.catalogue.example import EXAMPLE
from app.catalogue.file import read_catalogue
from app.catalogue.load import digest_of_changes, what_would_change
from app.catalogue.queries import every, route_state, whole, with_id
from app.catalogue.single import blank, next_revision, text_of
from app.errors import Refused, not_allowed, unknown
from app.evidence.keep import keep_file
from app.people.callers import Caller, Calling, page_router
from app.people.doors import EDITORS
from app.web.fields import Number
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
Text = Annotated[str, Form(max_length=300)]
Long = Annotated[str, Form(max_length=2_000_000)]


@router.get("/catalogue/edit")
def catalogue_edit(request: Request, who: Calling, kind: str = "", thing: Number = 0, another: bool = False) -> Response:
    """`thing`: that one; else a new one of `kind`; `another`: a new one that begins as a copy."""
    _must_be_allowed(who)
    with house_of(request).reading() as session:
        if kind == "site" and not thing:
            found = every(session, "site")
            return _page(request, "The site", text_of(found[0]) if found else '[site]\nname = ""\nzone = ""\n')
        if not thing:
            if kind not in THINGS:
                raise unknown(kind, f"a kind of thing in the catalogue: {', '.join(THINGS)}")
            return _page(request, f"A new {kind.replace('_', ' ')}", blank(kind))
        one = with_id(session, thing)
        is_frozen = one.kind == "route" and route_state(session, one.id) != "draft"
        text = next_revision(one) if one.kind == "route" and (another or is_frozen) else text_of(one)
        return _page(request, f"A new revision from {one.name}" if text != text_of(one) else one.name, text)


@router.post("/catalogue/edit")
def catalogue_edit_look(request: Request, who: Calling, text: Long, title: Text = "") -> Response:
    """What the text would change; a text with errors comes back with their lines."""
    _must_be_allowed(who)
    return look_at(request, text.replace("\r\n", "\n"), title or "The text")


@router.post("/catalogue/example")
def catalogue_example(request: Request, who: Calling) -> Response:
    """The example catalogue, looked at like any other file."""
    _must_be_allowed(who)
    return look_at(request, EXAMPLE, "example.toml")


def look_at(request: Request, text: str, title: str) -> Response:
    house = house_of(request)
    try:
        with house.reading() as session:
            changes = what_would_change(session, read_catalogue(text, whole(session)))
    except Refused as refusal:
        return _page(request, title, text, refusal)
    name = f"{title}.toml".replace("/", "-") if not title.endswith(".toml") else title
    kept = keep_file(house, name, io.BytesIO(text.encode()))
    kept.wait_for_disk()  # who loads it comes with its digest alone
    return render(
        request, "catalogue/look.html", changes=changes, digest=kept.digest, name=kept.name, shown=digest_of_changes(changes), refusal=None,
        text=text, title=title,
    )  # fmt: skip


def _page(request: Request, title: str, text: str, refusal: Refused | None = None) -> Response:
    lines = text.splitlines()
    wrong = {reason.where: _line(reason.where, lines) for reason in refusal.reasons} if refusal else {}
    status = refusal.status if refusal else 200
    return render(request, "catalogue/edit.html", status=status, title=title, text=text, refusal=refusal, wrong=wrong, rows=min(40, len(lines) + 3))


def _line(where: str, lines: list[str]) -> str:
    """The line that "line 3, recipes[0].soak" means."""
    number = where.removeprefix("line ").split(",")[0]
    return lines[int(number) - 1].strip() if number.isdigit() and 0 < int(number) <= len(lines) else ""


def _must_be_allowed(who: Caller) -> None:
    if not who.has(*EDITORS):
        raise not_allowed(who.actor.name, "change the catalogue", EDITORS)

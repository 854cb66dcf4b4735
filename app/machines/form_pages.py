"""Every action of the API as a plain form: what a machine may send, a person may fill in. Built from the calls themselves, so none is missing."""

import inspect
import re
import types
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated, Any, Literal, Union, get_args, get_origin
from zoneinfo import ZoneInfo

from anyio.to_thread import run_sync
from fastapi import Request, UploadFile
from fastapi.params import Form
from fastapi.responses import Response
from fastapi.routing import APIRoute
from pydantic import BaseModel, ConfigDict, ValidationError, create_model
from sqlalchemy import select
from starlette.datastructures import FormData

from app import clock, codes
from app.catalogue import queries as catalogue
from app.db import House
from app.errors import BadInput, Refused, bad_input, crafted, unknown
from app.ledger.stops import Hold
from app.machines.bodies import ByPerson, Signed
from app.machines.calls import Call
from app.machines.told_before import Before, told_before
from app.machines.typed_lists import rows_in, with_blanks_in
from app.misfits import is_crafted, misfit
from app.naming.resolve import codes_of
from app.people.callers import Calling, page_router
from app.people.doors import DOORS, check_duties_of
from app.several import codes_in
from app.web.installation import house_of, zone_of
from app.web.rendering import render

router = page_router()
_PREFIX = "/api/v1"
_HIDDEN = ("signed_by",)  # whoever is signed in signs
_LAST = {*Signed.model_fields, *ByPerson.model_fields}  # what every call may state stands below what this one is about
_GIVEN = ("password", "pin", "secret")  # to someone; of a call that is signed, `password` is the signer's
_UNSHOWN = ("password", "secret")  # kinds of fields
_WITH_BLANKS = ("marks",)  # other people's numbers
_LINE_EACH = "One per line."
_APART = "One per line, or apart by blanks; a number with blanks in double quotes."
_LONGEST_KEY = 200  # as of a call
_MOST_TOLD = 50  # things of an answer, each with its fields
# what names a thing of the catalogue: a list of their names to choose from, or to type beside
_OF_CATALOGUE = {name: name for name in ("part", "product", "order", "customer", "recipe", "station", "reason")} | {"purpose": "reason"}
# the fields that a thing of a kind goes into, where the action's path does not name it
_ANY = ("thing", "things", "subject")
_GOES_INTO = {
    "lot": _ANY, "panel": _ANY, "container": _ANY, "pack": _ANY, "sample": _ANY, "wafer": ("item", "thing", "subject"),
    "batch": ("item", "frames", "thing", "subject"), "run": ("subject",), "station": ("subject",),
}  # fmt: skip
_ON_ANOTHER = ("/containers/{container}/put", "/loads/{load}/put", "/stations/{station}/")  # paths that name another, and what is done with this
_WORKED_ON = ("lot", "panel", "container")
# the kinds that an action takes, where its field goes for more than these
_TAKES = {
    "/containers/{container}/put": (*_WORKED_ON, "sample"), "/loads/{load}/put": _WORKED_ON, "/at_risk": _WORKED_ON,
    "/scrap": (*_WORKED_ON, "wafer"), "/samples": (*_WORKED_ON, "pack"), "/counts": (*_WORKED_ON, "batch"), "/counts/sign": (*_WORKED_ON, "batch"),
}  # fmt: skip
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")  # as answers have times
_ZONED = "ISO 8601 with a zone."  # said of a call's time; a form's is of the site


@dataclass(frozen=True)
class Field:
    """A field of a form. `kind`: text, number, time, check, choice, lines, rows, file, files, password (the signer's) or secret (one given)."""

    name: str
    words: str
    hint: str
    kind: str
    needed: bool
    choices: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()  # of rows
    many: bool = True  # of rows: a list of them, not one
    ticked: bool = False  # of a check: as the call has it where nothing is said

    @property
    def names(self) -> str:
        """The kind of thing in the catalogue that is named here, if it is one."""
        return _OF_CATALOGUE.get(self.name, "") if self.kind == "text" else ""


@dataclass(frozen=True)
class Act:
    """A writing call: its path without the prefix is its name. `beside`: what the endpoint takes beside its body, from path, form or files."""

    name: str
    words: str
    room: str
    fields: tuple[Field, ...]
    body: tuple[str, type[BaseModel]] | None  # name of the endpoint's argument, and its model
    beside: type[BaseModel]
    endpoint: Callable[..., Any]

    def field_for(self, kind: str) -> str:
        """The field that a thing of this kind goes into, if the action may be one on it."""
        if f"{{{kind}}}" in self.name:
            return kind
        if kind not in _TAKES.get(self.name, (kind,)):
            return ""
        if "{" in self.name and not self.name.startswith(_ON_ANOTHER):
            return ""
        return next((field.name for field in self.fields if field.name in _GOES_INTO.get(kind, ())), "")


@router.get("/do")
def acts(request: Request, who: Calling, thing: str = "", kind: str = "") -> Response:
    """All actions, or those on a thing of one kind, each with the field that the thing goes into, and the duties that the reader lacks for it."""
    rooms: defaultdict[str, list[tuple[Act, str, tuple[str, ...]]]] = defaultdict(list)
    for act in _acts(request).values():
        if (field := act.field_for(kind)) or not kind:
            duties = DOORS[f"POST {_PREFIX}{act.name}"]
            rooms[act.room].append((act, field, () if who.actor.duties & set(duties) else duties))
    return render(request, "machines/acts.html", rooms=dict(rooms), thing=thing, kind=kind)


@router.get("/do/act")
def form(request: Request, who: Calling, call: str) -> Response:
    act = _act(request, call)
    ticked = {field.name: "yes" for field in act.fields if field.ticked}
    given = ticked | {name: value for name, value in request.query_params.items() if name != "call"}
    return _drawn(request, act, given, before=_before(request, act, given))


@router.post("/do/act")
async def send(request: Request, who: Calling) -> Response:
    sent = await request.form()
    act = _act(request, _text(sent, "call"))
    try:
        check_duties_of(f"POST {_PREFIX}{act.name}", who.actor)
        typed = _typed(act, sent)
        before = await run_sync(lambda: _before(request, act, typed))
        if before and _text(sent, "told") != before.told:  # told first, done when it is sent again
            return _drawn(request, act, typed, before=before)
        values, key = _read(act, sent, zone_of(request)), _text(sent, "key")
        if len(key) > _LONGEST_KEY:
            raise crafted(bad_input("Nothing was done.", "key", "It is not the key of this form.", "Open the page again."))
        call = Call(house_of(request), who, key or None)
        answer = await run_sync(lambda: act.endpoint(**values, call=call))
    except Refused as refusal:
        return _drawn(request, act, _typed(act, sent), refusal=refusal)
    told, held = answer.model_dump(mode="json"), await run_sync(lambda: _held(house_of(request), call.entries))
    return render(request, "machines/acted.html", act=act, warning=told.pop("warning", None), held=held, rows=list(_rows(told, zone_of(request))))


def _held(house: House, entries: list[int]) -> dict[str, str]:
    """The holds that it placed by itself, and why: whoever has the things in hand must hear of it."""
    with house.reading() as session:
        found = session.execute(select(Hold.id, Hold.reason).where(Hold.e.in_(entries), Hold.automatic).order_by(Hold.id)).all()
        names = codes_of(session, "hold", [hold for hold, _ in found])
        return {names[hold]: reason for hold, reason in found}


def _drawn(request: Request, act: Act, typed: Mapping[str, str], *, refusal: Refused | None = None, before: Before | None = None) -> Response:
    times = {field.name for field in act.fields if field.kind == "time"}
    typed = {name: _on_the_clock(value, zone_of(request)) if name in times else value for name, value in typed.items()}
    kinds = {field.names for field in act.fields} - {""}
    with house_of(request).reading() as session:
        names = {kind: sorted(one.name for one in catalogue.every(session, kind)) for kind in sorted(kinds)}
    shown = {"act": act, "typed": typed, "refusal": refusal, "before": before, "names": names, "zone": zone_of(request)}
    return render(request, "machines/act.html", reads_all=True, status=refusal.status if refusal else 200, **shown)


def _before(request: Request, act: Act, typed: Mapping[str, str]) -> Before | None:
    with house_of(request).walking() as session:
        return told_before(session, act.name, typed)


def _typed(act: Act, sent: FormData) -> dict[str, str]:
    unshown = {field.name for field in act.fields if field.kind in _UNSHOWN}
    return {name: value for name, value in sent.items() if isinstance(value, str) and name not in unshown}


def _acts(request: Request) -> dict[str, Act]:
    kept: dict[str, Act] | None = getattr(request.app.state, "acts", None)
    if kept is None:
        kept = {act.name: act for one in request.app.state.calls for route in one.routes if isinstance(route, APIRoute) for act in _of_route(route)}
        request.app.state.acts = kept
    return kept


def _act(request: Request, name: str) -> Act:
    act = _acts(request).get(name)
    if act is None:
        raise unknown(name[:80], "the name of an action")
    return act


def _of_route(route: APIRoute) -> Iterator[Act]:
    if "POST" not in (route.methods or set()) or "call" not in inspect.signature(route.endpoint).parameters:
        return
    annotations = inspect.get_annotations(route.endpoint, eval_str=True)
    fields: list[Field] = []
    beside: dict[str, Any] = {}
    body = None
    for name, parameter in inspect.signature(route.endpoint).parameters.items():
        kind = annotations[name]
        plain = _plain(kind)
        if name == "call":
            continue
        if inspect.isclass(plain) and issubclass(plain, BaseModel):
            body = (name, plain)
            fields += [
                replace(
                    _field(one, info.annotation, info.description or "", needed=info.is_required(), signs=issubclass(plain, Signed)),
                    ticked=info.default is True,
                )
                for one, info in plain.model_fields.items()
                if one not in _HIDDEN
            ]
        else:
            notes = [note for note in getattr(kind, "__metadata__", ()) if isinstance(note, Form)]
            hint = (notes[0].description or "") if notes else ""
            needed = parameter.default is inspect.Parameter.empty
            fields.append(_field(name, kind, hint, needed=needed))
            beside[name] = (kind, ... if needed else parameter.default)
    model = create_model("Beside", __config__=ConfigDict(arbitrary_types_allowed=True), **beside)  # a file that was sent is of no type of its own
    fields.sort(key=lambda field: field.name in _LAST)
    name, words, room = route.path.removeprefix(_PREFIX), route.summary or route.path, str((route.tags or [""])[0])
    yield Act(name, words, room, tuple(fields), body, model, route.endpoint)


def _field(name: str, kind: Any, hint: str, *, needed: bool, signs: bool = False) -> Field:
    plain, words = _plain(kind), name.replace("_", " ")
    origin = get_origin(plain)
    if name == "password" and signs:
        return Field(name, "your password, to sign", "", "password", True)
    if name in _GIVEN:
        return Field(name, f"their new {words}".replace("pin", "PIN").replace("secret", "PIN or password"), hint, "secret", needed)
    if plain is UploadFile:
        return Field(name, words, hint, "file", needed)
    if origin is list:
        inner = _plain(get_args(plain)[0])
        if inner is UploadFile:
            return Field(name, words, hint, "files", needed)
        if inspect.isclass(inner) and issubclass(inner, BaseModel):
            return Field(name, words, hint, "rows", needed, columns=tuple(inner.model_fields))
        return Field(name, words, f"{_LINE_EACH if name in _WITH_BLANKS else _APART} {hint}".rstrip(), "lines", needed)
    if origin is Literal:
        return Field(name, words, hint, "choice", needed, choices=tuple(map(str, get_args(plain))))
    if inspect.isclass(plain) and issubclass(plain, BaseModel):
        return Field(name, words, hint, "rows", needed, columns=tuple(plain.model_fields), many=False)
    kinds = {bool: "check", int: "number", float: "number"}
    if name.endswith(("_at", "_from", "_to")) and plain not in kinds:
        return Field(name, words, hint.replace(_ZONED, "").strip(), "time", needed)
    return Field(name, words, hint, kinds.get(plain, "text"), needed)


def _plain(kind: Any) -> Any:
    """A type without its notes and without None."""
    while True:
        if get_origin(kind) is Annotated:
            kind = get_args(kind)[0]
        elif get_origin(kind) in (Union, types.UnionType):
            kind = next(one for one in get_args(kind) if one is not type(None))
        else:
            return kind


def _read(act: Act, sent: FormData, zone: str) -> dict[str, Any]:
    """The endpoint's arguments from what was sent; what is not understood is named by its field."""
    values = {field.name: value for field in act.fields if (value := _value(field, sent, zone)) is not None}
    argument, model = act.body or ("", None)
    inside = {name: value for name, value in values.items() if model is not None and name in model.model_fields}
    beside = _fitted(act.beside, {name: value for name, value in values.items() if name not in inside})
    found = {name: getattr(beside, name) for name in beside.model_fields_set}
    return found if model is None else found | {argument: _fitted(model, inside)}


def _fitted(model: type[BaseModel], values: Mapping[str, Any]) -> BaseModel:
    try:
        return model(**values)
    except ValidationError as error:
        found = error.errors()
        refusal = BadInput("The form is not understood.", *(misfit(one) for one in found[:20]))
        raise (crafted(refusal) if any(is_crafted(one) for one in found) else refusal) from error


def _value(field: Field, sent: FormData, zone: str) -> Any:
    if field.kind == "files":
        return [one for one in sent.getlist(field.name) if not isinstance(one, str) and one.filename]
    if field.kind == "file":
        one = sent.get(field.name)
        return one if one is not None and not isinstance(one, str) and one.filename else None
    text = _text(sent, field.name)
    if field.kind == "check":
        return text == "yes"
    if not text:
        return None
    if field.kind == "time":
        moment = _of_the_site(text, zone)
        return moment if isinstance(moment, str) else clock.as_shown(moment, field.name)
    if field.kind == "lines":
        return with_blanks_in(text) if field.name in _WITH_BLANKS else codes_in(text)
    if field.kind == "rows":
        rows = [dict(zip(field.columns, row, strict=False)) for row in rows_in(text, len(field.columns))]
        return rows if field.many else rows[0]
    return text


def _of_the_site(text: str, zone: str) -> datetime | str:
    """A time of the clock on the wall, or one with its zone; of an hour that the clock shows twice, the first."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return text
    return moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(zone))


def _on_the_clock(text: str, zone: str) -> str:
    """As a browser's field of a time shows it, where it is one that the zone has: of the year 1 or 9999 it may not be."""
    moment = _of_the_site(text, zone)
    try:
        return text if isinstance(moment, str) else f"{moment.astimezone(ZoneInfo(zone)):%Y-%m-%dT%H:%M}"
    except OverflowError:
        return text


def _text(sent: FormData, name: str) -> str:
    value = sent.get(name)
    return value.strip() if isinstance(value, str) else ""


@dataclass(frozen=True)
class Told:
    """A value of an answer. `leads`: it is a code of ours, and so leads to the thing."""

    text: str
    leads: bool


def _rows(answer: Mapping[str, Any], zone: str, prefix: str = "") -> Iterator[tuple[str, list[Told]]]:
    """An answer as names and values, level by level."""
    for name, value in answer.items():
        words = f"{prefix}{name.replace('_', ' ')}"
        if isinstance(value, dict):
            yield from _rows(value, zone, f"{words}: ")
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for number, one in enumerate(value[:_MOST_TOLD], 1):
                yield from _rows(one, zone, f"{words} {number}: ")
            if len(value) > _MOST_TOLD:
                yield words, [Told(f"{len(value) - _MOST_TOLD} more, {len(value)} in all", False)]
        else:
            yield words, [_told(one, zone) for one in (value if isinstance(value, list) else [value])]


def _told(value: Any, zone: str) -> Told:
    text = "" if value is None else str(value)
    return Told(clock.told(datetime.fromisoformat(text), zone) if _INSTANT.fullmatch(text) else text, codes.kind_told(text) is not None)

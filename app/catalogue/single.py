"""One thing of the catalogue as the text that it has in the file: to be read, changed and looked at before it is signed."""

from dataclasses import replace
from types import NoneType
from typing import Any, get_args, get_origin

from pydantic.fields import FieldInfo

from app.catalogue.definitions import THINGS, Body, Catalogue, Route, Site
from app.catalogue.file import as_toml
from app.catalogue.queries import Defined


def text_of(thing: Defined[Any]) -> str:
    """It alone, as the dump writes it."""
    if isinstance(thing.body, Site):
        return as_toml(Catalogue(site=thing.body))
    return as_toml(Catalogue().model_copy(update={THINGS[thing.kind][0]: (thing.body,)}))


def next_revision(route: Defined[Route]) -> str:
    """The same route with its revision left open: an approved one can't be changed."""
    return text_of(replace(route, body=route.body.model_copy(update={"revision": ""})))


def blank(kind: str) -> str:
    """A new thing of that kind: the keys that it must have, empty, and those that it may have, as comments."""
    field, model = THINGS[kind]
    lines = [f"[[{field}]]"]
    inner: list[str] = []
    for name, one in model.model_fields.items():
        table = _table_in(one.annotation)
        if table is not None and one.is_required():
            inner += ["", f"[[{field}.{name}]]", *_keys(table)]
        else:
            lines.append(_key(name, one))
    return "\n".join([*lines, *inner]) + "\n"


def _keys(model: type[Body]) -> list[str]:
    return [_key(name, one) for name, one in model.model_fields.items()]


def _key(name: str, one: FieldInfo) -> str:
    if one.is_required():
        return f"{name} = {_empty(one.annotation)}"
    default = one.get_default(call_default_factory=True)
    return f"# {name} = {_as_text(default)}".rstrip()


def _empty(annotation: Any) -> str:
    if annotation in (int, float):
        return "0"
    return "[]" if get_origin(annotation) is tuple else '""'


def _as_text(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return "[]"
    if isinstance(value, dict):
        return "{}"
    return "" if value is None else f'"{value}"' if isinstance(value, str) else str(value)


def _table_in(annotation: Any) -> type[Body] | None:
    """The table that a list is of."""
    parts = [one for one in get_args(annotation) if one is not NoneType] if get_origin(annotation) is tuple else []
    return next((one for one in parts if isinstance(one, type) and issubclass(one, Body)), None)

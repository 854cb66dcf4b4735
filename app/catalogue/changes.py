"""What differs between two definitions of a thing, field by field. Pure: what a page shows before a load, and a signer before an approval."""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from app.catalogue.definitions import Body

# what tells the tables of a list apart, so that a step keeps its name when one is put in before it
_UNITS = {
    "_c_per_min": "°C/min", "_kj_mol": "kJ/mol", "_minutes": "min", "_seconds": "s", "_days": "days", "_months": "months", "_c": "°C",
}  # fmt: skip
_LABELS = ("key", "number", "part_number", "name", "role", "column", "kind")


@dataclass(frozen=True)
class FieldChange:
    """One field, as text; `old` None: it was not there, `new` None: it is not there any more."""

    path: str
    old: str | None
    new: str | None


def changes(old: Body | None, new: Body) -> tuple[FieldChange, ...]:
    """What `new` says otherwise than `old`, in the order of the fields. Equal bodies differ in nothing."""
    before = dict(_fields(_plain(old))) if old is not None else {}
    after = dict(_fields(_plain(new)))
    paths = [*after, *(path for path in before if path not in after)]
    return tuple(FieldChange(path, before.get(path), after.get(path)) for path in paths if before.get(path) != after.get(path))


def facts(body: Body) -> list[tuple[str, str]]:
    """Every field of a body as path and text, in the order of the fields."""
    return list(_fields(_plain(body)))


def in_words(path: str) -> str:
    """A field's path as a page says it, its unit apart: `ramp_up_max_c_per_min` is "ramp up max, °C/min"."""
    *parents, name = re.sub(r"\[(.*?)\]", r" \1", path).split(".")
    for ending, unit in _UNITS.items():
        if name.endswith(ending):
            name = f"{name.removesuffix(ending)}, {unit}"
            break
    return ", ".join([*parents, name]).replace("_", " ")


def _plain(body: Body) -> dict[str, Any]:
    return body.model_dump(mode="json", exclude_none=True)


def _fields(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for name, part in value.items():
            yield from _fields(part, f"{path}.{name}" if path else name)
    elif isinstance(value, list) and value and all(isinstance(part, dict) for part in value):
        labels = _labels(value)
        if len(labels) > 1:
            yield f"{path} (order)", ", ".join(labels)
        for label, part in zip(labels, value, strict=True):
            yield from _fields(part, f"{path}[{label}]")
    else:
        yield path, _text(value)


def _labels(tables: list[dict[str, Any]]) -> list[str]:
    for name in _LABELS:
        found = [str(table.get(name)) for table in tables]
        if all(name in table for table in tables) and len(set(found)) == len(found):
            return found
    if all("from_step" in table for table in tables):
        found = [f"{table['from_step']} to {table['to_step']}" for table in tables]
        if len(set(found)) == len(found):
            return found
    return [str(i) for i in range(1, len(tables) + 1)]


def _text(value: Any) -> str:
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}" if float(f"{value:g}") == value else repr(value)
    if isinstance(value, list):
        return ", ".join(_text(part) if not isinstance(part, list) else json.dumps(part) for part in value)
    return json.dumps(value)

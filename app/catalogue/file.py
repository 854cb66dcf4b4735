"""The catalogue's file: TOML in, with every error at its key's path and line; and the whole catalogue out as the same file."""

import difflib
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import tomli_w
from pydantic import BaseModel, ValidationError
from sqlalchemy.orm import Session

from app.catalogue.check import Path, Problem, path_text, problems
from app.catalogue.definitions import Catalogue
from app.catalogue.queries import whole
from app.catalogue.staff import people_problems
from app.catalogue.toml_lines import lines_of, nearest_line
from app.errors import BadInput, Reason, bad_input

_MOST_BYTES = 5_000_000
_MOST_REASONS = 50
_SHORT = 110
_LONG_NUMBER = re.compile(r"[0-9][0-9_]{4000,}")
WHAT = "The catalogue can't be read."


def read_catalogue(text: str | bytes, known: Catalogue | None = None) -> Catalogue:
    """A catalogue from TOML. `known`: what is on the record, which names of the file may lead to."""
    text = _decoded(text)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(str(error)) from None
    except RecursionError:
        raise bad_input(WHAT, "the file", "It is nested too deeply.", "Write it as the dump does.") from None
    except ValueError:
        raise number_too_long(text) from None
    lines: dict[Path, int] = {}

    def place(path: Path) -> str:
        if not lines:
            lines.update(lines_of(text))
        return f"line {nearest_line(lines, path)}, {path_text(path)}"

    return _read(data, known, place)


def catalogue_from(data: Mapping[str, Any], known: Catalogue | None = None) -> Catalogue:
    """A catalogue from JSON of the same shape. Errors name the path alone."""
    return _read(data, known, path_text)


def dump(session: Session, *, with_people: bool = True) -> str:
    """The whole catalogue as TOML that loads back to the same. What stands at its default is left out."""
    return as_toml(whole(session, with_people=with_people))


def as_toml(catalogue: Catalogue) -> str:
    return _compact(tomli_w.dumps(catalogue.model_dump(exclude_defaults=True)))


def _compact(text: str) -> str:
    """Short lists on one line. No string of the writer spans lines, so a bracket at the end of a line is never inside one."""
    for inner in (r"[^\n\[\]{}]+", r"\[[^\n\[\]{}]*\]"):
        text = re.sub(rf"\[\n((?: +{inner},\n)+) *\]", _on_one_line, text)
    return text


def _on_one_line(found: re.Match[str]) -> str:
    short = "[" + ", ".join(line.strip().removesuffix(",") for line in found[1].removesuffix("\n").split("\n")) + "]"
    return short if len(short) <= _SHORT else found[0]


def _read(data: Mapping[str, Any], known: Catalogue | None, place: Any) -> Catalogue:
    try:
        catalogue = Catalogue.model_validate(data)
    except ValidationError as error:
        wrong = error.errors(include_url=False)
        found = [_shape_problem(one) for one in wrong if not _is_empty_by_another(one, wrong)]
    else:
        before = known or Catalogue()
        found = [*problems(catalogue, before), *people_problems(before.people, catalogue.people)]
        if not found:
            return catalogue
    raise BadInput(WHAT, *(Reason("bad_input", one.why, one.now, place(one.path)) for one in found[:_MOST_REASONS]))


def _decoded(text: str | bytes) -> str:
    if len(text) > _MOST_BYTES:
        raise bad_input(WHAT, "the file", f"It is larger than {_MOST_BYTES // 1_000_000} MB.", "Load it in parts: what a file leaves out stays.")
    if isinstance(text, str):
        return text
    try:
        return text.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = text.count(b"\n", 0, error.start) + 1
        raise bad_input(WHAT, f"line {line}", f"Byte {error.start + 1} is not UTF-8.", "Save the file as UTF-8.") from None


def number_too_long(text: str) -> BadInput:
    """Python reads no number of more than 4,300 digits: their cost grows with their square."""
    found = _LONG_NUMBER.search(text)
    where = f"line {text.count(chr(10), 0, found.start()) + 1}" if found else "the file"
    return bad_input(WHAT, where, "It has a number with thousands of digits.", "Correct the number.")


def _syntax_error(message: str) -> BadInput:
    found = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", message, re.DOTALL)
    why = found[1] if found else message
    where = f"line {found[2]}, column {found[3]}" if found and found[2] else "the end of the file"
    now = "Correct the line: text stands in quotes, a list in [ ], a table's name in [ ] or [[ ]]."
    return bad_input(WHAT, where, f"This is not TOML: {why}.", now)


def _is_empty_by_another(error: Any, every: Sequence[Any]) -> bool:
    """A list that is called too short because what stands in it does not fit, which is told by itself."""
    path = error["loc"]
    return error["type"] == "too_short" and any(one["loc"][: len(path)] == path for one in every if len(one["loc"]) > len(path))


def _shape_problem(error: Any) -> Problem:
    path: Path = tuple(error["loc"])
    kind = error["type"]
    if kind == "extra_forbidden":
        return _unknown_key(path)
    if kind == "missing":
        return Problem(path, f"The key {path[-1]} is missing.", f"Add {path[-1]} = ...")
    if kind == "literal_error":
        return Problem(path, f"{_shown(error['input'])} is not one of the words allowed here.", f"Write one of: {error['ctx']['expected']}.")
    if kind == "too_short":
        return Problem(path, "There is nothing in it, and it needs at least one.", "Write one, in [ ] or as a [[table]].")
    if kind.startswith(("datetime", "timezone")):
        return Problem(path, f"{_shown(error['input'])} is not a time with a zone.", "Write it such as 2027-03-31T22:00:00Z.")
    if kind in ("tuple_type", "model_type", "dict_type"):
        return Problem(path, f"{_shown(error['input'])} is not a {'list' if kind == 'tuple_type' else 'table'}.", _remedy(kind))
    return Problem(path, f"{_shown(error['input'])} does not fit: {_first_lower(error['msg'])}.", _remedy(kind))


def _unknown_key(path: Path) -> Problem:
    allowed = list(_keys_at(path[:-1]))
    close = difflib.get_close_matches(str(path[-1]), allowed, 1)
    meant = f"Did you mean {close[0]}? " if close else ""
    return Problem(path, f"There is no key {path[-1]} here.", f"{meant}Keys here: {', '.join(allowed)}.")


def _keys_at(path: Path) -> Sequence[str]:
    """The keys of the table at a path, read off the models."""
    model: type[BaseModel] = Catalogue
    for part in path:
        if isinstance(part, str) and (inner := _model_in(model.model_fields[part].annotation)) is not None:
            model = inner
    return list(model.model_fields)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        if (found := _model_in(inner)) is not None:
            return found
    return None


def _remedy(kind: str) -> str:
    if kind.startswith("string") and kind != "string_pattern_mismatch":
        return 'Write text in quotes, such as "A-100", of 1 to 80 characters.'
    if kind.startswith(("int", "float", "greater", "less")):
        return "Write a number inside those limits, without quotes."
    if kind.startswith("bool"):
        return "Write true or false."
    if kind.startswith(("tuple", "list")):
        return "Write a list in [ ], or [[tables]]."
    if kind in ("model_type", "dict_type"):
        return "Write a [table] with keys, or { key = value } in a line."
    if kind.startswith("time"):
        return "Write a time of day such as 06:00:00."
    return "Correct the value."


def _shown(value: Any) -> str:
    try:
        text = repr(value) if isinstance(value, str) else str(value)
    except ValueError:  # of thousands of digits, written in hexadecimal
        return "That number"
    return text if len(text) <= 60 else f"{text[:57]}..."


def _first_lower(text: str) -> str:
    return text[:1].lower() + text[1:]

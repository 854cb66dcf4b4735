"""The catalogue's file as JSON: what JSON leaves open, and what no database keeps, is refused before its shape is looked at."""

import json
from typing import Any

from app import named_once
from app.catalogue.check import Path, path_text
from app.catalogue.definitions import Catalogue
from app.catalogue.file import WHAT, catalogue_from, number_too_long
from app.errors import bad_input
from app.named_once import NamedTwice


def read_json(data: bytes, known: Catalogue | None = None) -> Catalogue:
    """`known`: what is on the record, which names of the file may lead to."""
    found = _parsed(data)
    if not isinstance(found, dict):
        raise bad_input(WHAT, "body", "It is not an object.", 'Send {"products": [...], ...}.')
    return catalogue_from(found, known)


def _parsed(data: bytes) -> Any:
    try:
        found = named_once.read_json(data, parse_constant=_no_number)
        _check_whole(found, ())
        return found
    except NamedTwice as twice:
        raise bad_input(WHAT, twice.where, "An object has two keys of this name.", "Keep the one that is right.") from None
    except json.JSONDecodeError as error:
        raise bad_input(WHAT, f"line {error.lineno}, column {error.colno}", f"This is not JSON: {error.msg}.", "Correct it there.") from None
    except UnicodeDecodeError as error:
        raise bad_input(WHAT, "body", f"Byte {error.start + 1} is not UTF-8.", "Send it in UTF-8.") from None
    except RecursionError:
        raise bad_input(WHAT, "body", "It is nested too deeply.", "Nest it as the schema says.") from None
    except ValueError:
        raise number_too_long(data.decode("utf-8", "replace")) from None


def _no_number(text: str) -> float:
    raise bad_input(WHAT, "body", f"{text} is not a number in JSON.", "Send a number, or leave the key out.")


def _check_whole(value: Any, path: Path) -> None:
    """JSON may carry half a character, which no database keeps and no answer can tell."""
    if isinstance(value, dict):
        for name, inner in value.items():
            _check_whole(name, path)
            _check_whole(inner, (*path, name))
    elif isinstance(value, list):
        for n, inner in enumerate(value):
            _check_whole(inner, (*path, n))
    elif isinstance(value, str):
        _check_text(value, path)


def _check_text(text: str, path: Path) -> None:
    try:
        text.encode()
    except UnicodeEncodeError as half:
        why = f"It has half a character (a lone surrogate) after {text[max(0, half.start - 20) : half.start]!r}."
        raise bad_input(WHAT, path_text(path) or "body", why, "Send whole characters.") from None

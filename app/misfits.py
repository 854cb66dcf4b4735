"""What does not fit a field of a call or form, in words of ours: why, and what to do."""

from collections.abc import Mapping
from typing import Any

from app.errors import Reason

# by the kinds of Pydantic's errors, whose names for limits stand in braces
_MISFITS = {
    "missing": ("It is missing.", "Give it."),
    "extra_forbidden": ("There is no such field.", "Leave it out, or correct its name."),
    "json_invalid": ("This is not JSON: {error}.", "Send JSON, in UTF-8."),
    "finite_number": ("It is not a finite number.", "Give a number like 12.5."),
    "literal_error": ("It is not one of the words allowed here.", "Give one of: {expected}."),
    "enum": ("It is not one of the words allowed here.", "Give one of: {expected}."),
    "too_short": ("It has {actual_length} entries, and needs at least {min_length}.", "Add what is missing."),
    "too_long": ("It has more than {max_length} entries.", "Send it in parts."),
    "string_too_short": ("It has fewer characters than {min_length}.", "Fill it in."),
    "string_too_long": ("It has more characters than {max_length}.", "Shorten it."),
    "greater_than_equal": ("It is less than {ge}.", "Give a number from {ge} up."),
    "greater_than": ("It is not more than {gt}.", "Give a number above {gt}."),
    "less_than_equal": ("It is more than {le}.", "Give a number up to {le}."),
    "less_than": ("It is not less than {lt}.", "Give a number below {lt}."),
    "string_unicode": ("It is not text in UTF-8.", "Send it in UTF-8."),
}
_KINDS_OF_MISFIT = {  # by how the kind begins
    "int": ("It is not a whole number.", "Give a whole number, like 12."),
    "float": ("It is not a number.", "Give a number with a point as decimal mark, like 12.5."),
    "bool": ("It is neither true nor false.", "Give true or false."),
    "datetime": ("It is not a date and time.", "Give it like 2026-03-05T14:30:00Z."),
    "date": ("It is not a day.", "Give it like 2026-03-05."),
    "timezone": ("It has no time zone.", "Give it with one, like 2026-03-05T14:30:00Z."),
    "string": ("It is not text.", "Give a text."),
    "list": ("It is not a list.", "Give a list, even of one."),
    "tuple": ("It is not a list.", "Give a list, even of one."),
    "model": ("It is not an object with fields.", "Give an object with the fields that the document at /api names."),
    "dict": ("It is not an object with fields.", "Give an object, names with values."),
}


def is_crafted(found: Mapping[str, Any]) -> bool:
    """A zero byte, which no key and no scanner writes; other control characters part the fields of a label's message."""
    return "\0" in found["input"] if isinstance(found.get("input"), str) else False


def misfit(found: Mapping[str, Any]) -> Reason:
    """What Pydantic found wrong with one field, in our words. The value is not told again: it may be a secret."""
    kind, told, place = str(found["type"]), found.get("ctx", {}), ".".join(str(part) for part in found["loc"])
    if told.get("field_type") == "Value":  # a text whose length is looked at after a check of ours: too_short, where a list would be
        kind = f"string_{kind}"
    why, now = _MISFITS.get(kind) or next((words for begin, words in _KINDS_OF_MISFIT.items() if kind.startswith(begin)), ("", ""))
    if kind == "value_error":  # of our own checks: why, and after a semicolon what to do
        why, _, now = str(found["msg"]).removeprefix("Value error, ").partition("; ")
        why, now = why[:1].upper() + why[1:].rstrip(".") + ".", now[:1].upper() + now[1:].rstrip(".") + "." if now else ""
    try:
        why, now = why.format_map(told), now.format_map(told)
    except (KeyError, ValueError, IndexError):
        why = now = ""
    return Reason("bad_input", why or f"{found['msg']}.", now or "Correct it and send it again.", place)

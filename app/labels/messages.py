"""Messages in two-dimensional symbols on labels: ISO/IEC 15434 format 06, fields named by ISO/IEC 15418 data identifiers.

Bytes: `[)>` RS `06`, then GS and a field each, then RS EOT. Reading is strict on purpose: a message without its end was cut
short, and one with another header was printed or scanned wrongly; both would pass for a shorter, wrong one.
"""

import re
from collections.abc import Sequence

from app.errors import bad_input

GS, RS, EOT = "\x1d", "\x1e", "\x04"
_HEAD, _TAIL = f"[)>{RS}06", f"{RS}{EOT}"
_IDENTIFIER = re.compile(r"[0-9]{0,3}[A-Z]")
_PRINTABLE = re.compile(r"[\x20-\x7e]+")
_WHAT = "This is not a label message."

Field = tuple[str, str]


def encode(fields: Sequence[Field]) -> bytes:
    """The message that says these fields (data identifier, value) in this order."""
    if not fields:
        raise bad_input("A label needs something to say.", "fields", "There are none.", "Give at least one field.")
    for number, (identifier, value) in enumerate(fields, start=1):
        _check(identifier, value, number)
    return (_HEAD + "".join(f"{GS}{identifier}{value}" for identifier, value in fields) + _TAIL).encode("ascii")


def is_sayable(value: str) -> bool:
    return _PRINTABLE.fullmatch(value) is not None


def decode(message: bytes) -> list[Field]:
    """The fields of a message in their order. An identifier is the longest run of figures and the letter that ends it."""
    body = _inside(message)
    fields = []
    for number, field in enumerate(body.split(GS)[1:], start=1):
        identifier = _IDENTIFIER.match(field)
        if identifier is None:
            why = f"{field!r} does not begin with a data identifier." if field else "It is empty."
            raise bad_input(_WHAT, f"field {number}", why, "A field is up to three figures, a capital letter, then its value.")
        found = identifier.group(), field[identifier.end() :]
        _check(*found, number)
        fields.append(found)
    return fields


def _inside(message: bytes) -> str:
    """What stands between header and end: GS and field, again and again."""
    try:
        text = message.decode("ascii")
    except UnicodeDecodeError as error:
        raise bad_input(_WHAT, f"byte {error.start + 1}", "It is not ASCII.", "Scan it again in the mode that sends bytes.") from None
    if not text.startswith(f"[)>{RS}"):
        why = f"It begins with {text[:4]!r}, not with [)> and the record separator."
        raise bad_input(_WHAT, "byte 1", why, "Let the scanner send control characters as they are.")
    if text[4:6] != "06":
        raise bad_input(_WHAT, "byte 5", f"It is of format {text[4:6]!r}.", "Only format 06 (data identifiers) is read.")
    if not text.endswith(_TAIL):
        raise bad_input(_WHAT, f"byte {len(text)}", "Its end is missing: record separator and EOT.", "Scan it again.")
    body = text[len(_HEAD) : -len(_TAIL)]
    if not body.startswith(GS):
        raise bad_input(_WHAT, "byte 7", "The group separator is missing before the first field.", "Let the scanner send control characters.")
    return body


def _check(identifier: str, value: str, number: int) -> None:
    if _IDENTIFIER.fullmatch(identifier) is None:
        why = f"{identifier!r} is not a data identifier."
        raise bad_input(_WHAT, f"field {number}", why, "It is up to three figures and a capital letter, as in 1P or Q.")
    if not value:
        raise bad_input(_WHAT, f"field {number} ({identifier})", "Its value is empty.", "Leave the field out, or fill it in.")
    if not is_sayable(value):
        why = f"{value!r} has characters other than printable ASCII."
        raise bad_input(_WHAT, f"field {number} ({identifier})", why, "Use letters, figures and signs of ASCII only.")

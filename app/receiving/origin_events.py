"""Reads a supplier's EPCIS 2.0 document in JSON-LD: which things its events name, when, and what they came from.

Pure. What the events say of other houses is kept as it is; asked for is what the standard requires (ISO/IEC 19987) and the words of
its vocabulary. A problem names the element: epcisBody.eventList[3].bizStep.
"""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import unquote

from app.errors import BadInput, bad_input
from app.named_once import NamedTwice, read_json
from app.receiving.cbv import BIZ_STEPS, CONTEXT, DISPOSITIONS, bare, is_word

MOST_EVENTS, MOST_NAMES = 10_000, 200_000
_TYPES = ("ObjectEvent", "AggregationEvent", "TransactionEvent", "TransformationEvent", "AssociationEvent")
_OFFSET = re.compile(r"[+-]((0[0-9]|1[0-3]):[0-5][0-9]|14:00)")
_CONTEXT = re.compile(r"^https?://\S*/epcis-context\.jsonld$")  # GS1 has it at more than one address
_EPCS = {"epcList": "object", "childEPCs": "object", "inputEPCList": "input", "outputEPCList": "output"}
_NAMES = {  # kind: lists of which it has one, actions that need a parent, actions that need no list
    "ObjectEvent": (("epcList", "quantityList"), (), ()), "TransactionEvent": (("epcList", "quantityList"), (), ("DELETE",)),
    "AggregationEvent": (("childEPCs", "childQuantityList"), ("ADD", "DELETE"), ("DELETE",)),
    "AssociationEvent": (("childEPCs", "childQuantityList"), ("ADD", "OBSERVE", "DELETE"), ("DELETE",)),
}  # fmt: skip
_CLASSES = {"quantityList": "object", "childQuantityList": "object", "inputQuantityList": "input", "outputQuantityList": "output"}


@dataclass(frozen=True)
class NamedThing:
    """`role`: object, input or output. `where`: the element that names it."""

    uri: str
    role: str
    quantity: float | None
    uom: str
    where: str

    @property
    def number(self) -> str:
        """The supplier's own number within the URI: the lot or serial of an EPC, the last part of any other."""
        last = re.split(r"[/:]", self.uri.rstrip("/"))[-1]
        if self.uri.startswith(("urn:epc:id:", "urn:epc:class:")) and last.count(".") >= 2:
            last = last.split(".", 2)[2]
        return unquote(last)


@dataclass(frozen=True)
class OriginEvent:
    number: int  # in the document, from 1
    kind: str
    happened_at: datetime
    step: str
    disposition: str
    place: str
    things: tuple[NamedThing, ...]

    def inputs(self) -> list[str]:
        return [one.uri for one in self.things if one.role == "input"]


def read_origin_document(data: bytes, what: str) -> tuple[OriginEvent, ...]:
    """All events of the document, in its order."""
    document = _object(_parsed(data, what), what, "the document")
    if bare(str(document.get("type", ""))) != "EPCISDocument":
        raise bad_input(what, "type", f"It is {document.get('type')!r}.", "Expected an EPCISDocument in JSON-LD.")
    if str(document.get("schemaVersion", "")).split(".")[0] != "2":
        raise bad_input(what, "schemaVersion", f"It is {document.get('schemaVersion')!r}.", "Have it sent as EPCIS 2.0.")
    if not any(isinstance(one, str) and _CONTEXT.search(one) for one in _as_list(document.get("@context"))):
        raise bad_input(what, "@context", "It does not name the context of EPCIS, so its words may mean anything.", f"Expected {CONTEXT}.")
    events = _object(document.get("epcisBody"), what, "epcisBody").get("eventList")
    if not isinstance(events, list) or not events:
        raise bad_input(what, "epcisBody.eventList", "It has no events.", "Expected a list of events.")
    if len(events) > MOST_EVENTS:
        raise bad_input(what, "epcisBody.eventList", f"It has {len(events):,} events.", f"Send at most {MOST_EVENTS:,} at once.")
    found = tuple(_event(_object(one, what, f"epcisBody.eventList[{n}]"), n, what) for n, one in enumerate(events))
    if sum(len(one.things) for one in found) > MOST_NAMES:
        raise bad_input(what, "epcisBody.eventList", "Its events name too many things.", f"Send at most {MOST_NAMES:,} names at once.")
    return found


def _parsed(data: bytes, what: str) -> Any:
    try:
        return read_json(data.decode().lstrip("\ufeff"))
    except json.JSONDecodeError as error:
        raise bad_input(what, f"line {error.lineno}", f"This is not JSON: {error.msg}.", "Have it sent as EPCIS 2.0 in JSON-LD.") from None
    except NamedTwice as twice:
        raise bad_input(what, twice.where, "An object has two members of this name.", "Keep the one that is right.") from None
    except (UnicodeDecodeError, RecursionError):
        raise bad_input(what, "the file", "It is not JSON in UTF-8.", "Have it sent as EPCIS 2.0 in JSON-LD.") from None
    except ValueError:
        raise bad_input(what, "the file", "It has a number of thousands of figures.", "Have it sent as EPCIS 2.0 in JSON-LD.") from None


def _event(event: dict[str, Any], n: int, what: str) -> OriginEvent:
    at = f"epcisBody.eventList[{n}]"
    kind = str(event.get("type", ""))
    if kind not in _TYPES:
        raise bad_input(what, f"{at}.type", f"It is {event.get('type')!r}.", f"Expected one of: {', '.join(_TYPES)}.")
    offset = event.get("eventTimeZoneOffset")
    if not isinstance(offset, str) or not _OFFSET.fullmatch(offset):
        raise bad_input(what, f"{at}.eventTimeZoneOffset", f"It is {offset!r}.", "Expected an offset like +08:00, 14:00 at most.")
    if "errorDeclaration" in event:
        why = "Its sender declares this event to be wrong."
        raise bad_input(what, f"{at}.errorDeclaration", why, "Have the document sent with what is right instead of it.")
    _check_action(event, kind, at, what)
    things = tuple(_things(event, at, what))
    _check_names(event, kind, at, what)
    if kind == "TransformationEvent" and "transformationID" not in event and {"input", "output"} - {one.role for one in things}:
        raise bad_input(what, at, "A transformation without a transformationID has inputs and outputs; one is missing.", "Name both.")
    return OriginEvent(
        n + 1, kind, _time(event.get("eventTime"), f"{at}.eventTime", what),
        _word(event, "bizStep", BIZ_STEPS, at, what), _word(event, "disposition", DISPOSITIONS, at, what), _place(event), things,
    )  # fmt: skip


def _check_action(event: dict[str, Any], kind: str, at: str, what: str) -> None:
    action = event.get("action")
    if kind == "TransformationEvent" and action is not None:
        raise bad_input(what, f"{at}.action", "A TransformationEvent has no action.", "Leave it out.")
    if kind != "TransformationEvent" and action not in ("ADD", "OBSERVE", "DELETE"):
        raise bad_input(what, f"{at}.action", f"It is {action!r}.", "Expected ADD, OBSERVE or DELETE.")


def _check_names(event: dict[str, Any], kind: str, at: str, what: str) -> None:
    """What an event of this kind must name (EPCIS 2.0, JSON schema): its objects, and a parent where there is one."""
    if kind not in _NAMES:
        return
    (first, second), needs_parent, may_lack = _NAMES[kind]
    action = event["action"]
    if not (event.get(first) or event.get(second) or (event.get("sensorElementList") and _place(event))) and action not in may_lack:
        raise bad_input(what, f"{at}.{first}", f"A {kind} names what it is about, and this one has no {first} nor {second}.", "Name at least one.")
    if action in needs_parent and not event.get("parentID"):
        raise bad_input(what, f"{at}.parentID", f"A {kind} with action {action} has a parent, and this one names none.", "Name it.")


def _things(event: dict[str, Any], at: str, what: str) -> Iterator[NamedThing]:
    if isinstance(event.get("parentID"), str):
        yield NamedThing(_uri(event["parentID"], f"{at}.parentID", what), "object", None, "", f"{at}.parentID")
    for name, role in _EPCS.items():
        for n, uri in enumerate(_list(event, name, at, what)):
            where = f"{at}.{name}[{n}]"
            yield NamedThing(_uri(uri, where, what), role, None, "", where)
    for name, role in _CLASSES.items():
        for n, element in enumerate(_list(event, name, at, what)):
            where = f"{at}.{name}[{n}]"
            one = _object(element, what, where)
            quantity = one.get("quantity")
            if quantity is not None and (isinstance(quantity, bool) or not isinstance(quantity, int | float) or not 0 <= quantity < 1e15):
                raise bad_input(what, f"{where}.quantity", f"It is {quantity!r}.", "Expected a number, not negative.")
            amount = None if quantity is None else float(quantity)
            yield NamedThing(_uri(one.get("epcClass"), f"{where}.epcClass", what), role, amount, _text(one.get("uom")), where)


def _list(event: dict[str, Any], name: str, at: str, what: str) -> list[Any]:
    found = event.get(name, [])
    if not isinstance(found, list):
        raise bad_input(what, f"{at}.{name}", "It is not a list.", "Expected a list.")
    return found


def _as_list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


def _object(value: Any, what: str, where: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise bad_input(what, where, "It is missing, or is not a JSON object.", "Expected an object with named members.")
    return value


def _uri(value: Any, where: str, what: str) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"[A-Za-z][A-Za-z0-9+.-]*:[!-~]{1,500}", value):
        raise bad_input(what, where, f"It is {str(value)[:80]!r}.", "Expected a URI.")
    return value


def _word(event: dict[str, Any], name: str, words: frozenset[str], at: str, what: str) -> str:
    word = event.get(name)
    if word is None:
        return ""
    if not isinstance(word, str) or len(word) > 500 or not word.isprintable() or not is_word(word, words):
        raise _no_word(word, f"{at}.{name}", what)
    return bare(word)


def _no_word(word: Any, where: str, what: str) -> BadInput:
    return bad_input(what, where, f"{str(word)[:80]!r} is neither a word of the CBV 2.0 nor a URI.", "Use one of its words, or a URI of your own.")


def _time(value: Any, where: str, what: str) -> datetime:
    try:
        at = datetime.fromisoformat(value)
    except (TypeError, ValueError):
        at = None
    if at is None or at.tzinfo is None or not 1970 < at.year < 2200:
        raise bad_input(what, where, f"It is {str(value)[:40]!r}.", "Expected a date and time with its offset, like 2026-03-05T14:30:00Z.")
    return at


def _place(event: dict[str, Any]) -> str:
    for name in ("readPoint", "bizLocation"):
        if isinstance(event.get(name), dict) and isinstance(event[name].get("id"), str):
            return _text(event[name]["id"])
    return ""


def _text(value: Any) -> str:
    return "".join(sign for sign in value[:500] if sign.isprintable()) if isinstance(value, str) else ""

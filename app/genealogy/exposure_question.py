"""An exposure question as it stands in an address: codes, how they are joined, and what narrows them. The same for page and call."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypeVar, get_args
from urllib.parse import parse_qs
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from app.catalogue.definitions import Operation
from app.clock import as_shown
from app.errors import bad_input
from app.floor.groups import contents
from app.genealogy.suspects import EVERY_CURE, Region, Suspect
from app.ledger.walk import kinds_of
from app.naming.resolve import Named, resolve
from app.ovens.run_of_load import run_of_load
from app.several import codes_in

KINDS = ("wafer", "batch", "panel", "lot", "sample", "pack", "run", "load", "station", "person", "container")
_NUMBER = re.compile(r"-?\d+(\.\d+)?")
OPERATIONS = get_args(Operation)
_IN_TIME = ("batch", "run", "load", "station", "person")
Span = tuple[datetime | None, datetime | None]
T = TypeVar("T")


@dataclass(frozen=True)
class Question:
    """As it was asked, in text. `since`, `until`: ISO 8601; without a zone they are the site's time.

    They hold for every suspect but those that come with a span of their own: CODE@from/to.
    """

    suspects: tuple[str, ...]
    join: str = "any"
    since: str = ""
    until: str = ""
    operation: str = ""
    shelves: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    rectangle: str = ""
    ring: str = ""
    lasso: str = ""
    bins: tuple[str, ...] = ()
    heat: str = ""  # "short": only panels whose heat ledger is short; without a suspect, of every cure in the span

    @property
    def codes(self) -> list[str]:
        """A field may hold several."""
        return codes_in(*self.suspects)

    @property
    def is_asked(self) -> bool:
        return bool(self.codes or self.heat)

    def in_words(self, zone: str) -> str:
        """What was asked, to stand over an answer that is printed without the form. `zone`: of times that name none."""
        codes = ", ".join(self.codes) or "every cure"
        whose = f"{'All' if self.join == 'all' else 'Any'} of {codes}" if len(self.codes) > 1 else f"Of {codes}"
        given = {"operation": self.operation, "shelf": ", ".join(self.shelves), "run line": ", ".join(self.lines), **self._region_in_words()}
        since, until = self.since.replace("T", " "), self.until.replace("T", " ")
        span = f"from {since or 'the beginning'} to {until or 'now'} ({zone})" if since or until else ""
        heat = "panels whose heat ledger is short" if self.heat else ""
        narrowed = [f"{name} {text}" for name, text in given.items() if text] + [text for text in (span, heat) if text]
        return f"{whose}; only {'; '.join(narrowed)}." if narrowed else f"{whose}."

    def _region_in_words(self) -> dict[str, str]:
        corners = {"rectangle from, to": self.rectangle, "ring of centre, radii": self.ring, "lasso through": self.lasso}
        return {f"dies in the {name}": text for name, text in corners.items()} | {"dies of bin": ", ".join(self.bins)}


def suspects_of(session: Session, asked: Question, zone: str) -> list[Suspect]:
    """The suspects that a question names. Raises bad_input or unknown_code, naming the field."""
    since, until = _span(asked.since, asked.until, zone)
    spans = {code: _own_span(code, zone) for code in asked.codes if "@" in code}
    meant = [(thing, spans.get(code, (since, until)), code in spans) for code in asked.codes for thing in _named(session, code.partition("@")[0])]
    named = [thing for thing, _, _ in meant]
    for one, _, has_own in meant:
        if has_own and one.kind not in _IN_TIME:
            raise bad_input("A span of time is of work.", "suspect", f"{one.code} is a {one.kind}.", "Name it without a span.")
    region = region_of(asked)
    if region is not None and not any(one.kind == "wafer" for one in named):
        raise bad_input("A region needs a wafer.", "suspect", "None of the suspects is a wafer.", "Name the wafer that the region is of.")
    if asked.operation and asked.operation not in OPERATIONS:
        raise bad_input("That is not an operation.", "operation", f"It is {asked.operation!r}.", f"One of: {', '.join(OPERATIONS)}.")
    lines = tuple(_whole(number, "line") for number in asked.lines if number.strip())
    if asked.heat not in ("", "short"):
        raise bad_input("That is not a state of heat.", "heat", f"It is {asked.heat[:40]!r}.", 'Say "short", or leave it out.')
    if asked.heat and not named:
        return [Suspect(Named(EVERY_CURE, 0, EVERY_CURE), since=since, until=until, short_of_heat=True)]
    return [
        Suspect(
            one, region if one.kind == "wafer" else None,
            *(span if one.kind in _IN_TIME else (None, None)),
            operation=asked.operation or None, shelves=tuple(filter(str.strip, asked.shelves)), lines=lines,
            short_of_heat=bool(asked.heat),
        )
        for one, span, _ in meant
    ]  # fmt: skip


def _own_span(text: str, zone: str) -> Span:
    code, _, span = text.partition("@")
    begins, slash, ends = span.partition("/")
    if not slash or not (begins or ends):
        why = f"{text[:60]!r} has no from/to behind the @."
        raise bad_input("That is not a span of time.", "suspect", why, f"For example {code}@2026-03-01T06:30/2026-03-01T14:00.")
    return _span(begins, ends, zone)


def _span(begins: str, ends: str, zone: str) -> Span:
    since, until = _moment(begins, "since", zone, fold=0), _moment(ends, "until", zone, fold=1)
    if since and until and until < since:
        raise bad_input("The span ends before it begins.", "until", f"{ends} is before {begins}.", "Swap them.")
    return since, until


def _named(session: Session, code: str) -> list[Named]:
    """What a code names: a load is the run that it became, a container what is in it now."""
    one = resolve(session, code, *KINDS)
    if one.kind == "load":
        return [Named("run", run_of_load(session, one), one.code)]
    if one.kind == "container":
        panels, items = contents(session, one)
        kinds = kinds_of(session, items)
        return [*(Named("panel", panel, one.code) for panel in panels), *(Named(kinds[item], item, one.code) for item in items)]
    return [one]


def region_of(asked: Question) -> Region | None:
    """The region of a wafer's map that a question names."""
    rectangle, ring = _numbers(asked.rectangle, "rectangle", 4, round), _numbers(asked.ring, "ring", 4, float)
    corners, bins = _numbers(asked.lasso, "lasso", None, float), tuple(filter(str.strip, asked.bins))
    if not (rectangle or ring or corners or bins):
        return None
    if len(corners) % 2 or 0 < len(corners) < 6:
        raise bad_input("That is not a lasso.", "lasso", "It needs three corners or more, each an x and a y.", "For example: 1,1 9,1 5,8.")
    lasso = tuple(zip(corners[::2], corners[1::2], strict=True))
    return Region(tuple(rectangle) or None, tuple(ring) or None, lasso, bins)  # type: ignore[arg-type]


def _numbers(text: str, field: str, n: int | None, kind: Callable[[float], T]) -> list[T]:
    if not text.strip():
        return []
    parts = text.replace(",", " ").replace(";", " ").split()
    if not all(_NUMBER.fullmatch(part) and len(part) < 12 for part in parts) or (n is not None and len(parts) != n) or len(parts) > 2000:
        wanted = f"{n} numbers" if n else "numbers"
        raise bad_input("Those are not coordinates.", field, f"{text[:60]!r} is not {wanted}.", "Give die columns and rows, for example 3,4,20,30.")
    return [kind(float(part)) for part in parts]


def _moment(text: str, field: str, zone: str, fold: int) -> datetime | None:
    """`fold`: of a time that the zone has twice, the first or the second; a span takes in both."""
    if not text.strip():
        return None
    try:
        moment = datetime.fromisoformat(text.strip())
        return moment if moment.tzinfo else as_shown(moment.replace(tzinfo=ZoneInfo(zone), fold=fold), field).astimezone(UTC)
    except (ValueError, OverflowError):
        raise bad_input("That is not a time.", field, f"{text[:40]!r} is not ISO 8601.", "For example 2026-03-01T06:30.") from None


def _whole(text: str, field: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 16):
        raise bad_input("That is not a run line.", field, f"{text[:40]!r} is not a number.", "Take it from the trace.")
    return int(text)


def asked_again(asked: Question) -> Sequence[tuple[str, str]]:
    """The question as the parameters of an address."""
    pairs = [("suspect", code) for code in asked.suspects if code.strip()] + [("join", asked.join)]
    pairs += [(name, getattr(asked, name)) for name in ("since", "until", "operation", "rectangle", "ring", "lasso", "heat")]
    pairs += [("shelf", one) for one in asked.shelves] + [("line", one) for one in asked.lines] + [("bin", one) for one in asked.bins]
    return [(name, value) for name, value in pairs if value and (name, value) != ("join", "any")]


def asked_in(query: str) -> Question:
    """The question of such an address."""
    given = parse_qs(query)
    several = [tuple(given.get(name, ())) for name in ("suspect", "shelf", "line", "bin")]
    single = {name: given[name][-1] for name in ("join", "since", "until", "operation", "rectangle", "ring", "lasso", "heat") if name in given}
    return Question(several[0], shelves=several[1], lines=several[2], bins=several[3], **single)

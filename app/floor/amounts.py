"""How many units a loose lot holds by the book, from what flowed in and out and what was counted out of it; and its phase (rule 4)."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import hypot, sqrt
from typing import NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.ledger.counting import spare_of
from app.ledger.counts import NOT_COUNTED
from app.ledger.flows import KINDS, Flow
from app.ledger.runs import Line, is_void
from app.listed import Question, ask, listed

AMOUNTS = tuple(kind for kind, (counts, _) in KINDS.items() if counts)
GIVES_OUT = tuple(kind for kind in AMOUNTS if kind != "draw")  # samples and scrap are no outflow in the sense of rule 4
OUT_OF_BOOK = ("scrapped", "destroyed", "difference")
METHOD_OF_FLOW = {"cells": "cells", "bin": "counter", "fill": "pockets", "untape": "pockets", "draw": "hand"}
POURED = ("merge", "carry")  # nobody counts then: what the lot before had by its book, with all its uncertainty, which the opening count carries


class Posting(NamedTuple):
    """An amount that came into a loose lot or left it: `what` is in, out, scrapped, sampled or difference.

    `entry`, `mark`: the count or mark that it was taken out by, where it was.
    """

    what: str
    kind: str  # of the flow or count entry
    units: int
    method: str
    u: float  # standard uncertainty, units
    other: int | None = None  # the item at the other end of a flow
    reason: str = ""
    e: int = 0
    entry: int | None = None
    mark: int | None = None

    @property
    def to_take_back(self) -> int | None:
        """The count, if it may be taken back: not what a sample destroyed, nor a difference that answers no count."""
        return self.entry if self.kind in ("scrapped", "difference") and self.reason not in NOT_COUNTED else None


@dataclass(frozen=True)
class Book:
    """What is in a loose lot by the book, with its standard uncertainty, and the postings that make it."""

    book: int
    u: float
    postings: tuple[Posting, ...]

    def book_at(self, e: int) -> int:
        """What was in it after that entry."""
        return sum(posting.units if posting.what == "in" else -posting.units for posting in self.postings if posting.e <= e)

    def total(self, what: str) -> int:
        return sum(posting.units for posting in self.postings if posting.what == what)


def books(session: Session, lots: Iterable[int]) -> dict[int, int]:
    """The units alone of many loose lots: one statement. What nothing came into is not among them."""
    return dict(ask(session, _BOOKS, lots=lots))


def books_of(lots: Iterable[int]) -> Question[dict[int, int]]:
    return Question(_BOOKS, {"lots": lots}, lambda rows: dict(rows))


def empty(session: Session, books: dict[int, int], lots: Iterable[int]) -> set[int]:
    """Those of the loose lots with nothing in them. Where the book says so, what was weighed out or in may still have left some."""
    nothing = [lot for lot in lots if books.get(lot, 0) <= 0]
    return {lot for lot, now in amounts(session, nothing).items() if not spare_of(now.u)} if nothing else set()


def amount(session: Session, lot: int) -> Book:
    return amounts(session, [lot])[lot]


def amounts(session: Session, lots: Iterable[int]) -> dict[int, Book]:
    """The amounts of many loose lots: three statements."""
    ids = list(lots)
    flows = ask(session, _FLOWS, lots=ids)
    openings = _openings(session, [*ids, *(flow.child for flow in flows if flow.kind == "split")])
    postings: dict[int, list[Posting]] = {lot: [] for lot in ids}
    for child, parent, kind, units, e in flows:
        method, u = openings.get((child, e), (METHOD_OF_FLOW.get(kind, "cells"), 0.0))
        method = "book" if kind in POURED else method
        if child in postings:
            postings[child].append(Posting("in", kind, units, method, u, parent, e=e))
        if parent in postings:
            what = "sampled" if kind == "draw" else "out"
            postings[parent].append(Posting(what, kind, units, method, u if kind == "split" else 0.0, child, e=e))
    for row in ask(session, _COUNTS, lots=ids):
        what = "sampled" if row.kind == "destroyed" else row.kind
        postings[row.item].append(Posting(what, row.kind, row.units, row.method, row.u, reason=row.reason, e=row.e, entry=row.entry))
    return {lot: _summed(rows) for lot, rows in postings.items()}


def book_of(session: Session, lot: int) -> int:
    return amount(session, lot).book


def has_been_worked(session: Session, lot: int) -> bool:
    """A run has, or had, the whole loose lot in it. Runs that were voided don't count."""
    return session.scalar(select(Line.id).where(Line.item == lot, ~is_void(Line.run)).limit(1)) is not None


def has_given_out(session: Session, lot: int) -> bool:
    """Something has left the lot that goes on elsewhere."""
    return session.scalar(select(Flow.child).where(Flow.parent == lot, Flow.kind.in_(GIVES_OUT)).limit(1)) is not None


_KINDS, _OUT = (", ".join(f"'{kind}'" for kind in kinds) for kinds in (AMOUNTS, OUT_OF_BOOK))
_FLOWS = listed(
    f"""
    select child, parent, kind, units, e from flow where child in :lots and kind in ({_KINDS})
    union
    select child, parent, kind, units, e from flow where parent in :lots and kind in ({_KINDS})
    order by e
    """,
    "lots",
)
_COUNTS = listed(
    f"""
    select item, kind, units, method, u, reason, e, id as entry from count_entry
    where item in :lots and kind in ({_OUT}) and closed_e is null order by id
    """,
    "lots",
)
_BOOKS = listed(
    f"""
    select item, cast(sum(units) as bigint) from (
        select child as item, units from flow where child in :lots and kind in ({_KINDS})
        union all
        select parent, -units from flow where parent in :lots and kind in ({_KINDS})
        union all
        select item, -units from count_entry where item in :lots and kind in ({_OUT}) and closed_e is null
    ) posting group by item
    """,
    "lots",
)
_OPENINGS = listed("select item, e, method, u from count_entry where item in :lots and kind = 'opening' and closed_e is null", "lots")


def _openings(session: Session, lots: list[int]) -> dict[tuple[int, int], tuple[str, float]]:
    """(lot, entry) -> method and uncertainty of all that came into it then."""
    found: dict[tuple[int, int], tuple[str, float]] = {}
    for item, e, method, u in ask(session, _OPENINGS, lots=lots):
        found[item, e] = (method, hypot(u, found.get((item, e), ("", 0.0))[1]))
    return found


def _summed(postings: list[Posting]) -> Book:
    book = sum(posting.units if posting.what == "in" else -posting.units for posting in postings)
    came_in = {posting.e: posting.u for posting in postings if posting.what == "in"}  # one uncertainty for all that came at once
    squares = sum(u * u for u in came_in.values()) + sum(posting.u**2 for posting in postings if posting.what != "in")
    return Book(book, sqrt(squares), tuple(postings))

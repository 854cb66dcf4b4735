"""Differences that are open: the latest count of a thing was beyond what counting can tell, and nobody has signed for it since."""

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from sqlalchemy.orm import Session

from app.errors import Reason
from app.ledger.counts import NOT_COUNTED
from app.listed import Question, listed, together

TAKEN_AS_FACT = "taken beyond what was there by book and count"
NOT_SIGNED = (*NOT_COUNTED, TAKEN_AS_FACT)  # and those for which nobody signed


class OpenDifference(NamedTuple):
    """What was counted, against what the book said then; `entry` is the number of the count."""

    entry: int
    units: int
    book: int

    def reason(self, name: str, now: str) -> Reason:
        return Reason("barrier_open", f"{name} was counted as {self.units} against a book of {self.book}, and nobody has signed for it.", now)


def open_differences(session: Session, items: Iterable[int]) -> dict[int, OpenDifference]:
    """By panel, lot or batch; those without one are left out."""
    (found,) = together(session, open_differences_of(items))
    return dict(found)


def open_differences_of(items: Iterable[int]) -> Question[dict[int, OpenDifference]]:
    return Question(_COUNTED_OR_SIGNED, {"items": list(items)}, _latest)


def _latest(rows: Sequence[Any]) -> dict[int, OpenDifference]:
    found: dict[int, OpenDifference] = {}
    for row in rows:
        if row.is_open:
            found[row.item] = OpenDifference(row.id, row.units, row.book or 0)
        else:
            found.pop(row.item, None)
    return found


_COUNTED_OR_SIGNED = listed(
    f"""
    select item, id, units, book, kind = 'counted' and not within as is_open from count_entry
    where item in :items and closed_e is null and kind in ('counted', 'difference') and reason not in {NOT_COUNTED} order by id
    """,
    "items",
)

"""What one lot's or pack's page says beside its traveller: counts that close, as an account; holds and what they come from; kin."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import hypot

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.floor.amounts import Posting
from app.floor.balance import Count, balance
from app.holds.stopped import Stop
from app.holds.words import on_what
from app.journal.models import Entry
from app.ledger.counting import limit_of
from app.ledger.stops import Hold
from app.naming.resolve import codes_of

_WORDS = {
    ("in", "panel"): "on panels that came in", ("in", "cells"): "singulated from panels", ("in", "merge"): "merged in", ("in", "split"): "split from",
    ("in", "carry"): "went on from the lot before", ("in", "bin"): "from the test", ("in", "untape"): "off the tape",
    ("out", "panel"): "on panels that left", ("out", "cells"): "singulated", ("out", "merge"): "merged away", ("out", "split"): "split off",
    ("out", "carry"): "went on as the next lot", ("out", "bin"): "into bins", ("out", "fill"): "into packs", ("sampled", "cells"): "sampled cells",
    ("sampled", "draw"): "sampled", ("sampled", "destroyed"): "destroyed as samples",
}  # fmt: skip


@dataclass(frozen=True)
class Amount:
    """One line of the account: units, how they were counted, and their standard uncertainty. `counts`: those of it that may be taken back."""

    words: str
    units: int
    method: str
    u: float
    counts: tuple[int, ...] = ()


@dataclass(frozen=True)
class Account:
    """In = out + left. `unexplained`: units that nothing accounts for; `limit`: what counting can't tell, twice `u`."""

    came_in: tuple[Amount, ...]
    went_out: tuple[Amount, ...]
    total_in: int
    total_out: int
    left: int
    u: float
    unexplained: int
    closes: bool
    waits_for_signature: bool
    counted: Count | None  # what was counted last, against the book of that moment

    @property
    def limit(self) -> float:
        return limit_of(self.u)


@dataclass(frozen=True)
class HoldShown:
    """A hold with what it is on, why, by whom and since when; and how much of the lot it stops."""

    code: str
    reason: str
    on: Sequence[tuple[str, str]]
    who: str
    since: datetime
    automatic: bool
    stops: str


def account(session: Session, lot: int) -> Account:
    found = balance(session, lot)
    came_in = _summed([posting for posting in found.postings if posting.what == "in"])
    went_out = _summed([posting for posting in found.postings if posting.what != "in"])
    return Account(
        came_in, went_out, sum(one.units for one in came_in), sum(one.units for one in went_out), found.left, found.u, found.unexplained,
        found.closes, found.unsigned is not None, found.counts[-1] if found.counts else None,
    )  # fmt: skip


def _summed(postings: Iterable[Posting]) -> tuple[Amount, ...]:
    """Postings that read alike are one line; their uncertainties add as squares (JCGM 100:2008, 5.1.2)."""
    alike: defaultdict[tuple[str, str], list[Posting]] = defaultdict(list)
    for one in postings:
        words = _WORDS.get((one.what, one.kind), f"{one.what}: {one.reason}" if one.reason else one.what)
        alike[words, one.method].append(one)
    return tuple(
        Amount(
            words, sum(one.units for one in some), method, hypot(*(one.u for one in some)),
            tuple(one.to_take_back for one in some if one.to_take_back),
        )
        for (words, method), some in alike.items()
    )


def holds_shown(session: Session, stops: Sequence[Stop], how_many: dict[int, str]) -> list[HoldShown]:
    """The holds behind these stops. `how_many`: by hold, how much of the lot it stops, in words."""
    if not stops:
        return []
    holds = list(session.scalars(select(Hold).where(Hold.id.in_([stop.hold for stop in stops])).order_by(Hold.id)))
    named, codes = on_what(session, holds), codes_of(session, "hold", [hold.id for hold in holds])
    entries = {entry.id: entry for entry in session.scalars(select(Entry).where(Entry.id.in_([hold.e for hold in holds])))}
    return [
        HoldShown(
            codes[hold.id], hold.reason, named[hold.id], entries[hold.e].actor_name, entries[hold.e].happened_at, hold.automatic,
            how_many.get(hold.id, ""),
        )
        for hold in holds
    ]  # fmt: skip

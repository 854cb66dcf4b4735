"""What run lines had, and what was read and counted at their runs, in words. One statement a question, for one line or a thousand."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import Boolean
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.db import Moment
from app.floor.ends import limits_in_words
from app.ledger.alternates import had_perhaps
from app.ledger.travels import HAD
from app.listed import ask, listed, tuples


@dataclass(frozen=True)
class Material:
    """A batch or wafer that the line had. `until`: the earlier of its expiry and the end of its pot life."""

    code: str
    words: str
    number: str
    until: datetime | None
    had_lapsed: bool
    place: str
    perhaps: bool = False  # another lay beside it for the same need, and each unit had one of them


@dataclass(frozen=True)
class Read:
    """A recorded value as text, its limits as text, and whether it is within them."""

    name: str
    value: str
    limits: str
    within: bool


@dataclass(frozen=True)
class Counted:
    """An amount with its method and standard uncertainty."""

    what: str
    units: int
    method: str
    u: float
    reason: str


def materials_of(session: Session, lines: list[int]) -> defaultdict[int, list[Material]]:
    """By line, in the order of their ids: whether one had lapsed is for each line to say (`as_used`)."""
    used = tuples(session, _USED, lines=lines)
    items = {item for _, item, _ in used}
    had = {row.item: row for row in ask(session, _HAD, items=items)}
    parts = catalogue.with_ids(session, list({row.part for row in had.values()}))
    numbers: defaultdict[int, list[str]] = defaultdict(list)  # what others call them
    for item, value in tuples(session, _NUMBERS, items=items):
        numbers[item].append(value)
    unsure = had_perhaps(session, [(line, item, had[item].part if had[item].role is None else None) for line, item, _ in used])
    found: defaultdict[int, list[Material]] = defaultdict(list)
    made: dict[tuple[int, str | None], Material] = {}
    for line, item, place in used:
        if (item, place) not in made:
            row = had[item]
            part = parts[row.part]
            words = f"{part.body.kind if row.role is None else row.role + ' wafer'} {part.name}"
            ends = [moment for moment in (row.expires_at, row.pot_life_ends_at) if moment is not None]
            made[item, place] = Material(row.code, words, ", ".join(numbers[item]), min(ends, default=None), False, place or "")
        found[line].append(replace(made[item, place], perhaps=True) if (line, item) in unsure else made[item, place])
    return found


def as_used(one: Material, began: datetime) -> Material:
    """By a line that began then."""
    return replace(one, had_lapsed=True) if one.until is not None and one.until < began else one


def readings_of(session: Session, runs: Iterable[int]) -> defaultdict[int, list[tuple[int | None, Read]]]:
    """By run: (line or none, the value). Those that a correction replaced are left out."""
    found: defaultdict[int, list[tuple[int | None, Read]]] = defaultdict(list)
    for run, line, name, value, unit, low, high, within in ask(session, _READ, runs=runs):
        found[run].append((line, Read(name, f"{value:g} {unit}".strip(), limits_in_words(low, high), within)))
    return found


def counts_of(session: Session, runs: Iterable[int]) -> defaultdict[int, list[tuple[int, bool, bool, Counted]]]:
    """By run: what was counted, whether it is a panel, whether it was in the run, and the count. One of a panel says of which."""
    found: defaultdict[int, list[tuple[int, bool, bool, Counted]]] = defaultdict(list)
    for run, item, panel, was_in, what, *counted in tuples(session, _COUNTED, runs=runs):
        found[run].append((item, panel is not None, bool(was_in), Counted(f"{panel} {what}" if panel else what, *counted)))
    return found


_USED = listed(f"select u.line, u.item, u.place from use u where u.line in :lines and {HAD} order by u.line, u.item", "lines")
_HAD = listed(
    """
    select i.id as item, c.code, coalesce(b.part, w.part) as part, w.role, b.expires_at, o.pot_life_ends_at
    from item i join code c on c.kind = i.kind and c.thing = i.id left join batch b on b.item = i.id left join wafer w on w.item = i.id
        left join opening o on o.batch = i.id
    where i.id in :items
    """,
    "items",
).columns(expires_at=Moment(), pot_life_ends_at=Moment())
_NUMBERS = listed(
    "select thing, value from alias where kind in ('batch', 'wafer') and thing in :items and closed_e is null order by id", "items"
)
_READ = listed(
    "select run, line, name, value, unit, low, high, within from reading where run in :runs and closed_e is null order by id", "runs"
).columns(within=Boolean())
_COUNTED = listed(
    """
    select c.run, c.item, k.code, exists (select 1 from line l where l.run = c.run and (l.item = c.item or l.lot = c.item)),
        c.kind, c.units, c.method, c.u, c.reason
    from count_entry c left join panel p on p.item = c.item left join code k on k.kind = 'panel' and k.thing = p.item
    where c.run in :runs and c.closed_e is null order by c.id
    """,
    "runs",
)

"""The time windows that run out first: what they ask, how much is ahead of them, and how many stations are up for it."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from app.board.marks import in_hours
from app.board.parts import Part, Parts, as_one, running_windows, step_of
from app.board.stations import StationNow
from app.catalogue.definitions import Window

_SHOWN = 10
_OLD = timedelta(days=1)


@dataclass(frozen=True)
class WindowRow:
    """`ahead`: units whose window into the same operation ends earlier. `up`: stations that do it and could. `needs`: hours of their work."""

    lot: str
    panels: int
    units: int
    to_step: str
    verb: str  # begin or end
    after: str
    ends_at: datetime
    left: timedelta
    ahead: int
    operation: str
    up: int
    of: int
    needs: float | None  # None: no rate is known, or none is up

    @property
    def left_words(self) -> str:
        return in_hours(self.left)

    @property
    def is_over(self) -> bool:
        return self.left <= timedelta()

    @property
    def is_tight(self) -> bool:
        """What is ahead fills the time that is left."""
        return not self.is_over and (self.up == 0 or (self.needs is not None and timedelta(hours=self.needs) > self.left))


def window_rows(parts: Parts, stations: Sequence[StationNow], now: datetime, most: int = _SHOWN) -> list[WindowRow]:
    """The first `most` windows that run out, with those that ended within a day."""
    ahead: dict[str, int] = {}
    found: list[WindowRow] = []
    for ends_at, part, window in _ending(parts, now):
        if len(found) == most:
            break
        route = parts.routes[part.lot.route or 0]
        to, first = step_of(route, window.to_step), step_of(route, window.from_step)
        if to is None or first is None:
            continue
        able = [one for one in stations if to.operation in one.operations]
        up = [one for one in able if one.is_up]
        rate = sum(one.units_per_hour or 0.0 for one in up)
        before = ahead.get(to.operation, 0)
        found.append(
            WindowRow(
                part.lot.code, part.panels, part.units, to.name, "begin" if window.until == "start" else "end", first.name, ends_at,
                ends_at - now, before, to.operation, len(up), len(able), before / rate if rate else None,
            )
        )  # fmt: skip
        ahead[to.operation] = before + part.units
    return found


def _ending(parts: Parts, now: datetime) -> Iterator[tuple[datetime, Part, Window]]:
    """Every window that runs, the one that ends first at the head; one that is over for a day, or over on hold, is no more news here.

    Panels of a lot whose window ends together are one.
    """
    found: defaultdict[tuple[int, int, datetime], list[tuple[Part, Window]]] = defaultdict(list)
    for part in parts.parts:
        for window, begun in running_windows(parts.routes[part.lot.route], part) if part.lot.route in parts.routes else ():
            ends_at = begun + timedelta(minutes=window.max_minutes or 0)
            if ends_at > now or (not part.stops and ends_at > now - _OLD):
                found[part.lot.item, id(window), ends_at].append((part, window))  # a definition is read once
    for (_, _, ends_at), some in sorted(found.items(), key=lambda one: one[0][2]):
        yield ends_at, as_one([part for part, _ in some]), some[0][1]

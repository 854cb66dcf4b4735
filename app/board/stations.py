"""Stations by state: what each is now, and how long it was what in a span of time."""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from app.board.effectiveness import StateHours
from app.catalogue import queries as catalogue
from app.catalogue.definitions import STATION_STATES
from app.floor.station_spells import NO_SHIFT, time_by_state
from app.floor.station_states import WORDS, spells, states_now

UP = ("productive", "standby")  # it does, or could do, what the line needs; engineering is uptime by SEMI E10, but has no time for the line


@dataclass(frozen=True)
class StationNow:
    id: int
    name: str
    area: str
    operations: tuple[str, ...]
    units_per_hour: float | None
    state: str
    reason: str
    since: datetime | None

    @property
    def words(self) -> str:
        return WORDS[self.state]

    @property
    def is_up(self) -> bool:
        return self.state in UP

    @property
    def is_down(self) -> bool:
        """It does nothing for the line until something else is said of it; one that waits for its shift does."""
        return not self.is_up and (self.state, self.reason) != ("non_scheduled", NO_SHIFT)


@dataclass(frozen=True)
class OperationRow:
    """The stations of one operation: how many are in each state, and those that are neither productive nor on standby."""

    operation: str
    counts: dict[str, int]
    away: tuple[StationNow, ...]

    @property
    def away_words(self) -> list[tuple[str, str]]:
        """ "unscheduled downtime: wire jam" with the names of the stations."""
        found: dict[str, list[str]] = {}
        for one in self.away:
            found.setdefault(f"{one.words}, {one.reason}" if one.reason else one.words, []).append(one.name)
        return [(words, ", ".join(names)) for words, names in found.items()]


def stations_now(session: Session, now: datetime) -> list[StationNow]:
    """Every station of the catalogue: a fixed number of statements."""
    things = catalogue.every(session, "station")
    states = states_now(session, [one.id for one in things], now)
    return [
        StationNow(
            one.id, one.name, one.body.area, one.body.operations, one.body.units_per_hour, states[one.id].state, states[one.id].reason,
            states[one.id].since,
        )
        for one in things
    ]  # fmt: skip


def by_operation(stations: Sequence[StationNow]) -> list[OperationRow]:
    """In the order of their areas. A station that does several operations stands in the row of its first."""
    found: defaultdict[str, list[StationNow]] = defaultdict(list)
    for one in stations:
        found[one.operations[0]].append(one)
    rows = []
    for operation, there in found.items():
        counts = Counter(one.state for one in there)
        rows.append(OperationRow(operation, {state: counts[state] for state in STATION_STATES}, tuple(one for one in there if not one.is_up)))
    return rows


def hours_by_state(session: Session, stations: list[int], begin: datetime, end: datetime) -> dict[int, StateHours]:
    """How long each station was in each of SEMI E10's states."""
    if begin >= end:
        return {one: StateHours() for one in stations}
    return {
        one: StateHours(**{state: spell / timedelta(hours=1) for state, spell in time_by_state(history).items()})
        for one, history in spells(session, stations, begin, end).items()
    }

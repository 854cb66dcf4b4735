"""Everything that the board shows, gathered in a fixed number of statements, whatever is open."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from app.board.forecast import score
from app.board.ovens import Oven, ovens
from app.board.overrides import Override, overrides
from app.board.paces import Paces, paces
from app.board.parts import Parts, open_parts
from app.board.production_day import Span, day_of, week_of
from app.board.remembered import Remembered
from app.board.stations import OperationRow, StationNow, by_operation, stations_now
from app.board.taped import Today, ahead, past_at, taped
from app.board.windows import WindowRow, window_rows
from app.board.work import Row, known, rows, to_scrap
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Site


@dataclass(frozen=True)
class Yesterday:
    """The forecast as it stood when the day began, and what was taped then."""

    today: Today
    truth: int

    @property
    def score(self) -> str:
        return score(self.today.forecast, self.truth)

    @property
    def is_of_nothing(self) -> bool:
        """An installation of today, or a day without work: "0, inside the band" would be praise for nothing."""
        return self.truth == 0 and self.today.forecast.high == 0


@dataclass(frozen=True)
class Board:
    now: datetime
    rows: tuple[Row, ...]
    lots: int
    late: int
    stuck: int
    to_scrap: tuple[int, int]  # lots, units
    spent: int  # lots without a good unit left, which stand in no row
    windows: tuple[WindowRow, ...]
    ovens: tuple[Oven, ...]
    stations: tuple[OperationRow, ...]
    overrides: tuple[Override, ...]
    week: Span
    today: Today
    yesterday: Yesterday


def board(session: Session, memory: Remembered, now: datetime) -> Board:
    site = catalogue.site(session)
    day = day_of(site, now)
    past = paces_of(session, memory, day)
    parts, stations = open_parts(session), stations_now(session, now)
    found = _rows(session, parts, past, site, now)
    return Board(
        now, tuple(found), len({part.lot.item for part in parts.parts if not parts.is_to_scrap(part) and part.lot.form != "pack"}),
        _marked(found, "late"), _marked(found, "stuck"), to_scrap(parts), parts.spent,
        tuple(window_rows(parts, stations, now)), tuple(ovens(session, stations, parts)), tuple(by_operation(stations)),
        tuple(overrides(session, week_of(site, now))), week_of(site, now),
        ahead(parts, past, site, day, now, taped(session, day.begin, now), tapers_per_hour(stations)),
        as_it_stood(session, memory, site, day_of(site, day.begin - timedelta(hours=1))),
    )  # fmt: skip


def work_rows(session: Session, memory: Remembered, now: datetime) -> list[Row]:
    """The rows alone, for a list of the lots at a step."""
    site = catalogue.site(session)
    return _rows(session, open_parts(session), paces_of(session, memory, day_of(site, now)), site, now)


def as_it_stood(session: Session, memory: Remembered, site: Site, day: Span) -> Yesterday:
    """A past day's forecast as it stood when the day began, with what came true: the forecast is remembered, what is told late of the day counts."""
    then = memory.get(("stood", day.begin), lambda: _forecast_then(session, memory, site, day))
    return Yesterday(then, taped(session, day.begin, day.end))


def _forecast_then(session: Session, memory: Remembered, site: Site, day: Span) -> Today:
    parts = open_parts(session, past_at(session, day.begin))
    per_hour = tapers_per_hour(stations_now(session, day.begin))
    return ahead(parts, paces_of(session, memory, day), site, day, day.begin, 0, per_hour)


def paces_of(session: Session, memory: Remembered, day: Span) -> Paces:
    return memory.get(("paces", day.begin), lambda: paces(session, day.begin))


def tapers_per_hour(stations: Sequence[StationNow]) -> float | None:
    """Of those that are not down; None where the catalogue has no rate for one of them."""
    rates = [one.units_per_hour for one in stations if "tape" in one.operations and not one.is_down]
    known = [rate for rate in rates if rate is not None]
    return sum(known) if len(known) == len(rates) else None


def _rows(session: Session, parts: Parts, past: Paces, site: Site, now: datetime) -> list[Row]:
    names = {thing: one.name for thing, one in catalogue.with_ids(session, sorted(parts.routes)).items()}
    return rows(parts, names, known(session, parts, past, site.zone, now))


def _marked(found: Sequence[Row], kind: str) -> int:
    return len({lot.code for row in found for lot in row.marked(kind)})

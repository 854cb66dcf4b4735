"""What the board's pages show, ready for the templates: the band of a forecast, effectiveness with its terms."""

from dataclasses import dataclass

from app.board.effectiveness import Effectiveness
from app.board.made import Made
from app.board.taped import Today
from app.drawing.forecast_band import forecast_band


@dataclass(frozen=True)
class Band:
    day: str
    svg: str
    so_far: str
    low: str
    middle: str
    high: str
    truth: str
    held: str
    overdue: str
    per_hour: str


def shown(today: Today, truth: int | None = None) -> Band:
    one = today.forecast
    words = f"By the end of {today.day.name} 10 % {one.low:,}, 50 % {one.middle:,}, 90 % {one.high:,} units"
    words += f"; {truth:,} were taped" if truth is not None else f"; {one.so_far:,} are taped so far"
    return Band(
        today.day.name, forecast_band(one.so_far, one.low, one.middle, one.high, words, truth),
        f"{one.so_far:,}", f"{one.low:,}", f"{one.middle:,}", f"{one.high:,}", "" if truth is None else f"{truth:,}",
        f"{today.held:,}" if today.held else "", f"{today.overdue:,}" if today.overdue else "",
        "" if today.per_hour is None else f"{today.per_hour:,.0f}",
    )  # fmt: skip


@dataclass(frozen=True)
class Factor:
    """A term of a product with its numbers: "availability efficiency", "uptime h / total time h", "21.00 / 24.00", "87.5 %"."""

    name: str
    formula: str
    numbers: str
    value: str


@dataclass(frozen=True)
class Product:
    standard: str
    value: str
    factors: tuple[Factor, ...]


@dataclass(frozen=True)
class StationShown:
    name: str
    made: str
    good: str
    per_hour: str
    hours: tuple[tuple[str, str], ...]
    e79: Product
    iso: Product


def effectiveness_shown(made: Made) -> StationShown:
    hours = tuple((name.replace("_", " "), f"{value:.2f}") for name, value in vars(made.hours).items())
    rate = f"{made.units_per_hour:,.0f}" if made.units_per_hour else ""
    return StationShown(made.name, f"{made.output.made:,}", f"{made.output.good:,}", rate, hours, _product(made.e79), _product(made.iso))


def _product(one: Effectiveness) -> Product:
    factors = tuple(
        Factor(term.name, f"{term.over} / {term.under}", f"{_number(term.part)} / {_number(term.whole)}", _percent(term.value)) for term in one.terms
    )
    return Product(one.standard, _percent(one.value), factors)


def _number(value: float) -> str:
    return f"{value:,}" if isinstance(value, int) else f"{value:,.2f}"


def _percent(value: float | None) -> str:
    return "none" if value is None else f"{100 * value:.1f} %"

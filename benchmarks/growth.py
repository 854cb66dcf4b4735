"""How a trace's cost grows: with its answer, or with the history? One picture, a point a trace, two histories in two inks and shapes."""

import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from sqlalchemy.orm import Session

from app.genealogy.trace import Trace, trace_back, trace_forward
from app.naming.resolve import Named
from benchmarks.measuring import once
from benchmarks.site import Site

_WIDTH, _HEIGHT, _LEFT, _TOP = 640, 360, 70, 60
_INKS = ("#0072B2", "#D55E00")


@dataclass(frozen=True)
class Point:
    """A trace: the rows of its answer, and how long it took, ms (the middle of three)."""

    rows: int
    ms: float


def points(site: Site) -> list[Point]:
    """From panels forward (tens of rows) to a week's batch (hundreds of thousands), with reels back between them."""
    asked: list[tuple[Callable[[Session, Named], Trace], Named]] = [(trace_back, one) for one in site.subjects("pack")]
    asked += [(trace_forward, one) for kind in ("panel", "run", "wafer") for one in site.subjects(kind)]
    with site.walking() as session:
        found = [_point(partial(ask, session, one), 4) for ask, one in asked]
        return [*found, _point(partial(trace_forward, session, site.weekly()), 1)]


def rows_of(found: Trace) -> int:
    return sum(len(rows) for rows in (found.wafers, found.batches, found.panels, found.lots, found.samples, found.packs, found.runs))


def _point(ask: Callable[[], Trace], times: int) -> Point:
    taken = [once(ask) for _ in range(times)]  # the first warms, where there are more
    return Point(rows_of(taken[-1][1]), statistics.median(ms for ms, _ in taken[1:] or taken))


def picture(title: str, series: Sequence[tuple[str, Sequence[Point]]]) -> str:
    """SVG: rows and milliseconds on logarithmic scales, so that what grows with the answer is a line, and what grows with the history is two."""
    every = [point for _, found in series for point in found]
    across = _Scale(*_decades([point.rows for point in every]), _LEFT, _LEFT + _WIDTH)
    up = _Scale(*_decades([point.ms for point in every]), _TOP + _HEIGHT, _TOP)
    bottom, right = _TOP + _HEIGHT, _LEFT + _WIDTH
    grid = "".join(
        f'<path d="M{across.at(x):.1f} {_TOP}V{bottom}" stroke="#ddd"/>'
        f'<text x="{across.at(x):.1f}" y="{bottom + 18}" text-anchor="middle">{x:,g}</text>'
        for x in across.marks
    ) + "".join(
        f'<path d="M{_LEFT} {up.at(y):.1f}H{right}" stroke="#ddd"/>'
        f'<text x="{_LEFT - 6}" y="{up.at(y) + 4:.1f}" text-anchor="end">{y:,g}</text>'
        for y in up.marks
    )
    marks = "".join(_mark(n, across.at(point.rows), up.at(point.ms)) for n, (_, found) in enumerate(series) for point in found)
    names = "".join(
        _mark(n, _LEFT + 12, _TOP + 14 + 20 * n) + f'<text x="{_LEFT + 24}" y="{_TOP + 18 + 20 * n}">{name}</text>'
        for n, (name, _) in enumerate(series)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_LEFT + _WIDTH + 40} {_TOP + _HEIGHT + 50}" font-family="sans-serif" font-size="13" '
        f'role="img"><title>{title}</title><rect width="100%" height="100%" fill="#fff"/><text x="{_LEFT}" y="24" font-size="16">{title}</text>'
        f'<text x="{_LEFT}" y="46">milliseconds of a trace</text>{grid}{marks}{names}'
        f'<text x="{_LEFT + _WIDTH}" y="{_TOP + _HEIGHT + 38}" text-anchor="end">rows of its answer</text></svg>\n'
    )


@dataclass(frozen=True)
class _Scale:
    """Decades `low` to `high` (powers of ten) laid from one place to another."""

    low: int
    high: int
    begin: float
    end: float

    @property
    def marks(self) -> list[float]:
        return [10.0**n for n in range(self.low, self.high + 1)]

    def at(self, value: float) -> float:
        return self.begin + (math.log10(max(value, 1e-6)) - self.low) / (self.high - self.low) * (self.end - self.begin)


def _decades(values: Sequence[float]) -> tuple[int, int]:
    low = math.floor(math.log10(max(min(values), 1e-3)))
    return low, max(low + 1, math.ceil(math.log10(max(values))))


def _mark(n: int, x: float, y: float) -> str:
    if n == 0:
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="none" stroke="{_INKS[0]}" stroke-width="1.8"/>'
    return f'<path d="M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8" stroke="{_INKS[1]}" stroke-width="1.8"/>'

"""Two things timed in turn, over and over, in one run: what counts is their ratio, by medians and by 95th percentiles."""

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

Thunk = Callable[[], Any]
_LONGEST = 120.0  # seconds: what takes long is timed fewer times


@dataclass(frozen=True)
class Measure:
    """`rows`: what the yardstick answered. `note`: what a reader must know of it."""

    name: str
    ratio: float
    ratio_p95: float
    bound: float
    ours_ms: float
    yardstick_ms: float
    rows: int
    note: str = ""

    @property
    def is_met(self) -> bool:
        return self.ratio <= self.bound


@dataclass
class Timed:
    """Milliseconds of both sides, in the order in which they ran."""

    ours: list[float] = field(default_factory=list)
    yardstick: list[float] = field(default_factory=list)
    rows: int = 0

    def measure(self, name: str, bound: float, note: str = "") -> Measure:
        ours, yardstick = statistics.median(self.ours), statistics.median(self.yardstick)
        return Measure(
            name, ratio_of(ours, yardstick), ratio_of(percentile(self.ours), percentile(self.yardstick)), bound, round(ours, 3),
            round(yardstick, 3), self.rows, note,
        )  # fmt: skip


def interleaved(pairs: Sequence[tuple[Thunk, Thunk]], rounds: int, warm: int = 1, before: Thunk = lambda: None) -> Timed:
    """Each pair (ours, yardstick) in turn, round after round; the first `warm` rounds do not count. A yardstick answers rows or their number.

    `before`: each pair, what is not timed.
    """
    timed, until = Timed(), time.monotonic() + _LONGEST
    for n in range(-warm, rounds):
        if timed.ours and time.monotonic() > until:
            break
        for i, (ours, yardstick) in enumerate(pairs):
            before()
            first, second = (ours, yardstick) if (n + i) % 2 else (yardstick, ours)
            a, answer_a = once(first)
            b, answer_b = once(second)
            taken, answer = ((a, b), answer_b) if first is ours else ((b, a), answer_a)
            if n >= 0:
                timed.ours.append(taken[0])
                timed.yardstick.append(taken[1])
                timed.rows = max(timed.rows, answer if isinstance(answer, int) else len(answer) if answer is not None else 0)
    return timed


def once(thunk: Thunk) -> tuple[float, Any]:
    began = time.perf_counter()
    answer = thunk()
    return (time.perf_counter() - began) * 1000, answer


def percentile(values: Sequence[float], share: float = 0.95) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def ratio_of(ours: float, yardstick: float) -> float:
    return round(ours / max(yardstick, 1e-6), 2)

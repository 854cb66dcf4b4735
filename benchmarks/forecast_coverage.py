"""How often the board's 10-90 % band holds what was taped: a simulated line, weeks on end, forecast each morning and scored at night.

    python benchmarks/forecast_coverage.py [days] [seed]

Lots queue at each step for its stations, first come, first served; days differ (stations short, slow days), as on a real floor; tapers have a
rate. The forecast sees what the board sees: what steps took in the thirty days before, and where each lot stands. The band should hold the truth
on 80 % of days; the interval is exact binomial (Clopper and Pearson, Biometrika 26, 1934).
"""

import sys
from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np

from app.board.forecast import Forecast, Job, Line, Times, forecast

DAY = 1440.0
PAST_DAYS = 30
# step: stations, minutes a lot (median), spread of its logarithm
STEPS = (
    ("attach", 6, 70, 0.3), ("cure", 30, 165, 0.05), ("plasma", 3, 20, 0.1), ("bond", 20, 240, 0.35), ("inspect", 5, 60, 0.4),
    ("mould cure", 30, 180, 0.05), ("singulate", 3, 30, 0.2), ("test", 4, 45, 0.3),
)  # fmt: skip
LOTS_A_DAY, TAPERS, TAPER_PER_HOUR, REEL = 90, 3, 16_000, 4500


@dataclass
class Lot:
    begun: float
    units: int
    visits: list[tuple[float, float, float]] = field(default_factory=list)  # came to the step, began it, ended it
    reels: list[tuple[float, int]] = field(default_factory=list)  # when it was full, units


def simulate(days: int, rng: np.random.Generator) -> list[Lot]:
    """All lots of so many days. Each day has a pace of its own (people away, a machine that limps), step by step."""
    lots = [Lot(float(t), int(9600 * rng.beta(60, 3))) for t in np.sort(rng.uniform(0, days * DAY, rng.poisson(LOTS_A_DAY * days)))]
    comes = [lot.begun for lot in lots]
    for _, stations, median, spread in STEPS:
        pace = np.exp(rng.normal(0, 0.12, days + 30))
        free = np.zeros(stations)
        for i in np.argsort(comes, kind="stable"):
            j = int(np.argmin(free))
            moved = comes[i] + rng.exponential(12)  # carried, looked for, put down
            begin = max(moved, free[j])
            end = begin + median * np.exp(rng.normal(0, spread)) * pace[min(int(begin / DAY), days + 29)]
            free[j] = end
            lots[i].visits.append((comes[i], begin, end))
            comes[i] = end
    _tape(lots, comes, rng)
    return lots


def _tape(lots: list[Lot], comes: list[float], rng: np.random.Generator) -> None:
    free = np.zeros(TAPERS)
    for i in np.argsort(comes, kind="stable"):
        j = int(np.argmin(free))
        at = begin = max(comes[i] + rng.exponential(12), free[j])
        left = int(lots[i].units * rng.beta(90, 6))  # rejects stay behind
        while left > 0:
            units = min(REEL, left)
            at += units / TAPER_PER_HOUR * 60 * np.exp(rng.normal(0.05, 0.1))
            lots[i].reels.append((at, units))
            left -= units
        free[j] = at
        lots[i].visits.append((comes[i], begin, at))


def morning(lots: list[Lot], day: int) -> Forecast:
    """The forecast of one day as its first minute sees it."""
    now = day * DAY
    past: defaultdict[int, list[tuple[int, float, float]]] = defaultdict(list)
    jobs: list[Job] = []
    begun: defaultdict[int, list[tuple[float, Job]]] = defaultdict(list)
    keys = tuple(range(len(STEPS) + 1))
    made = came = 0.0
    for lot in lots:
        if lot.begun >= now or lot.visits[-1][2] < now - (PAST_DAYS + 5) * DAY:
            continue
        for key, (came_at, began, ended) in enumerate(lot.visits):
            if now - PAST_DAYS * DAY <= began < now and ended < now:
                past[key].append((int((now - began) // DAY), began - came_at, ended - began))
        if lot.begun >= now - PAST_DAYS * DAY:
            ago = int((now - lot.begun) // DAY)
            begun[ago].append((lot.visits[0][1] - now + (ago + 1) * DAY, Job(lot.units, keys, is_running=True)))
        if lot.visits[-1][2] < now:
            made, came = made + sum(units for _, units in lot.reels), came + lot.units
    share = made / came
    for lot in lots:
        if lot.begun < now <= lot.visits[-1][2]:
            key = next(k for k, visit in enumerate(lot.visits) if visit[2] >= now)
            came_at, began, _ = lot.visits[key]
            left = lot.units * share - sum(units for at, units in lot.reels if at < now)
            is_running = began < now
            jobs.append(Job(max(0.0, left), keys[key:], now - (began if is_running else came_at), is_running))
    again = {ago: [(after, Job(job.units * share, job.steps, is_running=True)) for after, job in found] for ago, found in begun.items()}
    times = {key: Times(*(np.array(column) for column in zip(*found, strict=True))) for key, found in past.items()}
    return forecast(jobs, Line(times, DAY, TAPERS * TAPER_PER_HOUR, again), 0, seed=day)


def coverage(days: int, seed: int) -> tuple[int, int, int]:
    """(days scored, inside the band, truth below the middle)."""
    lots = simulate(days + PAST_DAYS + 5, np.random.default_rng(seed))
    taped: defaultdict[int, int] = defaultdict(int)
    for lot in lots:
        for at, units in lot.reels:
            taped[int(at // DAY)] += units
    inside = below = 0
    for day in range(PAST_DAYS + 5, days + PAST_DAYS + 5):
        band = morning(lots, day)
        inside += band.holds(taped[day])
        below += taped[day] < band.middle
    return days, inside, below


def interval(n: int, k: int, confidence: float = 0.95) -> tuple[float, float]:
    from scipy.stats import beta

    tail = (1 - confidence) / 2
    return (float(beta.ppf(tail, k, n - k + 1)) if k else 0.0, float(beta.ppf(1 - tail, k + 1, n - k)) if k < n else 1.0)


def main() -> None:
    days, seed = (int(sys.argv[i]) if len(sys.argv) > i else default for i, default in ((1, 140), (2, 1)))
    n, inside, below = coverage(days, seed)
    low, high = interval(n, inside)
    print(f"{n} days ({n / 7:.0f} weeks), seed {seed}: the 10-90 % band held the truth on {inside}, {100 * inside / n:.1f} %")
    print(f"95 % interval {100 * low:.1f} to {100 * high:.1f} %; the truth was below the middle on {100 * below / n:.1f} %")


if __name__ == "__main__":
    main()

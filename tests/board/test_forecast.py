"""The forecast where its answer is known, and its band against the truth of a simulated line (a short run of the benchmark)."""

from dataclasses import replace

import numpy as np
import pytest

from app.board.forecast import Forecast, Job, Line, Times, forecast, score

STEPS = ("test", "tape")


def past(wait: float, work: float, spread: float = 0.0, n: int = 60) -> Times:
    rng = np.random.default_rng(3)
    return Times(np.arange(n) % 20, np.full(n, wait) + spread * rng.random(n), np.full(n, work))


def line(minutes: float, per_hour: float, **times: Times) -> Line:
    return Line(times, minutes, per_hour)


def test_where_nothing_varies_the_band_is_the_sum() -> None:
    """Two lots arrive after 60 + 30 min; 6,000 an hour tape 100 a minute for the 30 min that are left then."""
    found = forecast([Job(2000, STEPS), Job(2000, STEPS)], line(120, 6000, test=past(40, 20), tape=past(30, 5)), 500, seed=1)
    assert (found.low, found.middle, found.high) == (3500, 3500, 3500)


def test_the_tapers_rate_is_a_cap() -> None:
    found = forecast([Job(9000, STEPS)] * 100, line(600, 3000, test=past(1, 1), tape=past(1, 1)), 0, seed=1)
    assert found.high <= 30_000
    assert forecast([Job(9000, STEPS)], line(600, 0, test=past(1, 1), tape=past(1, 1)), 70, seed=1).high == 70


def test_what_is_taped_is_what_taping_lot_by_lot_gives() -> None:
    """The waits are known draw by draw, as each past day has one; a lot at a time is the check."""
    waits = np.random.default_rng(5).integers(1, 400, 20).astype(float)
    day = np.repeat(np.arange(20), 3)
    times = {"test": Times(day, np.repeat(waits, 3), np.zeros(60)), "tape": past(0, 0)}
    jobs = [(float(after), Job(100.0 * n, STEPS, is_running=False)) for n, after in enumerate((250, 10, 90, 30, 200), 1)]
    begun = dict.fromkeys(range(20), jobs)
    found = forecast([], Line(times, 300, 120, begun), 0, seed=9, draws=2000)
    truth = sorted(_lot_by_lot([(after + wait, job.units) for after, job in jobs], 300, 2) for wait in waits)
    assert truth[0] < found.middle < truth[-1]
    assert {found.low, found.high} <= {round(one) for one in truth}


def _lot_by_lot(lots: list[tuple[float, float]], minutes: float, per_minute: float) -> float:
    free = taped = 0.0
    for arrived, units in sorted(lots):
        begin = max(free, arrived)
        taped += min(units, max(0.0, minutes - begin) * per_minute)
        free = begin + units / per_minute
    return taped


def test_what_waited_already_waits_only_the_rest() -> None:
    """A wait of 40 min of which 35 are over, 20 min at the tester, 30 before the tapers: 55 min from now."""
    times = {"test": past(40, 20), "tape": past(30, 5)}
    assert forecast([Job(100, STEPS, spent=35)], line(56, 60_000, **times), 0, seed=1).low == 100
    assert forecast([Job(100, STEPS, spent=35)], line(54, 60_000, **times), 0, seed=1).high == 0
    assert forecast([Job(100, STEPS, spent=15, is_running=True)], line(36, 60_000, **times), 0, seed=1).low == 100
    assert forecast([Job(100, STEPS, spent=41)], line(600, 60_000, **times), 0, seed=1).high == 0  # longer than any ever did


def test_a_step_without_a_past_takes_its_standard_time() -> None:
    """A new plant's first day: lots at their first step were all taped within the hour, in ten of ten draws."""
    jobs = [Job(100, ("cure", *STEPS)), Job(40, ("cure", *STEPS), spent=50, is_running=True), Job(7, ("cure", *STEPS), spent=50)]
    first_day = Line({}, 130, 60_000, standard={"cure": 100.0, "test": 30.0, "tape": 20.0})
    assert forecast(jobs, first_day, 0, seed=1).middle == 40, "50 + 30 min are left to one, 100 + 30 to the others"
    assert forecast(jobs, replace(first_day, minutes=131), 0, seed=1).middle == 147
    known = replace(first_day, times={"cure": past(5, 10), "test": past(0, 5), "tape": past(0, 0)})
    assert forecast(jobs[:1], replace(known, minutes=21), 0, seed=1).middle == 100, "what has a past goes by that"


def test_the_same_seed_gives_the_same_band_and_waits_that_vary_make_one() -> None:
    times = {"test": past(40, 20, spread=300), "tape": past(30, 5)}
    jobs = [Job(1000, STEPS)] * 8
    first = forecast(jobs, line(300, 60_000, **times), 0, seed=7)
    assert first == forecast(jobs, line(300, 60_000, **times), 0, seed=7)
    assert 0 <= first.low < first.middle < first.high <= 8000


def test_a_slow_day_is_slow_for_every_lot() -> None:
    """Half of the days wait 10 min, half 1,000: either all lots come in time or none, never half of them."""
    days = np.arange(60) % 20
    times = {"test": Times(days, np.where(days < 10, 10.0, 1000.0), np.full(60, 5.0)), "tape": past(1, 1)}
    found = forecast([Job(100, STEPS)] * 20, line(300, 60_000, **times), 0, seed=2)
    assert (found.low, found.high) == (0, 2000)
    assert found.middle in (0, 1000, 2000)


def test_what_past_days_began_is_begun_again() -> None:
    times = {"test": past(10, 5), "tape": past(5, 1)}
    again = {day: [(60.0, Job(400, STEPS, is_running=True))] for day in range(20)}
    found = forecast([], Line(times, 300, 60_000, again), 0, seed=1)
    assert (found.low, found.high) == (400, 400)


def test_nothing_on_its_way_leaves_what_was_taped() -> None:
    assert forecast([], line(300, 60_000), 12, seed=1) == Forecast(12, 12, 12, 12, 400)


def test_nothing_is_taped_while_no_shift_works() -> None:
    """One unit a minute: of ten hours five are of no shift, in the middle; a lot that comes then is taped from the next shift on."""
    idle = [(100.0, 400.0)]
    assert forecast([Job(9000, ())], Line({}, 600, 60, idle=idle), 0, seed=1).high == 300
    late = {0: [(250.0, Job(9000, ()))]}
    assert forecast([], Line({}, 600, 60, late, idle), 0, seed=1).high == 200
    assert forecast([Job(40, ())], Line({}, 600, None, idle=[(0.0, 600.0)]), 0, seed=1).high == 0


def test_a_step_that_no_lot_came_to_says_nothing_of_any_day() -> None:
    """After a holiday reels may have been bagged alone: packs waited for nothing, and no day is known."""
    nothing = Times(np.array([]), np.array([]), np.array([]))
    assert forecast([Job(100, STEPS)], line(60, 6000, dry=nothing), 7, seed=1).so_far == 7


@pytest.mark.parametrize(("truth", "words"), [(9, "below the band"), (10, "inside the band"), (30, "inside the band"), (31, "above the band")])
def test_a_forecast_is_scored(truth: int, words: str) -> None:
    assert score(Forecast(0, 10, 20, 30, 400), truth) == words


def test_the_band_holds_the_truth_of_two_simulated_weeks() -> None:
    """14 days: at 80 % fewer than 7 inside would come once in 400 runs; a band of no width or one that is always wide enough fails too."""
    from benchmarks.forecast_coverage import coverage

    n, inside, below = coverage(14, 5)
    assert n == 14
    assert inside >= 7
    assert 1 <= below <= 13

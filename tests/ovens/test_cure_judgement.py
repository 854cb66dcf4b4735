"""The judgement of cures: every limit at its edge, every fault of a record, and what must hold for any trace."""

import json
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.catalogue import definitions
from app.ovens.cure import Recipe, judge, recipe_of
from app.ovens.curves import common, curve, spans_within
from app.ovens.kinetics import Kinetics, degree_of_cure, equivalent_minutes
from app.ovens.record_quality import Used, Watch
from app.ovens.trace import Note, Trace, merge
from tests.ovens.curing import GOOD, RECIPE, START, at, codes, judged, oven_round, trace, without

TWO = {"A": GOOD, "B": ((0, 25), (62, 169), (181, 169), (200, 98))}
KINETICS = Kinetics(1e7, 75, n=1.5)


def test_a_good_cure_conforms_and_says_what_was_measured() -> None:
    found = judged(trace(TWO), replace(RECIPE, activation_energy_kj_mol=60, kinetics=KINETICS))
    assert (found.verdict, found.reasons) == ("conforms", ())
    a, b = found.sensors
    # A crosses 165 at 60 * 140 / 145 min going up, and 5 / 70 of 20 min after 180 coming down
    assert a.entered_band_at == pytest.approx(at(60 * 140 / 145), abs=timedelta(milliseconds=1))
    assert a.soak is not None
    assert a.soak.minutes == pytest.approx(180 + 20 / 14 - 60 * 140 / 145, abs=1e-6)
    assert (a.least_c, a.greatest_c, a.overshoot_c) == (25, 170, 0)
    assert a.steepest_rise == pytest.approx(145 / 60)
    assert a.steepest_fall == pytest.approx(3.5)
    up, down = 62 * 140 / 144, 180 + 20 / 14
    assert found.line.soak is not None
    assert found.line.soak.minutes == pytest.approx(down - up, abs=1e-6)  # B enters last, A leaves first
    assert found.line.interruptions == ()
    assert found.line.equivalent_minutes_coldest == pytest.approx(b.equivalent_minutes)
    assert found.line.equivalent_minutes_hottest == pytest.approx(a.equivalent_minutes)
    minutes, temps = [m * 60 for m, _ in GOOD], [t for _, t in GOOD]
    assert a.equivalent_minutes == pytest.approx(equivalent_minutes(minutes, temps, 60, 170), rel=1e-9)
    assert found.line.degree_hottest == pytest.approx(degree_of_cure(minutes, temps, KINETICS), abs=1e-9)
    assert found.facts_json()["line"]["soak"]["at_from"].endswith("Z")


def test_crossings_are_interpolated_whatever_the_sampling() -> None:
    fine, coarse = judged(trace({"A": GOOD}, 1)), judged(trace({"A": GOOD}, 120))
    assert coarse.line.soak_minutes == pytest.approx(fine.line.soak_minutes, abs=1e-6)


SOAKED = 180 + 20 / 14 - 60 * 140 / 145  # minutes in band of GOOD
LIMITS = [
    ({"soak_minutes": SOAKED}, None), ({"soak_minutes": SOAKED + 0.01}, "soak_short"),
    ({"soak_max_minutes": SOAKED}, None), ({"soak_max_minutes": SOAKED - 0.01}, "soak_long"),
    ({"ramp_up_max_c_per_min": 145 / 60}, None), ({"ramp_up_max_c_per_min": 2.4}, "rise_steep"),
    ({"ramp_down_max_c_per_min": 3.5}, None), ({"ramp_down_max_c_per_min": 3.49}, "fall_steep"),
    ({"overshoot_max_c": 0.0}, None), ({"overshoot_max_c": 1.0, "set_point_c": 168.0}, "overshoot"),
    ({"activation_energy_kj_mol": 60.0, "min_equivalent_minutes": 120.0}, None),
    ({"activation_energy_kj_mol": 60.0, "min_equivalent_minutes": 140.0}, "equivalent_short"),
    ({"kinetics": KINETICS, "least_degree": 0.999}, None), ({"kinetics": KINETICS, "least_degree": 0.9999}, "degree_low"),
    ({"kinetics": KINETICS, "greatest_degree": 0.9999}, None), ({"kinetics": KINETICS, "greatest_degree": 0.999}, "degree_high"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "code"), LIMITS)
def test_each_limit_at_its_edge(change: dict[str, object], code: str | None) -> None:
    found = judged(trace({"A": GOOD}), replace(RECIPE, soak_minutes=100) if "soak_minutes" not in change else RECIPE)
    assert found.verdict == "conforms"
    found = judged(trace({"A": GOOD}), replace(replace(RECIPE, soak_minutes=100), **change))  # type: ignore[arg-type]
    assert codes(found) == ([code] if code else [])
    assert found.verdict == ("does_not_conform" if code else "conforms")
    for reason in found.reasons:
        assert reason.measured is not None
        assert reason.limit is not None


def test_a_cold_shelf_does_not_conform() -> None:
    cold = ((0, 25), (60, 163), (180, 163), (200, 95))
    found = judged(trace({"A": GOOD, "B": cold}))
    assert (found.verdict, codes(found)) == ("does_not_conform", ["soak_short"])
    assert found.reasons[0].measured == 0
    assert found.sensors[1].entered_band_at is None
    assert judge(RECIPE, oven_round(trace({"A": GOOD, "B": cold}), Watch("A"))).verdict == "conforms"


def test_a_dip_breaks_the_soak_and_is_said() -> None:
    dip = ((0, 25), (60, 170), (100, 170), (102, 160), (104, 170), (180, 170), (200, 100))
    found = judged(trace({"A": dip}))
    assert (found.verdict, codes(found)) == ("does_not_conform", ["soak_short"])
    assert [round(soak.minutes, 6) for soak in found.line.interruptions] == [2.0]
    assert found.reasons[0].measured == pytest.approx(180 + 20 / 14 - 103)


def test_a_reading_outside_at_a_repeated_time_breaks_the_soak() -> None:
    """A clock without seconds gives several readings one time: the one outside must not vanish."""
    log = trace({"A": GOOD}, 60)
    times, temps = np.insert(log.times, 101, log.times[100]), np.insert(log.temps_c, 101, [[150.0]], axis=0)
    found = judged(Trace(np.insert(times, 102, times[100]), log.sensors, np.insert(temps, 102, [[170.0]], axis=0)))
    assert codes(found) == ["soak_short"]


def test_sensors_in_the_band_may_differ_by_so_much() -> None:
    recipe = replace(RECIPE, spread_max_c=3.0, soak_minutes=100)
    warm = ((0, 25), (60, 173), (180, 173), (200, 100))
    assert judged(trace({"A": GOOD, "B": warm}), recipe).verdict == "conforms"
    found = judged(trace({"A": GOOD, "B": ((0, 25), (60, 173.2), (180, 173.2), (200, 100))}), recipe)
    assert codes(found) == ["spread_wide"]
    assert found.line.spread_c == pytest.approx(3.2)


def test_a_flickering_last_digit_is_no_ramp() -> None:
    log = trace({"A": GOOD}, 1)
    flicker = Trace(log.times, log.sensors, log.temps_c + 0.1 * (np.arange(len(log.times)) % 2)[:, None])
    assert judged(flicker, replace(RECIPE, ramp_up_max_c_per_min=2.6, ramp_down_max_c_per_min=3.7)).verdict == "conforms"


# The record itself


def test_a_gap_is_never_judged_as_conforming() -> None:
    log = trace(TWO)
    for start, end in ((100, 103), (20, 23), (190, 193)):
        found = judged(without(log, start, end, "B"))
        assert found.verdict == "cannot_tell"
        assert codes(found)[0] == "gap"
        assert found.reasons[0].measured == pytest.approx((end - start) * 60)
    assert judged(without(log, 100, 102, "B")).verdict == "conforms"  # 120 s, as allowed


def test_what_is_recorded_may_still_prove_that_it_does_not_conform() -> None:
    hot = ((0, 25), (60, 190), (180, 170), (200, 100))
    found = judged(without(trace({"A": hot}), 100, 110), replace(RECIPE, overshoot_max_c=10))
    assert (found.verdict, codes(found)) == ("does_not_conform", ["overshoot", "soak_short", "gap"])
    short = judged(without(trace({"A": ((0, 25), (60, 170), (120, 170), (200, 40))}), 80, 90))
    assert (short.verdict, codes(short)) == ("does_not_conform", ["soak_short", "gap"])
    assert codes(judged(without(trace({"A": GOOD}), 100, 110))) == ["gap", "soak_unproved"]


@pytest.mark.parametrize(
    ("log", "code"),
    [
        (trace({"A": ((5, 35), *GOOD[1:])}), "not_covered"),
        (trace({"A": (*GOOD[:-1], (190, 100))}), "not_covered"),
        (trace({"A": ((300, 25), (400, 170))}), "not_covered"),
        (trace({"Z": GOOD}), "not_this_oven"),
        (None, "no_trace"),
    ],
)
def test_a_trace_that_is_not_of_this_round_tells_nothing(log: Trace | None, code: str) -> None:
    found = judge(RECIPE, oven_round(log, Watch("A")))
    assert found.verdict == "cannot_tell"
    assert code in codes(found)


@pytest.mark.parametrize("opened", [0, -5])
def test_a_round_without_a_time_tells_nothing(opened: float) -> None:
    found = judge(RECIPE, oven_round(trace({"A": GOOD}), opened=opened))
    assert (found.verdict, codes(found)) == ("cannot_tell", ["no_span", "soak_unproved"])
    assert judge(replace(RECIPE, sum_soaks=True), oven_round(trace({"A": GOOD}), opened=opened)).verdict == "cannot_tell"


def test_an_unseen_minute_at_an_end_is_no_fault_but_proves_nothing() -> None:
    late = trace({"A": ((1.5, 170), (120.5, 170))})
    found = judge(replace(RECIPE, soak_minutes=119), oven_round(late, opened=121))
    assert found.verdict == "conforms"
    assert codes(judge(RECIPE, oven_round(late, opened=121))) == ["soak_unproved"]


def test_too_few_or_missing_sensors() -> None:
    assert codes(judged(trace({"A": GOOD}), replace(RECIPE, min_sensors=2))) == ["too_few_sensors"]
    assert codes(judge(RECIPE, oven_round(trace({"A": GOOD}), Watch("A"), Watch("B")))) == ["sensor_missing"]
    assert codes(judge(RECIPE, oven_round(trace({"A": GOOD}), Watch(" a ")))) == []


def test_a_sensor_counts_for_the_time_that_it_watched() -> None:
    cold = ((0, 25), (30, 97), (31, 25), (200, 60))
    log = trace({"A": GOOD, "B": cold})
    gone = Watch("B", until=at(0))
    assert judge(RECIPE, oven_round(log, Watch("A"), gone)).verdict == "conforms"
    left = Watch("B", until=at(30))  # it watched the ramp only
    assert judge(RECIPE, oven_round(log, Watch("A"), left)).verdict == "conforms"
    came = Watch("B", since=at(100))
    assert codes(judge(RECIPE, oven_round(log, Watch("A"), came))) == ["soak_short"]
    swapped = judge(RECIPE, oven_round(trace({"A": GOOD, "B": GOOD}), Watch("A", until=at(90)), Watch("B", since=at(90))))
    assert swapped.verdict == "conforms"
    nobody = judge(RECIPE, oven_round(trace({"A": GOOD, "B": GOOD}), Watch("A", until=at(90)), Watch("B", since=at(95))))
    assert codes(nobody) == ["too_few_sensors", "soak_unproved"]


def test_time_running_backward_tells_nothing() -> None:
    log = trace({"A": GOOD})
    times = log.times.copy()
    times[200:210] = times[180:190]
    found = judged(Trace(times, log.sensors, log.temps_c))
    assert found.verdict == "cannot_tell"
    assert "time_backward" in codes(found)
    before = Trace(np.r_[START - 100, START - 200, log.times], log.sensors, np.r_[[[20.0]], [[20.0]], log.temps_c])
    assert judged(before).verdict == "conforms"  # it ran backward before this load


def test_a_broken_sensor_tells_nothing_in_its_span_only() -> None:
    def log(start: float, end: float) -> Trace:
        note = Note("broken", "A shows what a broken sensor shows, once.", 7, "A", at(start).timestamp(), at(end).timestamp())
        return trace(TWO, notes=(note,))

    assert codes(judged(log(100, 100))) == ["sensor_broken"]
    assert codes(judged(log(-20, -10))) == []
    assert codes(judge(RECIPE, oven_round(log(100, 100), Watch("B")))) == []


@pytest.mark.parametrize(
    "stuck",
    [
        ((0, 25), (60, 170), (200, 170)),  # while the other cools
        ((0, 25), (30, 100), (200, 100)),  # while the other goes on heating
        ((0, 170), (200, 170)),  # all the time
    ],
)
def test_a_stuck_sensor_tells_nothing(stuck: tuple[tuple[float, float], ...]) -> None:
    found = judged(trace({"A": ((0, 25), (60, 170), (180, 170), (200, 60)), "B": stuck}))
    assert found.verdict == "cannot_tell"
    assert "sensor_stuck" in codes(found)


def test_a_sensor_that_does_not_flicker_as_its_neighbour_does_is_stuck() -> None:
    log = trace({"A": ((0, 100), (60, 170), (195, 170)), "B": ((0, 100), (60, 170), (195, 170))})
    noise = np.round(np.random.default_rng(5).normal(0, 0.3, log.temps_c.shape), 1)
    noise[log.times > START + 5000, 1] = noise[200, 1]
    found = judge(RECIPE, oven_round(Trace(log.times, log.sensors, np.round(log.temps_c, 1) + noise), opened=195))
    assert codes(found) == ["sensor_stuck"]
    assert found.reasons[0].sensor == "B"


def test_a_time_already_used_by_another_load_tells_nothing() -> None:
    found = judged(trace(TWO), used=[Used("load 7", at(-100), at(0)), Used("load 8", at(150), at(300))])
    assert codes(found) == ["trace_used"]
    assert "load 8" in found.reasons[0].text


def test_a_judgement_is_kept_as_plain_values() -> None:
    hot = ((0, 25), (60, 190), (100, 171), (180, 168), (200, 60))
    recipe = replace(RECIPE, overshoot_max_c=5, spread_max_c=1, ramp_up_max_c_per_min=1, activation_energy_kj_mol=60, kinetics=KINETICS)
    note = Note("broken", "B shows what a broken sensor shows, once.", 7, "B", at(60).timestamp(), at(60).timestamp())
    log = without(trace({"A": hot, "C": GOOD, "B": GOOD}, notes=(note,)), 70, 80)
    found = judged(log, recipe, used=[Used("load 8", at(150), at(300))])
    assert {"overshoot", "spread_wide", "gap", "sensor_broken", "trace_used"} <= set(codes(found))
    kept = json.loads(json.dumps({"reasons": found.reasons_json(), **found.facts_json()}, allow_nan=False))
    assert [reason["code"] for reason in kept["reasons"]] == codes(found)


# Aborted rounds

ABORTED = ((-300, 25), (-240, 170), (-180, 170), (-160, 60))  # an hour, then the oven failed
SHORT = ((0, 25), (60, 170), (130, 170), (150, 60))


def test_an_aborted_round_counts_with_the_one_that_completes_it() -> None:
    energy = 60.0
    recipe = Recipe(170, 165, 175, 60, activation_energy_kj_mol=energy, min_equivalent_minutes=130, kinetics=KINETICS, least_degree=0.9)
    aborted = oven_round(trace({"A": ABORTED}), closed=-300, opened=-160)
    alone = judge(recipe, oven_round(trace({"A": SHORT}), opened=150))
    assert codes(alone) == ["equivalent_short"]
    both = judge(recipe, oven_round(trace({"A": SHORT}), opened=150), earlier=[aborted])
    assert both.verdict == "conforms"
    parts = [equivalent_minutes([m * 60 for m, _ in c], [t for _, t in c], energy, 170) for c in (ABORTED, SHORT)]
    assert both.line.equivalent_minutes_coldest == pytest.approx(sum(parts), rel=1e-9)
    assert alone.line.degree_coldest is not None
    assert both.line.degree_coldest is not None
    assert both.line.degree_coldest > alone.line.degree_coldest


def test_soaks_of_two_rounds_are_added_only_where_the_recipe_says_so() -> None:
    aborted = oven_round(trace({"A": ABORTED}), closed=-300, opened=-160)
    this = oven_round(trace({"A": SHORT}), opened=150)
    assert codes(judge(RECIPE, this, earlier=[aborted])) == ["soak_short"]
    assert judge(replace(RECIPE, sum_soaks=True), this, earlier=[aborted]).verdict == "conforms"


def test_what_went_wrong_in_an_aborted_round_is_not_forgotten() -> None:
    hot = ((-300, 25), (-240, 190), (-180, 170), (-160, 60))
    recipe = replace(RECIPE, overshoot_max_c=10)
    aborted = oven_round(trace({"A": hot}), closed=-300, opened=-160, name="load 6")
    found = judged(trace({"A": GOOD}), recipe, earlier=[aborted])
    assert codes(found) == ["overshoot"]
    assert found.reasons[0].text.startswith("In load 6: ")
    unknown = judged(trace({"A": GOOD}), recipe, earlier=[replace(aborted, trace=None)])
    assert (unknown.verdict, codes(unknown)) == ("cannot_tell", ["no_trace"])


def test_the_recipe_of_the_catalogue_is_understood_whole() -> None:
    body = definitions.Recipe(
        name="C170", set_point_c=170, band_low_c=165, band_high_c=175, soak_minutes=120, spread_max_c=6, activation_energy_kj_mol=70,
        kinetics=definitions.Kinetics(model="kamal", a1_per_s=2e4, e1_kj_mol=60, a2_per_s=4e6, e2_kj_mol=70, m=0.8, n=1.4, least_degree=0.95),
    )
    found = recipe_of(body)
    assert (found.spread_max_c, found.least_degree, found.greatest_degree, found.max_gap_seconds) == (6, 0.95, None, 120)
    assert found.kinetics == Kinetics(2e4, 60, 1.4, "kamal", 4e6, 70, 0.8)
    assert recipe_of(body.model_copy(update={"kinetics": None})).kinetics is None


# What must hold for any trace

corner_temps = st.integers(100, 200).map(float) | st.sampled_from((165.0, 170.0, 175.0))


@st.composite
def cures(draw: st.DrawFn, sensors: int = 1) -> dict[str, tuple[tuple[float, float], ...]]:
    steps = draw(st.lists(st.integers(2, 90), min_size=1, max_size=6))
    minutes = [0, *np.cumsum(steps).tolist()]
    names = ["A", "B", "C"][:sensors]
    return {name: tuple((minute, draw(corner_temps)) for minute in minutes) for name in names}


@st.composite
def recipes(draw: st.DrawFn) -> Recipe:
    limit = st.none() | st.floats(0.5, 20)
    return Recipe(
        170, 160, 180, draw(st.floats(1, 60)), soak_max_minutes=draw(st.none() | st.floats(10, 200)), ramp_up_max_c_per_min=draw(limit),
        ramp_down_max_c_per_min=draw(limit), spread_max_c=draw(limit), overshoot_max_c=draw(st.none() | st.floats(0, 25)),
        activation_energy_kj_mol=draw(st.sampled_from((None, 60.0))), min_equivalent_minutes=draw(st.none() | st.floats(1, 100)),
        kinetics=draw(st.sampled_from((None, KINETICS))), least_degree=draw(st.none() | st.floats(0, 1)),
        greatest_degree=draw(st.none() | st.floats(0, 1)),
    )  # fmt: skip


def length(sensors: dict[str, tuple[tuple[float, float], ...]]) -> float:
    return next(iter(sensors.values()))[-1][0]


@given(cures(2), recipes(), st.floats(0, 1), st.floats(2.2, 30), st.sampled_from(("A", "B", None)))
def test_no_trace_with_a_gap_conforms(
    sensors: dict[str, tuple[tuple[float, float], ...]], recipe: Recipe, where: float, minutes: float, which: str | None
) -> None:
    end = length(sensors)
    start = where * end
    log = without(trace(sensors, 10), start, start + minutes, which)
    seen = min(end, start + minutes) - max(0, start)
    if seen * 60 > recipe.max_gap_seconds + 20:
        assert judge(recipe, oven_round(log, opened=end)).verdict != "conforms"


@settings(max_examples=300)
@given(cures(3), recipes(), st.sampled_from((1, 2)))
def test_a_colder_sensor_never_makes_it_conform(sensors: dict[str, tuple[tuple[float, float], ...]], recipe: Recipe, few: int) -> None:
    lowest = [min(temps) for temps in zip(*([t for _, t in corners] for corners in sensors.values()), strict=True)]
    names = ["A", "B", "C"]
    coldest = {names[few]: tuple((minute, temp - 3) for (minute, _), temp in zip(sensors["A"], lowest, strict=True))}
    log = trace({**{name: sensors[name] for name in names[:few]}, **coldest}, 60)
    less = judge(recipe, oven_round(log, *[Watch(name) for name in names[:few]], opened=length(sensors)))
    more = judge(recipe, oven_round(log, *[Watch(name) for name in log.sensors], opened=length(sensors)))
    if less.verdict != "conforms":
        assert more.verdict != "conforms"


@given(cures(2), recipes())
def test_a_conforming_cure_shows_a_soak_in_the_readings_themselves(sensors: dict[str, tuple[tuple[float, float], ...]], recipe: Recipe) -> None:
    log = trace(sensors, 60)
    found = judge(recipe, oven_round(log, opened=length(sensors)))
    if found.verdict == "conforms":
        assert found.line.soak is not None
        inside = (log.times >= found.line.soak.at_from.timestamp() + 1e-3) & (log.times <= found.line.soak.at_to.timestamp() - 1e-3)
        assert ((log.temps_c[inside] >= 160 - 1e-5) & (log.temps_c[inside] <= 180 + 1e-5)).all()
        assert found.line.soak.minutes >= recipe.soak_minutes - 1e-3


@given(cures(), st.floats(20, 120), st.floats(0.05, 0.95))
def test_equivalent_minutes_add(sensors: dict[str, tuple[tuple[float, float], ...]], energy: float, share: float) -> None:
    times = np.array([minute * 60 for minute, _ in sensors["A"]])
    temps = np.array([temp for _, temp in sensors["A"]])
    cut = share * times[-1]
    n = int(np.searchsorted(times, cut))
    middle = np.interp(cut, times, temps)
    whole = equivalent_minutes(times, temps, energy, 170)
    parts = equivalent_minutes(np.r_[times[:n], cut], np.r_[temps[:n], middle], energy, 170) + equivalent_minutes(
        np.r_[cut, times[n:]], np.r_[middle, temps[n:]], energy, 170
    )
    assert parts == pytest.approx(whole, rel=1e-8)


@given(cures(), st.floats(150, 170), st.floats(1, 20))
def test_time_in_band_agrees_with_counting_fine_samples(sensors: dict[str, tuple[tuple[float, float], ...]], low: float, width: float) -> None:
    """Against a count over a thousand samples a corner, which knows nothing of crossings."""
    log = trace(sensors, 60)
    end = length(sensors)
    spans = spans_within(curve(log, 0, START, START + end * 60, 120), low, low + width)
    assert all(a <= b for a, b in spans)
    assert common(spans, spans) == spans
    fine = np.linspace(0, end, 20_001)
    temps = np.interp(fine, (log.times - START) / 60, log.temps_c[:, 0])
    counted = float(np.mean((temps >= low) & (temps <= low + width))) * end
    assert sum(b - a for a, b in spans) / 60 == pytest.approx(counted, abs=end * (len(spans) + 2) / 10_000)


@given(cures(2), st.integers(1, 9))
def test_several_files_of_a_load_are_judged_as_one(sensors: dict[str, tuple[tuple[float, float], ...]], cut: int) -> None:
    whole = trace(sensors, 60)
    n = len(whole.times) * cut // 10
    late, early = (Trace(whole.times[part], whole.sensors, whole.temps_c[part]) for part in (slice(max(n - 3, 0), None), slice(0, n + 3)))
    one, other = (Trace(whole.times, (name,), whole.temps_c[:, [k]]) for k, name in enumerate(whole.sensors))
    expected = judge(RECIPE, oven_round(whole, opened=length(sensors)))
    for files in ((late, early), (one, other), (whole, whole)):
        assert judge(RECIPE, oven_round(merge(files), Watch("A"), Watch("B"), opened=length(sensors))) == expected

"""Traces of several files, windows of one, and the heat that all rounds of a panel add up to."""

import numpy as np
import pytest

from app.errors import BadInput
from app.ovens.heat import Adhesive, heat_of
from app.ovens.kinetics import Kinetics, degree_of_cure, equivalent_minutes
from app.ovens.record_quality import read_record
from app.ovens.trace import Note, Trace, merge, window
from tests.ovens.curing import GOOD, START, at, oven_round, trace


def log(times: list[float], **sensors: list[float]) -> Trace:
    return Trace(START + np.array(times), tuple(sensors), np.array(list(sensors.values())).T)


def test_a_window_keeps_its_rows_and_what_is_said_of_them() -> None:
    notes = (Note("left_out", "x"), Note("broken", "y", 3, "A", START, START + 10), Note("broken", "z", 9, "A", START + 60, START + 70))
    whole = Trace(START + np.arange(0, 100, 10.0), ("A",), np.arange(10.0)[:, None], notes)
    found = window(whole, START + 20, START + 60)
    assert found.temps_c[:, 0].tolist() == [2, 3, 4, 5, 6]
    assert [note.text for note in found.notes] == ["x", "z"]


def test_files_with_the_same_readings_count_them_once() -> None:
    found = merge([log([0, 10, 20], A=[1, 2, 3]), log([10, 20, 30], a=[2, 3, 4])])
    assert found.times.tolist() == [START, START + 10, START + 20, START + 30]
    assert found.temps_c[:, 0].tolist() == [1, 2, 3, 4]


def test_files_that_contradict_each_other_are_refused() -> None:
    with pytest.raises(BadInput) as caught:
        merge([log([0, 10], A=[1, 2]), log([10, 20], A=[2.5, 3])])
    assert "sensor a" in caught.value.reasons[0].where.lower()


def test_repeats_and_backward_times_of_one_file_stay() -> None:
    odd = log([0, 10, 10, 5, 20], A=[1, 2, 3, 4, 5])
    found = merge([odd, log([15], B=[9])])
    assert found.times.tolist() == [START + second for second in (0, 10, 10, 5, 15, 20)]
    assert found.temps_c[:, 0].tolist()[:4] == [1, 2, 3, 4]
    assert merge([odd, odd]).temps_c[:, 0].tolist() == [1, 2, 3, 4, 5]


def test_the_heat_of_all_rounds_adds_up_for_each_adhesive_from_when_it_was_placed() -> None:
    """The red adhesive came between the two cures; the first round was aborted on another shelf."""
    kinetics = Kinetics(2e4, 60, n=1.4, model="kamal", a2_per_s=4e6, e2_kj_mol=70, m=0.8)
    second = tuple((minute + 600, temp) for minute, temp in GOOD)
    cold = tuple((minute + 600, temp - 5) for minute, temp in GOOD)
    rounds = [
        oven_round(trace({"A": GOOD}), name="first"),
        oven_round(trace({"C": second, "D": cold}), closed=600, opened=800, name="second"),
        oven_round(None, closed=1000, opened=1100, name="no file"),
    ]
    records = [read_record(one, 120, 1) for one in rounds]
    driver, red = (heat_of(one, records) for one in (Adhesive("driver", 60, 170, kinetics), Adhesive("red", 80, 170, placed_at=at(300))))
    seconds = [minute * 60 for minute, _ in GOOD]
    hot, mild = [temp for _, temp in GOOD], [temp - 5 for _, temp in GOOD]
    assert [one.round for one in driver.rounds] == ["first", "second", "no file"]
    assert driver.equivalent_minutes_hottest == pytest.approx(2 * equivalent_minutes(seconds, hot, 60, 170))
    assert driver.equivalent_minutes_coldest == pytest.approx(sum(equivalent_minutes(seconds, temps, 60, 170) for temps in (hot, mild)))
    once = degree_of_cure(seconds, hot, kinetics)
    assert driver.degree_coldest == pytest.approx(degree_of_cure(seconds, mild, kinetics, once), abs=1e-7)
    assert (driver.complete, [one.complete for one in driver.rounds]) == (False, [True, True, False])
    assert red.equivalent_minutes_coldest == pytest.approx(equivalent_minutes(seconds, mild, 80, 170))
    assert red.degree_coldest is None

"""Counts that do not close, and small differences that lean one way."""

import csv
import io

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest, norm
from sqlalchemy import event, text

from app.db import House
from app.errors import Refused
from app.floor.counting import count_units, sign_difference
from app.floor.loose import split_loose
from app.genealogy.checks import check
from app.genealogy.count_drift import drift
from app.genealogy.unclosed_counts import differences, sums_by_station, unclosed
from app.naming.resolve import Named
from app.receiving.panels import receive_panels
from tests.genealogy.made import client_of, made, made_loose
from tests.genealogy.made import tested as put_through_test
from tests.small_factory import Factory


def count(factory: Factory, lot: Named | int, units: int, u: float, run: int | None = None) -> None:
    item = lot if isinstance(lot, int) else lot.id
    factory.do("count_units", lambda s, by: count_units(s, by, item, units, "weight", u, run).entry.id)


def test_a_count_beyond_counting_stands_there_with_its_entries_until_and_after_it_is_signed(house: House) -> None:
    factory = Factory(house).load()
    one = made(factory)
    count(factory, one.best, 44, 1.5)
    with house.reading() as session:
        assert unclosed(session) == [], "46 by the book: 2 fewer are within 3"
    count(factory, one.best, 40, 0.5)
    with house.reading() as session:
        (found,) = unclosed(session)
    assert (found.code, found.difference, found.open) == (one.best.code, -6, True)
    assert [row.units for row in found.rows] == [-2, -4]
    assert f"counts: {one.best.code}" in _checked(house)
    client, form = client_of(factory), f'href="/do/act?call=/counts/sign&amp;thing={one.best.code}">Sign for it</a>'
    assert all(form in client.get(page).text for page in ("/counts", f"/lots/{one.best.code}")), "where it says that it waits, it leads to the form"
    factory.do("sign_difference", lambda s, by: sign_difference(s, by, one.best.id, "swept away").id)
    with house.reading() as session:
        (found,) = unclosed(session)
    assert (found.words, found.difference, found.open) == ("signed for", -6, False)
    assert f"counts: {one.best.code}" not in _checked(house)
    assert not any(form in client.get(page).text for page in ("/counts", f"/lots/{one.best.code}"))


def test_what_a_test_counted_beyond_the_lot_is_one_difference_of_all_its_bins(house: House) -> None:
    factory = Factory(house).load()
    loose = made_loose(factory)[-1]
    put_through_test(factory, factory.start("Tester", loose), 105, 15)
    with house.reading() as session:
        (found,) = unclosed(session)
    assert (found.code, found.words, found.difference) == (loose.code, "taken as a fact, and held", 25), "80 by the book"
    assert [row.units for row in found.rows] == [10, 15]


def test_a_difference_is_counted_once_however_often_it_is_seen(house: House) -> None:
    factory = Factory(house).load()
    one = made(factory)
    for units in (45, 45, 44):
        count(factory, one.best, units, 2.0, one.test)
    with house.reading() as session:
        ((_, rows),) = differences(session).items()
        (station,) = sums_by_station(session)
    assert [delta for _, delta, _ in rows] == [-1, 0, -1]
    assert [round(u, 3) for *_, u in rows] == [2.0, 2.828, 2.828]
    assert (station.station, station.drift.total, station.months[-1].running, station.drifts) == ("Tester", -2, -2, False)


def test_a_batch_of_lead_frames_is_counted_and_what_is_missing_stands_there(house: House) -> None:
    factory = Factory(house).load()
    frames = factory.batch("FRAME")
    count(factory, frames, 500, 0.0)  # as it came
    with house.reading() as session:
        assert unclosed(session) == [], "the first count opens the book"
    factory.do("receive_panels", lambda s, by: [one.code for one in receive_panels(s, by, frames, count=30, rows=4, columns=5)])
    count(factory, frames, 470, 0.0)
    count(factory, frames, 465, 1.0)
    with house.reading() as session:
        (found,) = unclosed(session)
    assert (found.kind, found.code, found.difference, found.open) == ("batch", frames.code, -5, True)
    assert f"counts: {frames.code}" in _checked(house)
    factory.do("sign_difference", lambda s, by: sign_difference(s, by, frames.id, "bent in unpacking").id)
    count(factory, frames, 465, 0.0)
    with house.reading() as session:
        (found,) = unclosed(session)
    assert (found.difference, found.open) == (-5, False)
    count(factory, frames, 468, 0.0)
    factory.do("sign_difference", lambda s, by: sign_difference(s, by, frames.id, "three were counted as one").id)
    count(factory, frames, 468, 0.0)


def test_glue_is_not_counted_in_pieces(house: House) -> None:
    factory = Factory(house).load()
    with pytest.raises(Refused, match="not counted in pieces"):
        count(factory, factory.batch("GLUE"), 5, 0.0)


def test_small_one_way_losses_are_told_from_counting(house: House) -> None:
    """Twelve parts of a lot, each one unit short within counting; none is beyond it, all together are."""
    factory = Factory(house).load()
    one = made(factory)
    parts = [factory.do("split_loose", lambda s, by: split_loose(s, by, one.best.id, 3).item) for _ in range(12)]
    for part in parts:
        count(factory, part, 2, 0.6, one.test)
    with house.reading() as session:
        assert unclosed(session) == []
        (station,) = sums_by_station(session)
    assert (station.drift.total, station.drift.fewer, station.drifts) == (-12, 12, True)
    assert "counts: Tester: leans one way" in _checked(house)


def test_a_load_that_did_not_do_what_lay_in_it_differs(house: House) -> None:
    factory = Factory(house).load()
    made(factory)
    with house.reading() as session:
        assert unclosed(session) == []
    with house.owner_engine.begin() as raw:  # what no verb of ours does
        raw.execute(text("delete from cover where line in (select l.id from line l join run r on r.id = l.run where r.operation = 'cure')"))
    with house.reading() as session:
        (found,) = unclosed(session)
    assert (found.kind, found.words, found.difference) == ("load", "4 panels on its shelves, 4 in its run, 0 done", -4)


@pytest.mark.parametrize(
    ("deltas", "p_sign"),
    [  # by the binomial law: 2 P(X <= r) for n signs; the critical numbers are those of Dixon and Mood's table: 5 of 20 at 5 %, 3 of 20 at 1 %
        ([-1] * 5 + [1] * 15, 0.0414), ([-1] * 6 + [1] * 14, 0.1153), ([-1] * 3 + [1] * 17, 0.0026), ([-1] * 4 + [1] * 16, 0.0118), ([0, 0], 1.0),
    ],
)  # fmt: skip
def test_the_sign_test_is_that_of_the_tables(deltas: list[int], p_sign: float) -> None:
    assert drift([(delta, 1.0) for delta in deltas]).p_sign == pytest.approx(p_sign, abs=5e-5)


def test_a_sum_is_held_against_the_root_of_the_squares() -> None:
    """JCGM 100:2008, 5.1.2; by the normal law 1.959964 times the uncertainty has p = 0.05."""
    assert drift([(-3, 3.0), (-4, 4.0)]).u == 5.0
    assert drift([(-1_959_964, 1_000_000.0)]).p_sum == pytest.approx(0.05, abs=1e-6)
    assert (drift([(0, 0.0)]).p_sum, drift([(1, 0.0)]).p_sum) == (1.0, 0.0), "exact counts have no room"
    assert not drift([(-4, 3.0)] * 5).drifts(stations=10), "one among twenty tests"
    assert drift([(-4, 3.0)] * 5).drifts(stations=1)
    assert not drift([(-9, 3.0)]).drifts(stations=1), "one count is a difference, not a drift"


@settings(max_examples=200)
@given(st.integers(0, 3000), st.integers(0, 3000), st.floats(0.1, 50))
@example(0, 0, 1.0)
@example(1500, 1500, 0.5)
@example(2, 40_000, 1.0)
@example(10, 1065, 1.0)
def test_both_tests_are_those_of_a_statistics_library(fewer: int, more: int, u: float) -> None:
    """SciPy 1.15: `binomtest` and `norm.sf`, both tails. Of 1,075 signs and more `binomtest` says 0 of what is below 1e-253."""
    found = drift([(-1, u)] * fewer + [(1, u)] * more)
    sign = binomtest(fewer, fewer + more).pvalue if fewer + more else 1.0
    assert found.p_sign == pytest.approx(sign, rel=1e-7, abs=1e-250)
    by_sum = 2 * norm.sf(abs(found.total) / found.u) if found.total else 1.0
    assert found.p_sum == pytest.approx(by_sum, rel=1e-9, abs=1e-300)


def test_page_files_and_call_say_the_same_in_as_many_statements_for_more(house: House) -> None:
    factory = Factory(house).load()
    one = made(factory)
    count(factory, one.best, 40, 0.5, one.test)
    client = client_of(factory)
    few = _statements(house, client)
    for _ in range(3):
        count(factory, one.loose, 9, 0.5)
    assert _statements(house, client) == few
    told = client.get("/api/v1/counts").json()
    rows = list(csv.DictReader(io.StringIO(client.get("/counts/csv").text)))
    assert {(row["kind"], row["code"]) for row in rows} == {(row["kind"], row["code"]) for row in told["unclosed"]} == {
        ("lot", one.best.code), ("lot", one.loose.code),
    }  # fmt: skip
    by_station = csv.DictReader(io.StringIO(client.get("/counts/stations.csv").text))
    assert [row["station"] for row in told["stations"]] == [row["station"] for row in by_station]
    assert one.best.code in client.get("/counts").text


def _statements(house: House, client: object) -> int:
    seen: list[str] = []
    listen = lambda *args: seen.append(args[2])  # noqa: E731  # kept to be taken off again
    event.listen(house.read_engine, "before_cursor_execute", listen)
    client.get("/counts")  # type: ignore[attr-defined]
    event.remove(house.read_engine, "before_cursor_execute", listen)
    return len(seen)


def _checked(house: House) -> str:
    return "\n".join(f"{one.check}: {one.where}: {one.what}" for one in check(house))

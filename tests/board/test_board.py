"""The board on a small line: states, marks, windows, ovens, what went past a gate, and a fixed number of statements."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from functools import partial
from typing import Any

import pytest
from sqlalchemy import event, select

from app import clock
from app.board.ovens import Oven
from app.board.remembered import Remembered
from app.board.shift_report import shift_report
from app.board.stations import StationNow, stations_now
from app.board.whole import Board, board
from app.board.work import Row
from app.db import House
from app.floor.at_risk import go_on_at_risk
from app.floor.dispositions import dispose
from app.floor.ends import Said, interrupt_run
from app.floor.lots import merge_lots, start_lot
from app.floor.move_corrections import correct_move
from app.floor.moves import move_item
from app.floor.scrap import scrap_panel, scrap_units
from app.floor.station_states import set_state
from app.holds.place import place_hold
from app.ledger.judgements import Judgement
from app.ledger.places import Move
from app.ledger.runs import Run
from app.ledger.sets import panels_of_lot
from app.naming.resolve import Named, code_of
from app.packing.rework import re_reel, take_off_tape
from tests.board.line import DUE, MORE, NOON, binned, day_of_noon, line, loose_lot, lot, minutes, reel, run
from tests.small_factory import Factory, named_lot, named_pack


@pytest.fixture
def factory(house: House) -> Factory:
    return line(house)


def seen(factory: Factory, at: Any = NOON) -> Board:
    with factory.house.reading() as session:
        return board(session, Remembered(), at)


def row(found: Board, step: str) -> Row:
    return next(one for one in found.rows if one.key == step)


def test_lots_wait_run_are_held_and_go_on_at_risk(factory: Factory) -> None:
    waiting, running, held = (lot(factory, 2, NOON - timedelta(hours=5)) for _ in range(3))
    risky = _risky(factory)
    for one in (waiting, running, held):
        run(factory, "Plasma", one, NOON - timedelta(hours=3), took=20)
    factory.start("Bond 1", running, at=NOON - minutes(30))
    factory.do("place_hold", lambda s, by: place_hold(s, by, held, "bent").id, happened_at=NOON - minutes(90))
    found = seen(factory)
    assert row(found, "bond").counts == {"waiting": 1, "running": 1, "at risk": 0, "held": 1}
    assert [(one.code, one.state) for one in row(found, "plasma").lots] == [(risky.code, "at risk")]
    where = {one.code: one.where for one in row(found, "bond").lots}
    assert where[running.code] == "runs at Bond 1 for 30 min"
    assert where[waiting.code] == "waits 2 h 40 min"
    assert where[held.code].startswith("on hold H")
    assert (found.lots, found.late, found.stuck) == (4, 0, 0)
    assert row(found, "bond").units == 3 * 40
    assert [one.state for one in row(found, "bond").pockets] == ["done", "in work", "to come", "to come"]


def test_panels_of_one_lot_at_two_steps_are_two_rows_and_one_lot(factory: Factory) -> None:
    one = lot(factory, 4, NOON - timedelta(hours=5))
    with factory.house.reading() as session:
        some = panels_of_lot(session, one.id)[:1]
    number = factory.start("Plasma", one, at=NOON - timedelta(hours=2), only=some)
    factory.finish(number, at=NOON - timedelta(hours=1))
    found = seen(factory)
    assert [(r.key, r.panels, r.units) for r in found.rows] == [("plasma", 3, 60), ("bond", 1, 20)]
    assert found.lots == 1


def test_panels_of_one_lot_that_went_through_apart_are_one_line_and_one_window(factory: Factory) -> None:
    one = lot(factory, 4, NOON - timedelta(hours=5))
    with factory.house.reading() as session:
        some = panels_of_lot(session, one.id)
    for n, panels in enumerate((some[:1], some[1:])):
        number = factory.start("Plasma", one, at=NOON - timedelta(hours=3 - n), only=panels)
        factory.finish(number, at=NOON - timedelta(hours=2))
    found = seen(factory)
    assert row(found, "bond").counts["waiting"] == 1
    assert [(line.code, line.panels, line.units) for line in row(found, "bond").lots] == [(one.code, 4, 80)]
    assert [(window.lot, window.panels, window.units, window.ahead) for window in found.windows] == [(one.code, 4, 80, 0)]
    assert (seen(factory, NOON + timedelta(days=5)).late, row(seen(factory, NOON + timedelta(days=5)), "bond").how_many("late")) == (1, 1)


def test_a_hold_on_one_panel_holds_that_panel(factory: Factory) -> None:
    one = lot(factory, 3, NOON - timedelta(hours=5))
    with factory.house.reading() as session:
        panel = panels_of_lot(session, one.id)[0]
    factory.do("place_hold", lambda s, by: place_hold(s, by, _panel(s, panel), "scratched").id, happened_at=NOON - timedelta(hours=30))
    found = row(seen(factory), "plasma")
    assert sorted((one.state, one.panels) for one in found.lots) == [("held", 1), ("waiting", 2)]
    assert [mark.reason[:12] for one in found.stuck for mark in one.marks] == ["held 1 d 6 h"]


def test_panels_without_a_good_cell_are_off_the_board_and_out_of_what_is_held(factory: Factory) -> None:
    one, gone = lot(factory, 3, NOON - timedelta(hours=5)), lot(factory, 2, NOON - timedelta(hours=5))
    with factory.house.reading() as session:
        spent = [*panels_of_lot(session, one.id)[:2], *panels_of_lot(session, gone.id)]
    for panel in spent:
        factory.do("scrap", partial(scrap_panel, panel=panel, reason="dropped"))
    factory.do("place_hold", lambda s, by: place_hold(s, by, _panel(s, spent[0]), "scratched").id)
    found = seen(factory)
    assert [(r.key, r.panels, r.units) for r in found.rows] == [("plasma", 1, 20)]
    assert [(lot.code, lot.state) for lot in found.rows[0].lots] == [(one.code, "waiting")]
    assert (found.lots, found.spent) == (1, 1)  # a list of all lots has one more


def test_what_was_put_in_stock_waits_for_nothing_and_is_in_no_forecast(factory: Factory) -> None:
    good = binned(factory, loose_lot(factory, 2, NOON - timedelta(days=5)), 40, NOON - timedelta(days=4))
    reel(factory, good, 10, NOON - timedelta(days=3))
    before = seen(factory)
    factory.do("move_item", lambda s, by: str(move_item(s, by, good.id, "stock", "rests")))
    found = seen(factory)
    assert [lot.where for lot in row(found, "tape").lots] == ["in stock: rests"]
    assert (row(before, "tape").longest, row(found, "tape").longest) == (timedelta(days=4), timedelta())
    assert (before.today.overdue, found.today.overdue) == (30, 0)


def test_a_move_to_stock_that_was_taken_back_puts_nothing_aside(factory: Factory) -> None:
    one = lot(factory, 2, NOON - timedelta(hours=5))
    factory.do("move_item", lambda s, by: str(move_item(s, by, one.id, "stock", "rack 4")), happened_at=NOON - timedelta(hours=4))
    factory.do("correct_move", lambda s, by: [correct_move(s, by, move, None, "another lot") for move in s.scalars(select(Move)).all()])
    assert [one.where for one in row(seen(factory), "plasma").lots] == ["waits 5 h 00 min"]


def test_a_lot_of_which_a_part_came_from_stock_waits_all_the_same(factory: Factory) -> None:
    one, other = (lot(factory, 2, NOON - timedelta(hours=5)) for _ in range(2))
    factory.do("move_item", lambda s, by: str(move_item(s, by, other.id, "stock", "rack 4")), happened_at=NOON - timedelta(hours=4))
    factory.do("merge_lots", lambda s, by: merge_lots(s, by, one.id, [other.id]).item)
    assert [one.where for one in row(seen(factory), "plasma").lots] == ["waits 5 h 00 min"]


@pytest.mark.parametrize("was_away", [True, False], ids=["at a firm", "before it ever moved"])
def test_a_panel_that_broke_does_not_hide_where_the_rest_of_its_lot_is(factory: Factory, was_away: bool) -> None:
    """The first, by which a lot's place is looked for."""
    one = lot(factory, 3, NOON - timedelta(hours=5))
    if was_away:
        factory.do("move_item", lambda s, by: str(move_item(s, by, one.id, "outside", "Tolland Slicing")), happened_at=NOON - timedelta(hours=4))
    with factory.house.reading() as session:
        broken, *whole = panels_of_lot(session, one.id)
    factory.do("scrap", lambda s, by: scrap_panel(s, by, broken, "it broke").id)
    for panel in whole:
        factory.do("move_item", partial(move_item, item=panel, kind="stock", place="rack 4"), happened_at=NOON - timedelta(hours=3))
    assert [one.where for one in row(seen(factory), "plasma").lots] == ["in stock: rack 4"]


def test_late_and_stuck_have_their_reasons(factory: Factory) -> None:
    for i in range(20):  # twenty waits of an hour before the plasma
        done = lot(factory, 1, NOON - timedelta(days=5, hours=i))
        run(factory, "Plasma", done, NOON - timedelta(days=5, hours=i - 1))
    stuck, fine = lot(factory, 2, NOON - minutes(61)), lot(factory, 2, NOON - minutes(59))
    long = lot(factory, 2, NOON - timedelta(hours=4))
    factory.start("Plasma", long, at=NOON - minutes(41))
    marks = {one.code: [mark.kind for mark in one.marks] for one in row(seen(factory), "plasma").lots}
    assert (marks[stuck.code], marks[fine.code], marks[long.code]) == (["stuck"], [], ["stuck"])
    late = NOON + timedelta(days=2, hours=9)  # 21:00 UTC, 22:00 in Vienna, on the due day: 185 min of work left
    assert "late" in {mark.kind for one in row(seen(factory, late), "plasma").lots for mark in one.marks}


def test_a_lot_stands_with_its_order_and_when_that_is_due(factory: Factory) -> None:
    ordered, for_stock = lot(factory, 1, NOON - minutes(5)), lot(factory, 1, NOON - minutes(4), order=None)
    found = {one.code: (one.order, one.due) for one in row(seen(factory), "plasma").lots}
    assert found == {ordered.code: ("5001", DUE), for_stock.code: ("", None)}


def test_the_window_that_ends_first_stands_first_with_what_is_ahead(factory: Factory) -> None:
    second, first = (lot(factory, 2, NOON - timedelta(hours=5)) for _ in range(2))
    run(factory, "Plasma", first, NOON - timedelta(hours=3), took=20)
    run(factory, "Plasma", second, NOON - timedelta(hours=2), took=20)
    _jam(factory, "Bond 2")
    windows = seen(factory).windows
    assert [(one.lot, one.ahead, one.up, one.of) for one in windows] == [(first.code, 0, 1, 2), (second.code, 40, 1, 2)]
    assert windows[0].left == timedelta(minutes=240 - 160)
    factory.start("Bond 1", first, at=NOON - minutes(1))
    assert [one.lot for one in seen(factory).windows] == [second.code]


def test_a_load_whose_standard_time_is_over_is_due_out(factory: Factory) -> None:
    """The board said until when, and nothing once that was past: it is stuck only beyond twice its standard."""
    oven = Oven(stations(factory)[0], "V26-000001-E", "running", NOON - minutes(165), NOON - minutes(4), (), 24)
    assert oven.is_due(NOON) and oven.late_words(NOON) == "4 min"
    assert not oven.is_due(NOON - minutes(5))
    assert not replace(oven, state="being filled", since=None, ends_at=None).is_due(NOON)


def stations(factory: Factory) -> list[StationNow]:
    with factory.house.reading() as session:
        return stations_now(session, NOON)


def test_stations_by_state_name_those_that_are_away(factory: Factory) -> None:
    _jam(factory, "Bond 2")
    factory.start("Bond 1", _bondable(factory), at=NOON - minutes(30))
    bonds = next(one for one in seen(factory).stations if one.operation == "wire bond")
    assert (bonds.counts["productive"], bonds.counts["unscheduled_down"]) == (1, 1)
    assert bonds.away_words == [("unscheduled downtime, wire jam", "Bond 2")]


def test_a_loose_lot_stands_at_its_step_until_it_is_empty_and_what_was_taped_counts(factory: Factory) -> None:
    loose = loose_lot(factory, 2, NOON - timedelta(hours=5))
    assert row(seen(factory), "test").units == 40
    good = binned(factory, loose, 40, NOON - timedelta(hours=2))
    assert [(one.key, one.units) for one in seen(factory).rows] == [("tape", 40)]
    reel(factory, good, 30, NOON - timedelta(hours=1))
    assert seen(factory).today.forecast.so_far == 30
    reel(factory, good, 10, NOON - minutes(30))
    found = seen(factory)
    assert [one for one in found.rows if one.key == "tape"] == []
    assert found.today.forecast.so_far == 40
    assert seen(factory, NOON + timedelta(days=1)).yesterday.truth == 40


def test_a_lot_says_that_it_comes_to_its_step_again(factory: Factory) -> None:
    """Held for a rework it looked like a lot that was there for the first time."""
    one = _bondable(factory)
    run(factory, "Bond 1", one, NOON - timedelta(hours=2), pull=1.0)
    with factory.house.reading() as session:
        bonded = session.scalars(select(Judgement.line)).one()
    factory.do("dispose", lambda s, by: dispose(s, by, bonded, "rework", "pull again").id)
    (again,) = row(seen(factory), "bond").lots
    assert (again.code, again.state, again.where[:9], again.where[-10:]) == (one.code, "held", "on hold H", ", 2nd time")


def test_rejects_are_counted_apart(factory: Factory) -> None:
    binned(factory, loose_lot(factory, 2, NOON - timedelta(hours=5)), 40, NOON - timedelta(hours=2), grade="reject")
    found = seen(factory)
    assert found.rows == ()
    assert found.to_scrap == (1, 40)


@pytest.mark.parametrize(("sold_as", "at", "to_scrap"), [("Q-S", "tape", (0, 0)), (None, "", (1, 40))])
def test_seconds_that_no_part_number_sells_are_no_work(house: House, sold_as: str | None, at: str, to_scrap: tuple[int, int]) -> None:
    """No pack takes them: they were late, and in what comes out today."""
    factory = Factory(house).load(("product", MORE[0][1].model_copy(update={"seconds_part_number": sold_as})), *MORE[1:])
    binned(factory, loose_lot(factory, 2, NOON - timedelta(hours=5)), 40, NOON - timedelta(hours=2), grade="second")
    found = seen(factory)
    assert ([row.key for row in found.rows], found.to_scrap, found.lots) == ([at] if at else [], to_scrap, int(bool(at)))
    assert found.today.overdue == 0 and found.today.forecast.high == (40 if at else 0)


def test_what_went_past_a_gate_this_week(factory: Factory) -> None:
    _risky(factory)
    assert [(o.gate, o.what, o.how_many, o.panels) for o in seen(factory).overrides] == [("cure judgement", "gone on at risk", 1, 2)]
    assert seen(factory, NOON + timedelta(days=7)).overrides == ()


def test_the_shift_report_counts_what_happened_in_it(factory: Factory) -> None:
    begin = NOON - timedelta(hours=5)
    loose = loose_lot(factory, 2, begin)
    held = lot(factory, 1, NOON - timedelta(hours=1))
    factory.do("place_hold", lambda s, by: place_hold(s, by, held, "bent").id, happened_at=NOON - minutes(50))
    factory.do("scrap", lambda s, by: scrap_units(s, by, loose.id, 3, "dropped").id, happened_at=NOON - minutes(20))
    lot(factory, 1, NOON + timedelta(hours=20))
    day = day_of_noon(factory)
    with factory.house.reading() as session:
        found = shift_report(session, day, NOON)
    assert (found.lots_started, found.runs_started, found.taped) == (2, 4, 0)
    assert [(one.step, one.runs, one.panels) for one in found.finished] == [
        ("plasma clean", 1, 2), ("wire bond", 1, 2), ("inspection", 1, 2), ("singulate", 1, 2),
    ]  # fmt: skip
    assert found.scrapped == (("dropped", 3),)
    assert [(one.on, one.reason) for one in found.placed] == [((held.code,), "bent")]
    hours = dict(found.hours)
    assert hours["plasma clean"].productive == pytest.approx(10 / 60)
    assert hours["wire bond"].total == pytest.approx(2 * (NOON - day.begin) / timedelta(hours=1))


def test_ten_lots_cost_as_many_statements_as_two_hundred(factory: Factory) -> None:
    def grow(n: int) -> None:
        panels = [panel.id for panel in factory.panels(n)]
        factory.do("start_lot", lambda s, by: [start_lot(s, by, "Q", [panel], order="5001").item for panel in panels])

    grow(10)
    run(factory, "Plasma", lot(factory, 1, NOON - timedelta(hours=5)), NOON - timedelta(hours=3))
    loose_lot(factory, 2, NOON - timedelta(hours=6))
    held = lot(factory, 1, NOON - timedelta(hours=5))
    factory.do("place_hold", lambda s, by: place_hold(s, by, held, "bent").id)
    memory = Remembered()
    few = statements(factory.house, lambda: look(factory, memory))
    few = statements(factory.house, lambda: look(factory, memory))
    grow(200)
    assert statements(factory.house, lambda: look(factory, memory)) == few
    assert seen(factory).lots > 200


def look(factory: Factory, memory: Remembered) -> None:
    with factory.house.reading() as session:
        board(session, memory, NOON)


def statements(house: House, ask: Callable[[], None]) -> int:
    seen: list[str] = []

    def note(*args: Any) -> None:
        seen.append(args[2])

    event.listen(house.read_engine, "before_cursor_execute", note)
    try:
        ask()
    finally:
        event.remove(house.read_engine, "before_cursor_execute", note)
    return len(seen)


def _jam(factory: Factory, station: str) -> None:
    verb = lambda s, by: set_state(s, by, factory.things[station], "unscheduled_down", "wire jam").id  # noqa: E731
    factory.do("set_station_state", verb, happened_at=NOON - minutes(5))


def _risky(factory: Factory) -> Named:
    """A lot of the other product, cured without a trace and let go on."""
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    one = factory.lot(factory.panels(2))
    run(factory, "Attach", one, NOON - timedelta(hours=6))
    run(factory, "Oven", one, NOON - timedelta(hours=5), took=120)
    factory.do("go_on_at_risk", lambda s, by: len(go_on_at_risk(s, by, panels_of_lot(s, one.id), "urgent")), happened_at=NOON - minutes(40))
    return one


def _bondable(factory: Factory) -> Named:
    one = lot(factory, 2, NOON - timedelta(hours=5))
    run(factory, "Plasma", one, NOON - timedelta(hours=3))
    return one


def _panel(session: Any, panel: int) -> Named:
    return Named("panel", panel, code_of(session, "panel", panel))


def test_what_an_interrupted_run_had_done_has_its_own_units(factory: Factory) -> None:
    one = lot(factory, 4, NOON - timedelta(hours=5))
    number = factory.start("Plasma", one, at=NOON - timedelta(hours=4))
    with factory.house.reading() as session:
        said = Said(done=panels_of_lot(session, one.id)[:1], in_work=[])
    factory.do("interrupt_run", lambda s, by: len(interrupt_run(s, by, s.get_one(Run, number), said)), happened_at=NOON - timedelta(hours=3))
    assert [(r.key, r.panels, r.units) for r in seen(factory).rows] == [("plasma", 3, 60), ("bond", 1, 20)]


def test_units_that_a_test_left_without_a_bin_wait_for_the_test(factory: Factory) -> None:
    loose = loose_lot(factory, 2)
    binned(factory, loose, 30)
    assert {r.key: r.units for r in seen(factory, clock.now()).rows} == {"test": 10, "tape": 30}


def test_what_was_sent_to_rework_waits_since_it_was_last_worked_on(factory: Factory) -> None:
    one = lot(factory, 2, NOON - timedelta(hours=30))
    run(factory, "Plasma", one, NOON - timedelta(hours=4), took=20)
    run(factory, "Bond 1", one, NOON - timedelta(hours=2), took=60, pull=1.0)
    with factory.house.reading() as session:
        judged = session.scalars(select(Judgement.line)).one()
    factory.do("dispose", lambda s, by: dispose(s, by, judged, "rework", "bond again").id)
    (found,) = row(seen(factory), "bond").lots
    assert found.since == NOON - timedelta(hours=1)
    factory.do("dispose", lambda s, by: dispose(s, by, judged, "concession", "it holds").id)
    assert [one.key for one in seen(factory, clock.now()).rows] == ["look"]


def test_an_order_without_an_end_is_never_late(house: House) -> None:
    """Some systems write the last day there is where no day was agreed."""
    more = [(kind, body.model_copy(update={"due": date.max}) if kind == "order" else body) for kind, body in MORE]
    factory = Factory(house).load(*more)
    lot(factory, 1)
    assert (seen(factory, clock.now()).lots, seen(factory, clock.now()).late) == (1, 0)


def test_a_hold_on_a_reel_is_seen_on_what_came_off_its_tape_after_it_was_wound_anew(factory: Factory) -> None:
    first = reel(factory, binned(factory, loose_lot(factory, 2), 40), 30)
    factory.do("place_hold", lambda s, by: place_hold(s, by, first, "bent pockets").id)
    again = factory.do("re_reel", lambda s, by: named_pack(s, re_reel(s, by, first).item), fact=True)
    off = factory.do("take_off_tape", lambda s, by: named_lot(s, take_off_tape(s, by, again).item), fact=True)
    assert [one.state for each in seen(factory, clock.now()).rows for one in each.lots if one.code == off.code] == ["held"]

"""Real races: what two people can grab at once, with threads on one server and with two processes on one database."""

import json
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from app import codes
from app.catalogue.definitions import Part, Route, Step
from app.db import House
from app.errors import Refused
from app.final_test.bins_out import take_bins_out
from app.final_test.singulate import singulate
from app.floor import change_overs, ends, lots, mounts
from app.floor.amounts import book_of
from app.floor.attendance import attend, leave
from app.floor.containers import add_container, put_panels
from app.floor.dispositions import dispose
from app.floor.ends import finish_run
from app.floor.moves import move_item, place_of
from app.floor.scrap import scrap_cells
from app.floor.starts import start_run
from app.floor.station_states import set_state
from app.genealogy.checks import check
from app.holds.place import place_hold
from app.journal import act
from app.journal.act import By
from app.journal.verify import verify_journal
from app.ledger.places import Load
from app.ledger.runs import Run, StationState, Use
from app.naming.resolve import Named
from app.ovens import loads
from app.packing import fill, shipping
from app.packing.dry import seal_pack
from app.people.people import Certified, add_person, change_certificate, everyone
from app.receiving.die_map import Stated
from app.receiving.panels import receive_panels
from app.receiving.wafers import read_map_files, receive_wafers
from tests.crossing import crossing
from tests.small_factory import Factory, named_lot, named_pack

ROOT = Path(__file__).parent.parent.parent


@pytest.fixture
def factory(house: House) -> Factory:
    one = Factory(house).load()
    one.mount("Attach", one.batch("GLUE"), one.wafer())
    return one


def at_once(*acts: Callable[[], Any]) -> list[Any]:
    """Begins all acts at the same moment; the answer or the kind of refusal of each."""
    barrier = threading.Barrier(len(acts))

    def one(what: Callable[[], Any]) -> Any:
        barrier.wait()
        try:
            return what()
        except Refused as refused:
            return refused.kind

    with ThreadPoolExecutor(len(acts)) as pool:
        return list(pool.map(one, acts))


def start(factory: Factory, *things: Named, only: list[int] | None = None) -> int:
    station = factory.things["Attach"]
    return factory.do("start_run", lambda s, by: start_run(s, by, station, list(things), only=only).run.id)


def test_two_starts_of_one_magazine_have_one_winner(factory: Factory) -> None:
    lot = factory.lot(factory.panels(4))
    answers = at_once(*[lambda: start(factory, lot)] * 4)
    assert Counter(map(type, answers)) == {int: 1, str: 3}
    assert {answer for answer in answers if isinstance(answer, str)} == {"in_work"}


def test_disjoint_magazines_of_one_lot_both_start(factory: Factory) -> None:
    panels = factory.panels(4)
    lot = factory.lot(panels)
    halves = [[panel.id for panel in panels[:2]], [panel.id for panel in panels[2:]]]
    answers = at_once(*[lambda half=half: start(factory, lot, only=half) for half in halves])
    assert all(isinstance(answer, int) for answer in answers), answers
    assert len(set(answers)) == 2


def test_material_does_not_leave_a_station_while_it_starts(factory: Factory) -> None:
    """The line of a start names what is on the station, and nothing closes that line: what changed at that very moment would be in no trace."""
    station = factory.things["Attach"]
    with factory.house.reading() as session:
        (glue,) = [Named("batch", one.item, one.code) for one in mounts.loaded(session, station) if one.kind == "adhesive"]
    for _ in range(4):
        lot = factory.lot(factory.panels(2))
        answers = at_once(
            lambda lot=lot: start(factory, lot), lambda: factory.do("unmount", lambda s, by: len(mounts.unmount(s, by, station, glue.id)))
        )  # fmt: skip
        assert [type(answer) for answer in answers] in ([int, str], [str, int]), answers
        assert set(answers) & {"in_work", "material_missing"}, answers
        if isinstance(answers[0], int):
            run = answers[0]
            factory.do("finish_run", lambda s, by, run=run: len(finish_run(s, by, s.get_one(Run, run))))
        else:
            factory.mount("Attach", glue)


@pytest.mark.only_on("postgresql")
def test_a_run_that_starts_just_before_a_change_over_goes_on_with_the_new_material(factory: Factory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its line had the glue that came off: unless that line is closed, the glue that it goes on with is in no trace."""
    station, glue, lot = factory.things["Attach"], factory.batch("GLUE"), factory.lot(factory.panels(2))
    started, lock_in_order = list[int](), act.lock_in_order

    def starts_first(session: Session, *rows: Any) -> None:
        if not started:
            started.append(0)
            started[:] = [start(factory, lot)]
        lock_in_order(session, *rows)

    def change(session: Session, by: By) -> int:
        for module in (act, change_overs):
            monkeypatch.setattr(module, "lock_in_order", starts_first)
        return len(change_overs.change_over(session, by, station, glue, None, ends.Said()))

    assert factory.do("change_over", change) == 1
    with factory.house.reading() as session:
        lines = ends.open_lines_of(session, session.get_one(Run, started[0]))
        assert [glue.id in session.scalars(select(Use.item).where(Use.line == line.id)).all() for line in lines] == [True]


@pytest.mark.only_on("postgresql")
def test_a_cell_that_is_scrapped_while_its_panel_is_sawn_is_not_counted_as_good(house: House) -> None:
    steps = (Step(key="look", name="look", operation="inspect", barrier=True), Step(key="saw", name="saw", operation="singulate"))
    factory = Factory(house).load(("route", Route(product="P1", revision="B", steps=steps)))
    panels = factory.panels(2)
    lot = factory.lot(panels)
    factory.run("Scope", lot)
    saw = factory.start("Saw", lot)
    end = lambda: factory.do("singulate", lambda s, by: singulate(s, by, s.get_one(Run, saw)).item)  # noqa: E731
    loose = crossing(factory, lambda s, by: scrap_cells(s, by, panels[0].id, [(1, 1)], "dropped"), "scrap", end)
    with house.reading() as session:
        assert book_of(session, loose) == 39
    assert list(check(house)) == []


@pytest.mark.only_on("postgresql")
def test_a_panel_that_is_split_off_while_its_lot_is_moved_stays(factory: Factory) -> None:
    panels = factory.panels(3)
    lot, leaving = factory.lot(panels), [panels[0].id]
    move = lambda: factory.do("move_item", lambda s, by: str(move_item(s, by, lot.id, "stock", "shelf 4")))  # noqa: E731
    assert crossing(factory, lambda s, by: lots.split_lot(s, by, lot.id, leaving), "split_lot", move) == "stock: shelf 4"
    with factory.house.reading() as session:
        assert [place.kind for place in place_of(session, [panel.id for panel in panels]).values()] == ["floor", "stock", "stock"]


def test_what_two_say_of_a_station_or_leave_at_once_is_closed_once(factory: Factory) -> None:
    """A row on the record that two acts close has the second one's entry, and the first one's digest is then wrong: as if someone had changed it."""
    station, person = factory.things["Attach"], factory.do("add_person", lambda s, by: add_person(s, by, "Ida Moss", ["operate"]).id)
    say = lambda reason: factory.do("set_station_state", lambda s, by: set_state(s, by, station, "standby", reason).id)  # noqa: E731
    walk_off = lambda: factory.do("attend_station", lambda s, by: leave(s, by, person))  # noqa: E731
    say("nobody here")
    for n in range(3):
        factory.do("attend_station", lambda s, by: attend(s, by, person, station))
        assert not {type(answer) for answer in at_once(lambda: say("jam"), lambda: say("refill"), walk_off, walk_off)} - {int, type(None)}
        assert list(verify_journal(factory.house)) == [], n
    with factory.house.reading() as session:
        assert len(session.scalars(select(StationState).where(StationState.station == station, StationState.closed_e.is_(None))).all()) == 1


def test_two_saws_that_end_over_one_lot_at_once_both_end(house: House) -> None:
    steps = (Step(key="look", name="look", operation="inspect", barrier=True), Step(key="saw", name="saw", operation="singulate"))
    factory = Factory(house).load(("route", Route(product="P1", revision="B", steps=steps)))
    panels = factory.panels(4)
    lot, box = factory.lot(panels), factory.do("add_container", lambda s, by: add_container(s, by, "magazine", "M 1").id)
    factory.do("fill_container", lambda s, by: put_panels(s, by, box, [panel.id for panel in panels]))
    factory.run("Scope", lot)
    saws = [factory.start("Saw", *panels[:2]), factory.start("Saw", *panels[2:])]
    answers = at_once(*[lambda saw=saw: factory.do("singulate", lambda s, by: singulate(s, by, s.get_one(Run, saw)).item) for saw in saws])
    assert all(isinstance(answer, int) for answer in answers), answers
    assert [*verify_journal(house), *check(house)] == []


def test_a_split_while_starting_leaves_one_truth(factory: Factory) -> None:
    panels = factory.panels(4)
    lot = factory.lot(panels)
    leaving = [panel.id for panel in panels[:2]]
    split = lambda: factory.do("split_lot", lambda s, by: lots.split_lot(s, by, lot.id, leaving).item)  # noqa: E731
    answers = at_once(split, lambda: start(factory, lot))
    assert any(isinstance(answer, int) for answer in answers)
    assert all(isinstance(answer, int) or answer == "in_work" for answer in answers), answers
    assert list(check(factory.house)) == []


def test_finishing_twice_is_done_once(factory: Factory) -> None:
    run = start(factory, factory.lot(factory.panels(2)))

    def finish() -> str:
        return factory.do("finish_run", lambda s, by: str(len(finish_run(s, by, s.get_one(Run, run)))))

    assert sorted(at_once(finish, finish)) == ["1", "finished"]
    assert list(check(factory.house)) == []


def packed(factory: Factory, order: str | None = None) -> tuple[Named, Named]:
    """A closed pack ready to ship, and the loose lot that it was filled from."""
    lot = factory.lot(factory.panels(4), order=order)
    factory.finish(factory.start("Attach", lot))
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, factory.things["Oven"], "C170").id)
    factory.do("add_to_load", lambda s, by: len(loads.add_to_load(s, by, s.get_one(Load, load), [lot], "1")))
    run = factory.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load), None).run.id)
    line = factory.do("end_load", lambda s, by: finish_run(s, by, s.get_one(Run, run))[0].id)
    factory.do("dispose", lambda s, by: dispose(s, by, line, "concession", "no logger").id)
    factory.mount("Bond 1", factory.batch("AU20"))
    factory.run("Plasma", lot)
    factory.run("Bond 1", lot, pull=5.0)
    factory.run("Scope", lot)
    saw = factory.start("Saw", lot)
    loose = factory.do("singulate", lambda s, by: named_lot(s, singulate(s, by, s.get_one(Run, saw)).item))
    test = factory.start("Tester", loose)
    one = factory.do("bin_out", lambda s, by: named_lot(s, take_bins_out(s, by, s.get_one(Run, test), {("B1", "prime"): 80})["B1"].item))
    taper = factory.things["Taper"]
    pack = factory.do("fill_pack", lambda s, by: named_pack(s, fill.fill_pack(s, by, taper, [fill.Part(one, 30)], line_clear=True).item))
    factory.do("seal_pack", lambda s, by: seal_pack(s, by, factory.things["Bagger"], pack).pack.item)
    return pack, one


def test_a_reel_can_t_ship_while_its_hold_is_being_placed(factory: Factory) -> None:
    pack, lot = packed(factory)
    hold = lambda: ("hold", factory.do("place_hold", lambda s, by: place_hold(s, by, lot, "wrong").e))  # noqa: E731
    ship = lambda: ("ship", factory.do("ship", lambda s, by: shipping.ship(s, by, [pack], "Arden Lights").e))  # noqa: E731
    answers = at_once(hold, ship)
    if answers[1] != "held":  # then it shipped before the hold: never after
        assert answers[1][1] < answers[0][1]


def test_the_last_units_of_a_jar_go_into_one_reel_only(factory: Factory) -> None:
    _, lot = packed(factory)
    taper = factory.things["Taper"]
    fill_one = lambda: factory.do("fill_pack", lambda s, by: fill.fill_pack(s, by, taper, [fill.Part(lot, 30)], line_clear=True).item)  # noqa: E731
    answers = at_once(fill_one, fill_one)
    assert Counter(type(answer) for answer in answers) == {int: 1, str: 1}
    assert "too_few_units" in answers
    assert list(check(factory.house)) == []


def test_two_people_fill_one_load(factory: Factory) -> None:
    first, second = factory.lot(factory.panels(2)), factory.lot(factory.panels(2))
    for lot in (first, second):
        factory.finish(factory.start("Attach", lot))
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, factory.things["Oven"], "C170").id)
    put = lambda lot: factory.do("add_to_load", lambda s, by: len(loads.add_to_load(s, by, s.get_one(Load, load), [lot], "1")))  # noqa: E731
    assert at_once(lambda: put(first), lambda: put(second)) == [1, 1]
    assert at_once(lambda: put(first), lambda: put(first)) == ["in_work", "in_work"]


PROCESS = """
import json, sys
from pathlib import Path
from app.db import House
from app.errors import Refused
from app.journal.act import SYSTEM, act
from app.naming.resolve import resolve
from app.settings import Settings
from app import tables
from app.floor.starts import start_run
from app.floor.station_states import set_state

facts = json.loads(sys.argv[1])
house = House(Settings(data_dir=Path(facts["data"]), database_url=facts["url"]))
print("ready", flush=True)
sys.stdin.readline()
try:
    verb = lambda s, by: {"run": start_run(s, by, facts["station"], [resolve(s, facts["lot"])]).run.id}
    answer = act(house, SYSTEM, "start_run", {"who": facts["who"]}, verb)
    print(json.dumps(answer.body))
except Refused as refused:
    print(json.dumps({"refused": refused.kind}))
"""


def test_two_processes_start_one_magazine_and_one_wins(factory: Factory) -> None:
    lot = factory.lot(factory.panels(3))
    settings = factory.house.settings
    facts = {"data": str(settings.data_dir), "url": settings.database_url, "station": factory.things["Attach"], "lot": lot.code}
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", PROCESS, json.dumps(facts | {"who": n})], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT
        )
        for n in range(2)
    ]
    for process in processes:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "ready"
    answers = [json.loads(process.communicate("go\n", timeout=60)[0]) for process in _go(processes)]
    assert sorted("run" if "run" in answer else answer["refused"] for answer in answers) == ["in_work", "run"]
    assert list(check(factory.house)) == []


def _go(processes: list["subprocess.Popen[str]"]) -> list["subprocess.Popen[str]"]:
    """Lets all of them run before any answer is waited for."""
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    return processes


def test_what_comes_twice_at_the_same_moment_is_received_once(factory: Factory) -> None:
    """Neither sees the other's name yet: without a turn both would find it free."""
    frames, answers = factory.batch("FRAME"), []
    for n in range(5):
        body = f"wafer,x,y,bin\nT-{n},0,0,1\nT-{n},1,0,1\n".encode()
        files = read_map_files(factory.house, [(f"{n}.csv", body)], Part(number="WR", kind="wafer", role="red"), Stated(passing=("1",)))
        wafer = lambda files=files: len(factory.do("receive_wafers", lambda s, by: receive_wafers(s, by, files, "WR")))  # noqa: E731
        panel = lambda n=n: len(factory.do("receive_panels", lambda s, by: receive_panels(s, by, frames, marks=[f"F{n}"])))  # noqa: E731
        answers += at_once(wafer, wafer, panel, panel)
    assert Counter(answers) == {1: 10, "bad_input": 10}
    assert list(check(factory.house)) == []


def test_of_people_with_one_badge_at_the_same_moment_one_is_added(factory: Factory) -> None:
    badge = codes.make("person", "-9001")
    add = lambda name: factory.do("add_person", lambda s, by: add_person(s, by, name, ["operate"], badge=badge).id)  # noqa: E731
    answers = at_once(*[lambda n=n: add(f"Mara {n}") for n in range(4)])
    assert Counter(map(type, answers)) == {int: 1, str: 3}
    assert {answer for answer in answers if isinstance(answer, str)} == {"bad_input"}


def test_certificates_given_at_the_same_moment_are_all_kept(factory: Factory) -> None:
    person = factory.do("add_person", lambda s, by: add_person(s, by, "Ida Moss", ["operate"]).id)

    def give(name: str) -> Callable[[], Any]:
        return lambda: factory.do("change_person", lambda s, by: change_certificate(s, by, person, Certified(name, None)))

    assert all(at_once(*[give(f"step {n}") for n in range(4)]))
    with factory.house.reading() as session:
        assert {one.name for one in everyone(session, person)[0].certificates} == {f"step {n}" for n in range(4)}

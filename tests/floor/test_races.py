"""Two people grab the same thing at once, with real threads. Whoever loses is told, and nothing is done twice."""

from collections.abc import Callable
from threading import Barrier, Thread
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.codes import is_valid
from app.db import House
from app.errors import Refused
from app.floor.amounts import amount
from app.floor.containers import add_container, content_of, put_panels
from app.floor.counting import take
from app.floor.lot_families import part_of_lot
from app.floor.lots import merge_lots, split_lot, start_lot
from app.floor.mounts import loaded, mount, unmount
from app.journal.act import By, lock
from app.ledger.items import Item, Lot
from app.ledger.sets import lots_of_panels, panels_of_lot
from app.naming.models import Code
from tests.floor.acting import Factory, do, make_factory, make_loose, make_lot, make_panels, make_wafer, read


@pytest.fixture
def factory(house: House) -> Factory:
    return make_factory(house)


def at_once(house: House, *acts: tuple[str, Callable[[Session, By], Any]]) -> list[Any]:
    """Does these at the same moment. Gives what each verb gave, or its refusal."""
    results: list[Any] = [None] * len(acts)
    start = Barrier(len(acts))

    def run(i: int, action: str, verb: Callable[[Session, By], Any]) -> None:
        start.wait()
        try:
            results[i] = do(house, verb, action)
        except BaseException as error:
            results[i] = error

    threads = [Thread(target=run, args=(i, action, verb)) for i, (action, verb) in enumerate(acts)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert not any(thread.is_alive() for thread in threads)
    return results


def _kinds(results: list[Any]) -> list[str]:
    assert not [result for result in results if isinstance(result, BaseException) and not isinstance(result, Refused)], results
    return sorted(result.kind if isinstance(result, Refused) else "done" for result in results)


def test_two_splits_of_the_same_panels_of_one_lot_one_wins(house: House, factory: Factory) -> None:
    for _ in range(5):
        panels = make_panels(house, 4)
        lot = make_lot(house, panels)
        split = ("split_lot", lambda s, by, lot=lot, panels=panels: split_lot(s, by, lot, panels[:2]).item)
        assert _kinds(at_once(house, split, split)) == ["done", "not_here"]
        assert read(house, lambda s, lot=lot: panels_of_lot(s, lot)) == panels[2:]


def test_two_disjoint_splits_of_one_lot_both_win_with_codes_of_their_own(house: House, factory: Factory) -> None:
    for _ in range(5):
        panels = make_panels(house, 5)
        lot = make_lot(house, panels)
        results = at_once(
            house,
            ("split_lot", lambda s, by, lot=lot, panels=panels: split_lot(s, by, lot, panels[:2]).item),
            ("split_lot", lambda s, by, lot=lot, panels=panels: split_lot(s, by, lot, panels[2:4]).item),
        )
        assert _kinds(results) == ["done", "done"]
        held = read(house, lambda s, panels=panels: lots_of_panels(s, panels))
        assert held == {panels[0]: results[0], panels[1]: results[0], panels[2]: results[1], panels[3]: results[1], panels[4]: lot}
        codes = read(house, lambda s, results=results: list(s.scalars(select(Code.code).where(Code.kind == "lot", Code.thing.in_(results)))))
        assert len(set(codes)) == 2
        assert all(map(is_valid, codes))


def test_two_lots_of_the_same_panels_one_starts(house: House, factory: Factory) -> None:
    for _ in range(5):
        panels = make_panels(house, 3)
        results = at_once(
            house,
            ("start_lot", lambda s, by, panels=panels: start_lot(s, by, "GLIM-4", panels[:2]).item),
            ("start_lot", lambda s, by, panels=panels: start_lot(s, by, "GLIM-4", panels[1:]).item),
        )
        assert _kinds(results) == ["done", "not_here"]


def test_a_split_and_a_merge_of_one_lot_lose_no_panel(house: House, factory: Factory) -> None:
    for _ in range(5):
        panels = make_panels(house, 4)
        first, second = make_lot(house, panels[:2]), make_lot(house, panels[2:])
        results = at_once(
            house,
            ("split_lot", lambda s, by, second=second, panels=panels: split_lot(s, by, second, panels[3:]).item),
            ("merge_lots", lambda s, by, first=first, second=second: merge_lots(s, by, first, [second]).item),
        )
        assert set(_kinds(results)) <= {"done", "not_here", "changed"}
        assert "done" in _kinds(results)
        assert set(read(house, lambda s, panels=panels: lots_of_panels(s, panels))) == set(panels)


def test_the_last_units_of_a_jar_go_to_one_of_two_takers(house: House, factory: Factory) -> None:
    for _ in range(5):
        panels = make_panels(house, 1)
        loose = make_loose(house, make_lot(house, panels), panels)

        def last_units(session: Session, by: By, loose: int = loose) -> int:
            lock(session, Item, [loose])
            child = part_of_lot(session, by, session.get_one(Lot, loose))
            return take(session, by, loose, 15, child.item, "split").units

        assert _kinds(at_once(house, ("split_loose", last_units), ("split_loose", last_units))) == ["done", "too_few_units"]
        assert read(house, lambda s, loose=loose: amount(s, loose).book) == 5


def test_one_wafer_goes_onto_one_of_two_stations(house: House, factory: Factory) -> None:
    for _ in range(5):
        wafer = make_wafer(house, factory["RED-DIE"])
        stations = [factory["attach 1"], factory["attach 2"]]
        verbs = [("mount", lambda s, by, x=x, wafer=wafer: mount(s, by, x, wafer).id) for x in stations]
        results = at_once(house, *verbs)
        assert _kinds(results) == ["done", "in_work"]
        there = [one.item for x in stations for one in read(house, lambda s, x=x: loaded(s, x))]
        assert there.count(wafer) == 1
        for x in stations:
            for one in read(house, lambda s, x=x: loaded(s, x)):
                do(house, lambda s, by, x=x, one=one: unmount(s, by, x, one.item), "unmount")


def test_panels_that_two_magazines_want_are_in_one(house: House) -> None:
    for _ in range(5):
        panels = make_panels(house, 2)
        magazines = [do(house, lambda s, by: add_container(s, by, "magazine", "M").id, "add_container") for _ in range(2)]
        verbs = [("fill_container", lambda s, by, m=m, panels=panels: put_panels(s, by, m, panels)) for m in magazines]
        assert _kinds(at_once(house, *verbs)) == ["done", "done"]
        inside = [read(house, lambda s, m=m: content_of(s, m)).panels for m in magazines]
        assert sorted(inside) == [(), tuple(panels)]

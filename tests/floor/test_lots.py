import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue.models import Definition
from app.codes import is_valid
from app.db import House
from app.errors import BadInput, NotFound
from app.floor.containers import add_container, content_of, put_panels
from app.floor.lot_families import route_of
from app.floor.lots import merge_lots, split_lot, start_lot
from app.floor.scrap import scrap_panel
from app.holds.place import hold_panels
from app.journal.act import By
from app.ledger.items import Lot
from app.ledger.places import Load, LoadPlace
from app.ledger.runs import Cover, Line, Run
from app.ledger.sets import LotHolding, panels_of_lot, set_of
from app.ledger.stops import Hold
from app.naming.resolve import code_of, give_code
from tests.floor.acting import Factory, begin, do, make_factory, make_loose, make_lot, make_panels, read, refused


@pytest.fixture
def factory(house: House) -> Factory:
    return make_factory(house)


def _panels(house: House, lot: int) -> list[int]:
    return read(house, lambda s: panels_of_lot(s, lot))


def _code(house: House, lot: int) -> str:
    return read(house, lambda s: code_of(s, "lot", lot))


def _did(house: House, factory: Factory, panels: list[int], step: str, round_: int = 1) -> None:
    """A finished run over the panels."""

    def write(session: Session, by: By) -> None:
        run = Run(e=by.e, operation="any", station=factory["bonder"], person=None, started_at=by.happened_at, source="server")
        session.add(run)
        session.flush()
        set_ = set_of(session, by, panels)
        line = Line(
            e=by.e, run=run.id, set=set_, route=factory["route"], step=step, round=round_, started_at=by.happened_at, ended_at=by.happened_at,
            closed_e=by.e,
        )  # fmt: skip
        session.add(line)
        session.flush()
        session.add(Cover(e=by.e, line=line.id, extent="whole", set=set_, done=True))
        run.closed_e, run.ended_at, run.outcome = by.e, by.happened_at, "done"

    do(house, write, "finish_run")


def test_a_lot_starts_with_free_panels_on_the_active_route(house: House, factory: Factory) -> None:
    panels = make_panels(house, 3)
    lot = do(house, lambda s, by: start_lot(s, by, "GLIM-4", panels, order="PO-7").item)
    assert _panels(house, lot) == panels
    assert is_valid(_code(house, lot))
    assert _code(house, lot).startswith("L")
    assert read(house, lambda s: route_of(s, lot)) == factory["route"]
    row = read(house, lambda s: s.get_one(Lot, lot))
    assert (row.order, row.root, row.form, row.product) == (factory["order"], lot, "panel", factory["product"])


def test_a_lot_may_start_from_what_is_in_magazines(house: House, factory: Factory) -> None:
    panels = make_panels(house, 4)
    first, second = (do(house, lambda s, by: add_container(s, by, "magazine", "M").id, "add_container") for _ in range(2))
    do(house, lambda s, by: put_panels(s, by, first, panels[:2]), "fill_container")
    do(house, lambda s, by: put_panels(s, by, second, panels[2:]), "fill_container")
    lot = do(house, lambda s, by: start_lot(s, by, "GLIM-4", containers=[second, first]).item)
    assert _panels(house, lot) == panels


def test_a_lot_does_not_start_with_panels_of_another_lot(house: House, factory: Factory) -> None:
    panels = make_panels(house, 3)
    lot = make_lot(house, panels[:2])
    refusal = refused(house, lambda s, by: start_lot(s, by, "GLIM-4", panels[1:]))
    assert refusal.kind == "not_here"
    assert _code(house, lot) in str(refusal)


def test_a_lot_does_not_start_with_frames_of_another_size(house: House, factory: Factory) -> None:
    panels = [*make_panels(house, 1), *make_panels(house, 1, rows=7, columns=7)]
    assert refused(house, lambda s, by: start_lot(s, by, "GLIM-4", panels)).kind == "material_wrong"


def test_a_lot_does_not_start_for_an_order_of_another_product(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1, rows=9, columns=9)
    assert refused(house, lambda s, by: start_lot(s, by, "GLIM-9", panels, order="PO-7")).kind == "order_differs"


def test_a_lot_does_not_start_with_nothing_or_an_unknown_product(house: House, factory: Factory) -> None:
    assert isinstance(refused(house, lambda s, by: start_lot(s, by, "GLIM-4")), BadInput)
    panels = make_panels(house, 1)
    assert isinstance(refused(house, lambda s, by: start_lot(s, by, "GLIM-X", panels)), NotFound)


def test_singulated_panels_start_no_lot(house: House, factory: Factory) -> None:
    panels = make_panels(house, 1)
    make_loose(house, make_lot(house, panels), panels)
    assert refused(house, lambda s, by: start_lot(s, by, "GLIM-4", panels)).kind == "finished"


def test_a_lot_of_which_only_spoilt_panels_stay_holds_nothing(house: House, factory: Factory) -> None:
    first, second, spoilt = make_panels(house, 3)
    lot = make_lot(house, [first, second, spoilt])
    do(house, lambda s, by: scrap_panel(s, by, spoilt, "scratched"))
    make_loose(house, lot, [first])
    assert _panels(house, lot) == [second, spoilt]
    make_loose(house, lot, [second])
    assert _panels(house, lot) == []


def test_all_grounds_of_a_refusal_are_told(house: House, factory: Factory) -> None:
    big = make_panels(house, 1, rows=9, columns=9)
    other = do(house, lambda s, by: start_lot(s, by, "GLIM-9", big).item)
    assert other
    assert refused(house, lambda s, by: start_lot(s, by, "GLIM-4", big)).kinds == ("not_here", "material_wrong")


def test_a_fact_is_recorded_and_held(house: House, factory: Factory) -> None:
    panels = make_panels(house, 3)
    first = make_lot(house, panels[:2])
    lot = do(house, lambda s, by: start_lot(s, by, "GLIM-4", panels[1:]).item, fact=True)
    assert _panels(house, lot) == panels[1:]
    assert _panels(house, first) == panels[:1]
    holds = read(house, lambda s: list(s.scalars(select(Hold))))
    assert [hold.kind for hold in holds] == ["set"]
    assert _code(house, first) in holds[0].reason


def test_a_part_that_leaves_gets_a_code_and_the_rest_keeps_its_own(house: House, factory: Factory) -> None:
    panels = make_panels(house, 5)
    lot = make_lot(house, panels, order="PO-7")
    code = _code(house, lot)
    first = do(house, lambda s, by: split_lot(s, by, lot, panels[:2]).item, "split_lot")
    second = do(house, lambda s, by: split_lot(s, by, first, panels[:1]).item, "split_lot")
    third = do(house, lambda s, by: split_lot(s, by, lot, panels[4:]).item, "split_lot")
    assert [_panels(house, one) for one in (lot, first, second, third)] == [panels[2:4], panels[1:2], panels[:1], panels[4:]]
    assert _code(house, lot) == code
    assert [_code(house, one)[:-2] for one in (first, second, third)] == [f"{code[:-2]}-{n:02d}" for n in (1, 2, 3)]
    assert all(is_valid(_code(house, one)) for one in (first, second, third))
    row = read(house, lambda s: s.get_one(Lot, second))
    assert (row.order, row.root) == (factory["order"], lot)
    assert read(house, lambda s: route_of(s, second)) == factory["route"]


def test_a_split_leaves_the_containers_as_they_are(house: House, factory: Factory) -> None:
    panels = make_panels(house, 3)
    lot = make_lot(house, panels)
    magazine = do(house, lambda s, by: add_container(s, by, "magazine", "M").id, "add_container")
    do(house, lambda s, by: put_panels(s, by, magazine, panels), "fill_container")
    do(house, lambda s, by: split_lot(s, by, lot, panels[:1]), "split_lot")
    assert read(house, lambda s: content_of(s, magazine)).panels == tuple(panels)


def test_a_split_needs_panels_of_the_lot_and_leaves_some(house: House, factory: Factory) -> None:
    panels = make_panels(house, 4)
    lot = make_lot(house, panels[:3])
    assert refused(house, lambda s, by: split_lot(s, by, lot, panels[2:]), "split_lot").kind == "not_here"
    assert isinstance(refused(house, lambda s, by: split_lot(s, by, lot, panels[:3]), "split_lot"), BadInput)
    assert isinstance(refused(house, lambda s, by: split_lot(s, by, lot, []), "split_lot"), BadInput)


def test_panels_in_work_are_not_split_off_but_their_sisters_are(house: House, factory: Factory) -> None:
    panels = make_panels(house, 3)
    lot = make_lot(house, panels)
    run = begin(house, factory["bonder"], panels[:2])
    refusal = refused(house, lambda s, by: split_lot(s, by, lot, panels[1:]), "split_lot")
    assert refusal.kind == "in_work"
    assert read(house, lambda s: code_of(s, "run", run)) in str(refusal)
    assert "bonder 1" in str(refusal)
    assert do(house, lambda s, by: split_lot(s, by, lot, panels[2:]).item, "split_lot")


def test_panels_on_an_oven_shelf_are_in_work(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    lot = make_lot(house, panels)

    def fill(session: Session, by: By) -> None:
        recipe = session.scalars(select(Definition.id)).first()
        load = Load(e=by.e, station=factory["bench"], recipe=recipe, run=None)
        session.add(load)
        session.flush()
        give_code(session, by, "load", load.id)
        set_ = set_of(session, by, panels[:1])
        session.add(LoadPlace(e=by.e, load=load.id, shelf="top", set=set_, lot=lot, route=factory["route"], step="attach"))

    do(house, fill, "add_to_load")
    refusal = refused(house, lambda s, by: split_lot(s, by, lot, panels[:1]), "split_lot")
    assert refusal.kind == "in_work"
    assert "shelf top" in str(refusal)


def test_lots_at_the_same_step_merge_and_change_no_history(house: House, factory: Factory) -> None:
    panels = make_panels(house, 4)
    lot = make_lot(house, panels)
    part = do(house, lambda s, by: split_lot(s, by, lot, panels[:2]).item, "split_lot")
    do(house, lambda s, by: merge_lots(s, by, lot, [part]), "merge_lots")
    assert _panels(house, lot) == panels
    assert _panels(house, part) == []
    rows = read(house, lambda s: list(s.scalars(select(LotHolding).where(LotHolding.lot == lot))))
    assert [row.closed_e is None for row in rows] == [False, False, True]


def test_lots_at_different_steps_are_not_merged_and_the_step_is_named(house: House, factory: Factory) -> None:
    panels = make_panels(house, 4)
    first, second = make_lot(house, panels[:2]), make_lot(house, panels[2:])
    _did(house, factory, panels[:2], "attach")
    refusal = refused(house, lambda s, by: merge_lots(s, by, first, [second]), "merge_lots")
    assert refusal.kind == "steps_differ"
    assert f"{_code(house, first)}: Bond" in str(refusal)
    assert f"{_code(house, second)}: Attach" in str(refusal)


def test_panels_without_good_units_do_not_hinder_a_merge(house: House, factory: Factory) -> None:
    panels = make_panels(house, 4)
    first, second = make_lot(house, panels[:2]), make_lot(house, panels[2:])
    _did(house, factory, panels[:3], "attach")
    assert refused(house, lambda s, by: merge_lots(s, by, first, [second]), "merge_lots").kind == "steps_differ"
    do(house, lambda s, by: scrap_panel(s, by, panels[3], "scratched"), "scrap")
    do(house, lambda s, by: merge_lots(s, by, first, [second]), "merge_lots")
    assert _panels(house, first) == panels


def test_lots_of_other_products_or_orders_are_not_merged(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    plain, ordered = make_lot(house, panels[:1]), make_lot(house, panels[1:], order="PO-7")
    assert refused(house, lambda s, by: merge_lots(s, by, plain, [ordered]), "merge_lots").kind == "order_differs"
    big = make_panels(house, 1, rows=9, columns=9)
    other = do(house, lambda s, by: start_lot(s, by, "GLIM-9", big).item)
    assert refused(house, lambda s, by: merge_lots(s, by, plain, [other]), "merge_lots").kind == "steps_differ"


def test_held_and_free_lots_are_not_merged_but_alike_held_ones_are(house: House, factory: Factory) -> None:
    panels = make_panels(house, 3)
    lots = [make_lot(house, [panel]) for panel in panels]
    do(house, lambda s, by: hold_panels(s, by, panels[:2], "wrong glue"), "place_hold")
    assert refused(house, lambda s, by: merge_lots(s, by, lots[0], [lots[2]]), "merge_lots").kind == "held"
    do(house, lambda s, by: merge_lots(s, by, lots[0], [lots[1]]), "merge_lots")
    assert _panels(house, lots[0]) == panels[:2]


def test_lots_in_work_are_not_merged(house: House, factory: Factory) -> None:
    panels = make_panels(house, 2)
    first, second = make_lot(house, panels[:1]), make_lot(house, panels[1:])
    begin(house, factory["bonder"], panels[1:])
    assert refused(house, lambda s, by: merge_lots(s, by, first, [second]), "merge_lots").kind == "in_work"


def test_a_lot_does_not_merge_with_itself_or_with_an_empty_one(house: House, factory: Factory) -> None:
    panels = make_panels(house, 3)
    first, second, third = (make_lot(house, [panel]) for panel in panels)
    assert isinstance(refused(house, lambda s, by: merge_lots(s, by, first, [first]), "merge_lots"), BadInput)
    do(house, lambda s, by: merge_lots(s, by, first, [second]), "merge_lots")
    assert refused(house, lambda s, by: merge_lots(s, by, third, [second]), "merge_lots").kind == "not_here"

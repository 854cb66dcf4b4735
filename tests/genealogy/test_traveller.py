"""A lot's traveller: what stands at each step, what happened twice or not at all, kin, and that its cost does not grow."""

from typing import Any

from sqlalchemy import event

from app import clock
from app.catalogue.definitions import Step
from app.db import House
from app.floor.ends import Said, interrupt_run
from app.floor.lots import split_lot
from app.floor.marking import mark_cells
from app.floor.starts import start_run
from app.floor.voids import void_run
from app.genealogy.cautions import FIRST, caution_of, in_letters
from app.genealogy.kin import kin_of
from app.genealogy.lot_page import account, holds_shown
from app.genealogy.traveller import Traveller, travellers
from app.holds.place import place_hold
from app.ledger.items import Lot
from app.ledger.runs import Run
from app.naming.resolve import Named
from tests.small_factory import Factory, named_lot


def traveller(house: House, lot: Named) -> Traveller:
    with house.reading() as session:
        return travellers(session, [session.get_one(Lot, lot.id)], clock.now())[0]


def ready(house: House) -> Factory:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    return factory


def test_each_step_tells_who_where_with_what_and_for_how_many(house: House) -> None:
    factory = ready(house)
    panels = factory.panels(3)
    lot = factory.lot(panels, order="4711")
    run = factory.start("Attach", lot)
    factory.do("interrupt_run", lambda s, by: interrupt_run(s, by, s.get_one(Run, run), Said(done=[panels[0].id], in_work=[])))
    one = traveller(house, lot)
    attach = one.steps[0]
    assert (one.order, one.customer, one.panels, one.units) == ("4711", "Arden Lights", 3, 60)
    assert (attach.pocket.state, attach.pocket.note) == ("next", "1 of 3 panels done")
    assert [(doing.station, doing.outcome, doing.extent) for doing in attach.doings] == [("Attach", "interrupted", "1 of 3 panels")]
    assert [material.words for material in attach.doings[0].materials] == ["adhesive GLUE", "red wafer WR"]
    assert one.now == ("1 panel: next is cure 1.", "2 panels: next is red attach.")
    factory.start("Attach", lot, only=[panels[1].id, panels[2].id])
    attach = traveller(house, lot).steps[0]
    assert (attach.pocket.state, attach.pocket.note) == ("in work", "1 of 3 panels done, 2 in work")
    assert attach.doings[1].extent == "2 of 3 panels"


def test_a_voided_run_is_shown_as_voided_and_counts_for_nothing(house: House) -> None:
    factory = ready(house)
    lot = factory.lot(factory.panels(1))
    run = factory.run("Attach", lot)
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, run), "the wrong magazine was scanned"))
    attach = traveller(house, lot).steps[0]
    assert attach.pocket.state == "next"
    assert attach.doings[0].void is not None
    assert attach.doings[0].void.words == "the wrong magazine was scanned"


def test_values_stand_with_their_limits_and_marks_with_their_reason(house: House) -> None:
    factory = ready(house)
    factory.mount("Bond 1", factory.batch("AU20"))
    panels = factory.panels(1)
    lot = factory.lot(panels)
    run = factory.do("start_run", lambda s, by: _bonding(factory, s, by, lot), fact=True)
    factory.do("mark_cells", lambda s, by: mark_cells(s, by, panels[0].id, [(1, 1), (1, 2)], "lifted", run).id)
    factory.finish(run, pull=2.0)
    doing = traveller(house, lot).steps[3].doings[0]
    assert [(read.name, read.value, read.limits, read.within) for read in doing.readings] == [("pull", "2 gf", "at least 3", False)]
    assert doing.marks == (("lifted", 2),)
    assert doing.on_paper


def _bonding(factory: Factory, session: Any, by: Any, lot: Named) -> int:
    return start_run(session, by, factory.things["Bond 1"], [lot]).run.id


def test_kin_are_told_each_way_and_the_account_closes(house: House) -> None:
    factory = ready(house)
    panels = factory.panels(3)
    lot = factory.lot(panels)
    part = factory.do("split_lot", lambda s, by: named_lot(s, split_lot(s, by, lot.id, [panels[2].id]).item))
    with house.reading() as session:
        went = kin_of(session, lot.id, panel_lot=True).went_into
        came = kin_of(session, part.id, panel_lot=True).came_from
        book = account(session, lot.id)
    assert [(kin.code, kin.amount) for kin in went] == [(part.code, "1 panel")]
    assert [(kin.code, kin.amount) for kin in came] == [(lot.code, "1 panel")]
    assert (book.total_in, book.total_out, book.left, book.closes) == (60, 20, 40, True)


def test_a_hold_says_how_much_of_the_lot_it_stops(house: House) -> None:
    factory = ready(house)
    panels = factory.panels(3)
    lot = factory.lot(panels)
    factory.do("place_hold", lambda s, by: place_hold(s, by, panels[0], "bent frame").id)
    one = traveller(house, lot)
    assert (one.steps[0].pocket.state, one.steps[0].pocket.note) == ("held", "1 of 3 panels held")
    with house.reading() as session:
        hold = holds_shown(session, one.strip.stops, one.held)[0]
    assert (hold.stops, hold.reason, hold.on) == ("1 of 3 panels", "bent frame", [("panel", panels[0].code)])


def test_as_many_statements_for_many_panels_and_runs_as_for_few(house: House) -> None:
    factory = ready(house)
    few, many = factory.lot(factory.panels(1)), factory.lot(many_panels := factory.panels(12))
    factory.run("Attach", few)
    for panel in many_panels:
        factory.run("Attach", panel)
    statements(house, few)  # what it needs of the catalogue a process reads once
    assert statements(house, many) == statements(house, few)


def statements(house: House, lot: Named) -> int:
    """How many a lot's page costs."""
    seen: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        seen.append(statement)

    event.listen(house.read_engine, "before_cursor_execute", note)
    try:
        with house.reading() as session:
            one = travellers(session, [session.get_one(Lot, lot.id)], clock.now())[0]
            account(session, lot.id)
            kin_of(session, lot.id, panel_lot=True)
            holds_shown(session, one.strip.stops, one.held)
    finally:
        event.remove(house.read_engine, "before_cursor_execute", note)
    assert one.steps[0].doings
    return len(seen)


def test_a_step_that_can_hurt_has_a_caution_of_its_own_or_the_usual_one() -> None:
    cure = Step(key="c", name="cure", operation="cure")
    assert "Hot oven" in caution_of(cure)
    assert caution_of(cure.model_copy(update={"caution": f"Mind the door. {FIRST}"})) == "Mind the door."
    assert caution_of(Step(key="i", name="look", operation="inspect")) == ""
    assert in_letters([(1, "hot"), (2, ""), (3, "high voltage"), (4, "hot")]) == (
        [("A", "hot", "1, 4"), ("B", "high voltage", "3")], {1: "A", 4: "A", 3: "B"},
    )  # fmt: skip

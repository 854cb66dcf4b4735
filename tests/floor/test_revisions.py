"""A lot goes on by another revision only when what it has done is in it."""

import pytest
from small_factory import PRODUCT, ROUTE, Factory, named_lot
from sqlalchemy import select

from app.catalogue.approve import approve_route, retire_route
from app.catalogue.definitions import Catalogue, Role, Route, Step
from app.catalogue.load import load_catalogue
from app.catalogue.queries import named
from app.db import House
from app.errors import Refused
from app.floor.loose import merge_loose, split_loose
from app.floor.lot_families import route_of
from app.floor.progress import progress
from app.floor.revisions import move_to_revision
from app.journal.verify import verify_journal
from app.ledger.items import LotRoute
from app.naming.resolve import Named
from tests.genealogy.made import made_loose

RINSE = Step(key="rinse", name="rinse", operation="plasma clean")


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load()


def add_route(factory: Factory, route: Route, *, approve: bool = True) -> int:
    factory.do("load_catalogue", lambda s, by: len(load_catalogue(s, by, Catalogue(routes=(route,)))))
    if approve:
        factory.do("approve_route", lambda s, by: approve_route(s, by, route.product, route.revision).name)
    with factory.house.reading() as session:
        return named(session, "route", f"{route.product} rev {route.revision}").id


def attached_lot(factory: Factory) -> tuple[Named, list[Named]]:
    """A lot that has done its die attach, on revision A."""
    panels = factory.panels(2)
    lot = factory.lot(panels)
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    factory.run("Attach", lot)
    return lot, panels


def move(factory: Factory, lot: Named, route: int) -> None:
    factory.do("move_to_revision", lambda s, by: move_to_revision(s, by, lot.id, route))


def refusal(factory: Factory, lot: Named, route: int) -> Refused:
    with pytest.raises(Refused) as refused:
        move(factory, lot, route)
    return refused.value


def test_what_comes_next_is_by_the_new_revision_and_what_was_done_stays(factory: Factory) -> None:
    lot, panels = attached_lot(factory)
    steps = (ROUTE.steps[0], RINSE, *ROUTE.steps[1:])
    new = add_route(factory, ROUTE.model_copy(update={"revision": "B", "steps": steps}))
    with factory.house.reading() as session:
        assert progress(session, [panels[0].id])[panels[0].id].next_step == "cure"
    move(factory, lot, new)
    with factory.house.reading() as session:
        assert route_of(session, lot.id) == new
        stand = progress(session, [panels[0].id])[panels[0].id]
        assert [doing.step for doing in stand.doings] == ["attach"]
        assert stand.next_step == "rinse"
    assert list(verify_journal(factory.house)) == []


def test_a_step_done_that_the_new_revision_lacks_refuses_the_move_and_is_named(factory: Factory) -> None:
    lot, _ = attached_lot(factory)
    first = Step(key="stick", name="red attach", operation="die attach", role="red")
    new = add_route(factory, ROUTE.model_copy(update={"revision": "B", "steps": (first, *ROUTE.steps[1:])}))
    refused = refusal(factory, lot, new)
    assert refused.kinds == ("steps_differ",)
    assert "red attach (attach), which P1 rev B does not have" in refused.reasons[0].why


def test_a_step_done_that_is_other_work_in_the_new_revision_refuses_the_move(factory: Factory) -> None:
    lot, _ = attached_lot(factory)
    steps = (Step(key="attach", name="clean first", operation="plasma clean"), Step(key="red", name="red", operation="die attach", role="red"))
    new = add_route(factory, ROUTE.model_copy(update={"revision": "B", "steps": (*steps, *ROUTE.steps[1:])}))
    assert "other work in P1 rev B" in refusal(factory, lot, new).reasons[0].why


@pytest.mark.parametrize("state", ["draft", "retired"])
def test_only_an_active_revision_is_moved_to(factory: Factory, state: str) -> None:
    lot = factory.lot(factory.panels(1))
    new = add_route(factory, ROUTE.model_copy(update={"revision": "B"}), approve=state == "retired")
    if state == "retired":
        factory.do("retire_route", lambda s, by: retire_route(s, by, "P1", "B"))
    refused = refusal(factory, lot, new)
    assert refused.kinds == ("revision_inactive",)
    assert f"is {state}" in refused.reasons[0].why


def test_a_revision_of_another_product_is_refused(factory: Factory) -> None:
    lot = factory.lot(factory.panels(1))
    other = PRODUCT.model_copy(update={"part_number": "P2", "seconds_part_number": None, "roles": (Role(role="red", part="WR"),)})
    factory.do("load_catalogue", lambda s, by: len(load_catalogue(s, by, Catalogue(products=(other,)))))
    new = add_route(factory, ROUTE.model_copy(update={"product": "P2"}))
    assert "lot of P1; P2 rev A is for P2" in refusal(factory, lot, new).reasons[0].why


def test_a_lot_in_work_is_not_moved(factory: Factory) -> None:
    lot = factory.lot(factory.panels(1))
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    factory.start("Attach", lot)
    new = add_route(factory, ROUTE.model_copy(update={"revision": "B"}))
    assert refusal(factory, lot, new).kind == "in_work"


def test_moving_to_where_it_is_changes_nothing(factory: Factory) -> None:
    lot = factory.lot(factory.panels(1))
    move(factory, lot, factory.things["P1 rev A"])
    with factory.house.reading() as session:
        rows = list(session.scalars(select(LotRoute).where(LotRoute.lot == lot.id)))
        assert [(row.route, row.closed_e) for row in rows] == [(factory.things["P1 rev A"], None)]


def test_lots_that_began_before_go_on_by_the_revision_they_began_on(factory: Factory) -> None:
    lot = factory.lot(factory.panels(1))
    new = add_route(factory, ROUTE.model_copy(update={"revision": "B"}))
    later = factory.lot(factory.panels(1))
    with factory.house.reading() as session:
        assert route_of(session, lot.id) == factory.things["P1 rev A"]
        assert route_of(session, later.id) == new


def test_loose_lots_of_two_revisions_are_not_merged(factory: Factory) -> None:
    """The step that only one of them asks for would be left out."""
    *_, first = made_loose(factory, 1)
    washed = [one for step in ROUTE.steps for one in ((Step(key="wash", name="wash", operation="clean"), step) if step.key == "test" else (step,))]
    route = add_route(factory, ROUTE.model_copy(update={"revision": "B", "steps": tuple(washed)}))
    part = factory.do("split_lot", lambda s, by: named_lot(s, split_loose(s, by, first.id, 5).item))
    factory.do("move_to_revision", lambda s, by: move_to_revision(s, by, part.id, route))
    with pytest.raises(Refused) as refused:
        factory.do("merge_lots", lambda s, by: merge_loose(s, by, first.id, [part.id]).item)
    assert refused.value.kinds[0] == "steps_differ" and "different route revisions" in str(refused.value)
    factory.do("move_to_revision", lambda s, by: move_to_revision(s, by, first.id, route))
    factory.do("merge_lots", lambda s, by: merge_loose(s, by, first.id, [part.id]).item)

"""Loading: what is new is made, what is changed is defined anew, what is the same is left alone."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from typing import TypeVar

import pytest
from cast import SMALL, load_small_catalogue
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.catalogue.approve import approve_route, retire_route, what_approval_changes
from app.catalogue.changes import FieldChange
from app.catalogue.definitions import Catalogue
from app.catalogue.example import EXAMPLE
from app.catalogue.file import catalogue_from, dump, read_catalogue
from app.catalogue.load import Change, as_json, load_catalogue, what_would_change
from app.catalogue.models import Definition, Thing
from app.catalogue.queries import active_route, named, recipe, route_state, whole
from app.db import House
from app.errors import BadInput, Refused
from app.journal.act import SYSTEM, Actor, By, act
from app.journal.models import Entry
from app.journal.verify import verify_journal
from app.naming.resolve import code_of, resolve
from app.people.people import Certified, add_person, duties_of

T = TypeVar("T")
ENGINEER = Actor("person", 99, "Eno Engineer", frozenset({"engineer"}))


def do(house: House, action: str, verb: Callable[[Session, By], T], actor: Actor = SYSTEM) -> T:
    kept: list[T] = []

    def once(session: Session, by: By) -> dict[str, bool]:
        kept[:] = [verb(session, by)]
        return {}

    act(house, actor, action, {}, once, signed=True)
    return kept[0]


def load(house: House, catalogue: Catalogue, actor: Actor = SYSTEM) -> tuple[Change, ...]:
    return do(house, "load_catalogue", lambda session, by: load_catalogue(session, by, catalogue), actor)


def known(house: House) -> Catalogue:
    with house.reading() as session:
        return whole(session)


def from_text(house: House, text: str) -> Catalogue:
    return read_catalogue(text, known(house))


def rows(house: House) -> tuple[int, int]:
    with house.reading() as session:
        return session.scalar(select(func.count()).select_from(Thing)) or 0, session.scalar(select(func.count()).select_from(Definition)) or 0


def with_recipe(soak: int) -> str:
    return f'[[recipes]]\nname = "C170"\nset_point_c = 170\nband_low_c = 165\nband_high_c = 175\nsoak_minutes = {soak}\n'


REV_B = SMALL.read_text()[SMALL.read_text().index("[[routes]]") : SMALL.read_text().index("[[stations]]")].replace('revision = "A"', 'revision = "B"')


def test_a_first_load_makes_everything_and_a_second_changes_nothing(house: House) -> None:
    small = read_catalogue(SMALL.read_text())
    added = load(house, small)
    assert {change.what for change in added} == {"added"}
    assert ("route", "P1 rev A") in {(change.kind, change.name) for change in added}
    before = rows(house)
    assert load(house, small) == ()
    assert rows(house) == before
    assert list(verify_journal(house)) == []


def test_a_changed_body_closes_the_definition_before_and_says_the_field(house: House) -> None:
    load_small_catalogue(house)
    with house.reading() as session:
        before = recipe(session, "C170")
    things, definitions = rows(house)
    changed = load(house, from_text(house, with_recipe(100)))
    assert changed == (Change("recipe", "C170", "changed", (FieldChange("soak_minutes", "110", "100"),)),)
    assert rows(house) == (things, definitions + 1)
    with house.reading() as session:
        after = recipe(session, "C170")
        assert after.id == before.id
        assert after.definition != before.definition
        assert session.get_one(Definition, before.definition).closed_e is not None
    assert list(verify_journal(house)) == []


def test_what_a_file_leaves_out_stays(house: House) -> None:
    load_small_catalogue(house)
    before = known(house)
    load(house, from_text(house, '[[customers]]\nname = "Third"\n'))
    after = known(house)
    assert [customer.name for customer in after.customers] == ["Ardwell Lamps", "Brook Signboards", "Third"]
    assert after.model_copy(update={"customers": before.customers}) == before


def test_stations_and_orders_get_codes_and_an_order_answers_to_the_customers_number(house: House) -> None:
    load_small_catalogue(house)
    with house.reading() as session:
        station, order = named(session, "station", "Oven 1"), named(session, "order", "4711")
        assert resolve(session, code_of(session, "station", station.id)).id == station.id
        assert resolve(session, "4711", "order").id == order.id
        assert code_of(session, "order", order.id)[0] == "A"


@pytest.mark.parametrize("state", ["active", "retired"])
def test_an_approved_revision_cant_be_changed(house: House, state: str) -> None:
    load_small_catalogue(house)
    if state == "retired":
        do(house, "retire_route", lambda session, by: retire_route(session, by, "P1", "A"))
    changed = from_text(house, REV_B.replace('revision = "B"', 'revision = "A"').replace("max_minutes = 600", "max_minutes = 601"))
    before = rows(house)
    with pytest.raises(Refused) as refused:
        load(house, changed)
    assert refused.value.kind == "finished"
    assert f"P1 rev A is {state}" in refused.value.reasons[0].why
    assert refused.value.reasons[0].where == "routes[0]"
    assert rows(house) == before
    with house.reading() as session, pytest.raises(Refused):
        what_would_change(session, changed)


def test_a_draft_may_still_be_changed(house: House) -> None:
    load_small_catalogue(house)
    load(house, from_text(house, REV_B))
    changed = load(house, from_text(house, REV_B.replace("max_minutes = 600", "max_minutes = 601")))
    assert changed[0].fields == (FieldChange("windows[cure to bond].max_minutes", "600", "601"),)


def test_references_are_checked_again_against_the_record_in_the_act(house: House) -> None:
    """The file may have been read before the record changed."""
    load_small_catalogue(house)
    order = Catalogue.model_validate({"orders": [{"number": "1", "customer": "Nobody", "product": "P1", "units": 1}]})
    with pytest.raises(BadInput) as refused:
        load(house, order)
    assert refused.value.reasons[0].where == "orders[0].customer"


def test_only_an_administrator_gives_duties_by_a_file(house: House) -> None:
    load_small_catalogue(house)
    grab = from_text(house, '[[people]]\nname = "Eno Engineer"\nbadge = "E-EN01-E"\nduties = ["engineer", "administer"]\n')
    with pytest.raises(Refused) as refused:
        load(house, grab, ENGINEER)
    assert refused.value.kind == "duty"
    load(house, from_text(house, with_recipe(90)), ENGINEER)
    changed = load(house, grab)
    assert changed[0].fields == (FieldChange("duties", "engineer", "administer, engineer"),)
    with house.reading() as session:
        assert duties_of(session, resolve(session, "E-EN01-E").id) == {"engineer", "administer"}


def test_a_person_without_a_badge_is_found_by_name_or_made(house: House) -> None:
    load_small_catalogue(house)
    text = '[[people]]\nname = "Nina New"\nduties = ["operate"]\ncertificates = [{ name = "ovens", valid_until = 2027-01-01T00:00:00Z }]\n'
    assert [change.what for change in load(house, from_text(house, text))] == ["added"]
    assert load(house, from_text(house, text)) == ()
    assert [change.what for change in load(house, from_text(house, text.replace("2027", "2028")))] == ["changed"]
    assert sum(person.name == "Nina New" for person in known(house).people) == 1


def test_whatever_a_person_is_called_the_dump_loads_back(house: House) -> None:
    """People are added elsewhere too, under names that no label would hold."""
    load_small_catalogue(house)
    long = "Maria " * 40
    twice = [Certified("ovens", datetime(2027, 1, 1, tzinfo=UTC)), Certified("ovens", None)]
    do(house, "add_person", lambda session, by: add_person(session, by, long, ["operate"], twice))
    with house.reading() as session:
        text = dump(session)
        assert what_would_change(session, read_catalogue(text, whole(session))) == ()
    assert long.strip() in text


def test_a_badge_that_is_another_persons_is_refused(house: House) -> None:
    load_small_catalogue(house)
    with pytest.raises(BadInput) as refused:
        from_text(house, '[[people]]\nname = "Someone Else"\nbadge = "E-EN01-E"\n')
    assert refused.value.reasons[0].where == "line 2, people[0].name"


def test_approval_makes_active_retires_the_one_before_and_shows_what_changes(house: House) -> None:
    load_small_catalogue(house)
    weigh = '{ key = "weigh", name = "weigh", operation = "clean" },\n'
    new = REV_B.replace("max_minutes = 600", "max_minutes = 300").replace('{ key = "dry"', weigh + '{ key = "dry"')
    load(house, from_text(house, new))
    with house.reading() as session:
        draft = named(session, "route", "P1 rev B")
        assert route_state(session, draft.id) == "draft"
        before, fields = what_approval_changes(session, draft)
        assert before is not None
        assert before.name == "P1 rev A"
        assert FieldChange("windows[cure to bond].max_minutes", "600", "300") in fields
        assert FieldChange("steps[weigh].name", None, "weigh") in fields
        assert FieldChange("revision", "A", "B") in fields
        assert active_route(session, "P1").name == "P1 rev A"
    done = do(house, "approve_route", lambda session, by: approve_route(session, by, "P1", "B"))
    assert done.retired == "P1 rev A"
    with house.reading() as session:
        assert active_route(session, "P1").name == "P1 rev B"
        assert route_state(session, before.id) == "retired"
    assert list(verify_journal(house)) == []


def test_a_revision_is_approved_once(house: House) -> None:
    load_small_catalogue(house)
    with pytest.raises(Refused) as refused:
        do(house, "approve_route", lambda session, by: approve_route(session, by, "P1", "A"))
    assert refused.value.kind == "finished"


def test_a_draft_that_was_loaded_anew_since_it_was_read_is_not_approved(house: House) -> None:
    load_small_catalogue(house)
    load(house, from_text(house, REV_B))
    with house.reading() as session:
        seen = named(session, "route", "P1 rev B").definition
    load(house, from_text(house, REV_B.replace("max_minutes = 600", "max_minutes = 6000")))
    with pytest.raises(Refused) as refused:
        do(house, "approve_route", lambda session, by: approve_route(session, by, "P1", "B", seen))
    assert refused.value.kind == "changed"


def test_approval_needs_a_signature_and_the_engineers_duty(house: House) -> None:
    load(house, read_catalogue(SMALL.read_text()))

    def verb(session: Session, by: By) -> dict[str, str]:
        return {"name": approve_route(session, by, "P1", "A").name}

    with pytest.raises(Refused) as unsigned:
        act(house, ENGINEER, "approve_route", {}, verb)
    assert unsigned.value.kind == "password"
    with pytest.raises(Refused) as other:
        act(house, Actor("person", 5, "Olga", frozenset({"operate"})), "approve_route", {}, verb, signed=True)
    assert other.value.kind == "duty"


def test_after_retiring_no_route_is_active(house: House) -> None:
    load_small_catalogue(house)
    do(house, "retire_route", lambda session, by: retire_route(session, by, "P1", "A"))
    with house.reading() as session, pytest.raises(Refused) as none_active:
        active_route(session, "P1")
    assert none_active.value.kind == "revision_inactive"
    with pytest.raises(Refused) as again:
        do(house, "retire_route", lambda session, by: retire_route(session, by, "P1", "A"))
    assert again.value.kind == "revision_inactive"


def test_a_refused_load_leaves_an_entry_and_nothing_else(house: House) -> None:
    load_small_catalogue(house)
    grab = from_text(house, '[[people]]\nname = "Zed"\nduties = ["lead"]\n[[customers]]\nname = "Fourth"\n')
    with pytest.raises(Refused):
        load(house, grab, ENGINEER)
    with house.reading() as session:
        assert session.scalars(select(Entry.outcome).order_by(Entry.id.desc())).first() == "refused"
        assert "Fourth" not in [customer.name for customer in whole(session).customers]


def test_of_two_loads_at_once_one_makes_the_things_and_the_other_finds_them(house: House) -> None:
    small = read_catalogue(SMALL.read_text())
    with ThreadPoolExecutor(2) as both:
        counts = sorted(len(found) for found in both.map(lambda _: load(house, small), range(2)))
    assert counts[0] == 0
    assert counts[1] > 20
    assert list(verify_journal(house)) == []


def test_the_answer_is_json_that_names_every_change(house: House) -> None:
    answer = act(
        house, SYSTEM, "load_catalogue", {}, lambda session, by: as_json(load_catalogue(session, by, read_catalogue(SMALL.read_text()))), key="k1"
    ).body
    again = act(house, SYSTEM, "load_catalogue", {}, lambda session, by: {}, key="k1")
    assert again.repeated
    assert again.body == answer
    assert answer["changes"][0] == {"kind": "site", "name": "site", "what": "added", "fields": []}


def test_the_example_loads_whole(house: House) -> None:
    load(house, read_catalogue(EXAMPLE))
    for product in ("LF-C20", "LF-M12"):
        do(house, "approve_route", lambda session, by, product=product: approve_route(session, by, product, "A"))  # type: ignore[misc]
    with house.reading() as session:
        assert active_route(session, "LF-M12").body.steps[-1].operation == "dry pack"
    assert catalogue_from(known(house).model_dump(mode="json")) == known(house)

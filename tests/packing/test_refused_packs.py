"""A refusal names nothing that was undone with it."""

import re

import pytest

from app.catalogue.definitions import Record
from app.db import House
from app.errors import NotFound, Refused
from app.holds.stopped import stops_on
from app.ledger.items import Pack
from app.ledger.stops import Hold
from app.naming.resolve import resolve
from app.packing.fill import Part, fill_more, fill_pack
from app.packing.rework import cut_pack, take_off_tape
from tests.genealogy.made import made_loose
from tests.genealogy.made import tested as bin_of
from tests.small_factory import STEPS, Factory, Route, named_lot, named_pack

PULLED = tuple(step.model_copy(update={"records": (Record(name="peel", unit="N"),)}) if step.key == "tape" else step for step in STEPS)


@pytest.mark.parametrize(
    ("units", "size", "reason", "kind"), [(10, 30, None, "pack_short"), (12, 10, None, "capacity"), (10, 30, "the end of the lot", "bad_input")]
)
def test_a_pack_that_was_not_begun_is_not_named(house: House, units: int, size: int, reason: str | None, kind: str) -> None:
    factory = Factory(house).load(("route", Route(product="P1", revision="B", steps=PULLED)))
    *_, loose = made_loose(factory)
    parts = [Part(bin_of(factory, factory.start("Tester", loose), 80, 4), units)]
    taper = factory.things["Taper"]
    with pytest.raises(Refused) as refused:
        factory.do("fill_pack", lambda s, by: fill_pack(s, by, taper, parts, size=size, short_reason=reason, line_clear=True).item)
    assert refused.value.kind == kind
    said = " ".join([refused.value.what, *(f"{one.why} {one.now}" for one in refused.value.reasons)])
    assert re.search(r"(The new pack|The tape run)", said)
    with house.reading() as session:
        for code in re.findall(r"\b[A-Z]\d\d-\d{6}-\w\b", said):
            try:
                resolve(session, code)
            except NotFound:
                pytest.fail(f"{code} is not there: {said}")


def test_an_empty_pack_says_where_its_units_went(house: House) -> None:
    factory = Factory(house).load()
    *_, loose = made_loose(factory)
    parts, taper = [Part(bin_of(factory, factory.start("Tester", loose), 80, 4), 10)], factory.things["Taper"]
    made = factory.do("fill_pack", lambda s, by: named_pack(s, fill_pack(s, by, taper, parts, size=10, line_clear=True).item))
    off = factory.do("take_off_tape", lambda s, by: named_lot(s, take_off_tape(s, by, made).item))
    with pytest.raises(Refused) as refused:
        factory.do("cut_pack", lambda s, by: cut_pack(s, by, made, 5).item)
    assert refused.value.reasons[0].why == f"{made.code} is empty: its units went into {off.code}."


@pytest.mark.parametrize("fact", [False, True])
def test_a_lot_of_panels_is_not_packed_not_even_one_that_all_panels_have_left(house: House, fact: bool) -> None:
    factory = Factory(house).load()
    *_, singulated, _, loose = made_loose(factory)
    with_panels, taper = factory.lot(factory.panels(2)), factory.things["Taper"]
    best = bin_of(factory, factory.start("Tester", loose), 80, 4)
    for lot in (singulated, with_panels):
        with pytest.raises(Refused) as refused:
            factory.do("fill_pack", lambda s, by, lot=lot: fill_pack(s, by, taper, [Part(lot, 10)], line_clear=True).item, fact=fact)
        assert (refused.value.kind, refused.value.what) == ("bad_input", "That is not a loose lot.")
    reel = factory.do("fill_pack", lambda s, by: fill_pack(s, by, taper, [Part(best, 10)], close=False, line_clear=True).item)
    with pytest.raises(Refused) as refused:
        factory.do("fill_pack", lambda s, by: fill_more(s, by, s.get_one(Pack, reel), [Part(singulated, 10)]), fact=fact)
    assert refused.value.kind == "bad_input"


def test_more_units_than_a_pack_has_pockets_are_recorded_as_a_fact_and_held(house: House) -> None:
    factory = Factory(house).load()
    *_, loose = made_loose(factory)
    parts, taper = [Part(bin_of(factory, factory.start("Tester", loose), 80, 4), 12)], factory.things["Taper"]
    pack = factory.do("fill_pack", lambda s, by: fill_pack(s, by, taper, parts, size=10, line_clear=True).item, fact=True)
    with house.reading() as session:
        (stop,) = stops_on(session, [pack])[pack]
        assert "10 pockets are free; 12 units come." in session.get_one(Hold, stop.hold).reason

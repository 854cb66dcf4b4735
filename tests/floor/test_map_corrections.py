"""A map that is corrected after its dies were placed says of them what it would have said, had it come first."""

from collections.abc import Iterable

import pytest
from small_factory import STEPS, Factory, named_lot, named_pack

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Route
from app.db import House
from app.errors import Refused
from app.final_test.bins_out import take_bins_out
from app.final_test.singulate import singulate
from app.floor.map_corrections import correct_map
from app.floor.marks import good_units
from app.floor.placement_verdicts import Verdicts
from app.holds.stopped import stops_on
from app.ledger.runs import Run
from app.naming.resolve import Named
from app.packing.fill import Part, fill_pack
from app.receiving.die_map import Stated
from app.receiving.wafers import read_map_files
from tests.floor.placing import BAD, attached, found_by_check, good_dies, log_of, marks, onto, plain_map, send, verdicts, wafer


@pytest.fixture
def factory(house: House) -> Factory:
    steps = (STEPS[0].model_copy(update={"judged": "placements", "wrong_placements_limit": 0.05}), *STEPS[2:])
    return Factory(house).load(("route", Route(product="P1", revision="B", steps=steps)))


def corrected(factory: Factory, one: Named, name: str, bad: Iterable[tuple[int, int]]) -> Verdicts:
    with factory.house.reading() as session:
        body = catalogue.part(session, "WR").body
    (file,) = read_map_files(factory.house, [("right.txt", plain_map(name, bad).encode())], body, Stated(passing=("1",)))
    kept: list[Verdicts] = []

    def verb(s: object, by: object) -> bool:
        kept[:] = [correct_map(s, by, one, file)]  # type: ignore[arg-type]
        return True

    factory.do("correct_die_map", verb)
    return kept[0]


def test_dies_that_fail_by_the_right_map_are_marked_and_their_lot_is_held(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    lot, _ = attached(factory, panels, one)
    send(factory, log_of(onto(one, panels[0], good_dies(20))))
    found = corrected(factory, one, "A-1", {*BAD, *good_dies(2)})
    assert marks(factory) == {"die failed": 2} and verdicts(factory) == ["conforms", "does_not_conform"]
    assert len(found.holds) == 1 and found.judgements[0]["reasons"] == ["2 of 20 placements are wrong, 10 %; the limit is 5 %."]
    with factory.house.reading() as session:
        assert good_units(session, [panels[0].id]) == {panels[0].id: 18}
    with pytest.raises(Refused) as refusal:
        factory.start("Plasma", lot)
    assert set(refusal.value.kinds) == {"held", "judgement_open"}
    assert found_by_check(factory) == []


def test_below_the_limit_the_cells_are_marked_and_the_lot_goes_on(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    lot, _ = attached(factory, panels, one)
    send(factory, log_of(onto(one, panels[0], good_dies(20))))
    found = corrected(factory, one, "A-1", {*BAD, *good_dies(1)})
    assert (found.holds, found.packs, marks(factory), verdicts(factory)) == ([], [], {"die failed": 1}, ["conforms"])
    factory.start("Plasma", lot)


def test_dies_that_pass_by_the_right_map_are_good_again(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    attached(factory, panels, one)
    first = send(factory, log_of(onto(one, panels[0], [*good_dies(17), *sorted(BAD)])))
    assert (marks(factory), verdicts(factory)) == ({"die failed": 3}, ["does_not_conform"])
    corrected(factory, one, "A-1", sorted(BAD)[:1])
    assert marks(factory) == {"die failed": 1}, "one of the three fails still"
    assert verdicts(factory) == ["does_not_conform", "conforms"]
    corrected(factory, one, "A-1", [])
    assert marks(factory) == {}
    send(factory, log_of(onto(one, panels[0], good_dies(20))), replaces=(first.evidence,))
    assert marks(factory) == {} and found_by_check(factory) == []


def test_a_log_that_is_replaced_takes_the_marks_of_the_corrected_map_with_it(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    attached(factory, panels, one)
    first = send(factory, log_of(onto(one, panels[0], good_dies(20))))
    corrected(factory, one, "A-1", {*BAD, *good_dies(2)})
    send(factory, log_of(onto(one, panels[0], good_dies(20, 20))), replaces=(first.evidence,))
    assert marks(factory) == {} and verdicts(factory)[-1] == "conforms"


def test_packs_with_units_that_left_on_a_failing_die_are_held_and_listed(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    lot, _ = attached(factory, panels, one)
    send(factory, log_of(onto(one, panels[0], good_dies(20))))
    factory.run("Plasma", lot)
    factory.mount("Bond 1", factory.batch("AU20"))
    factory.run("Bond 1", lot, pull=5.0)
    factory.run("Scope", lot)
    saw = factory.start("Saw", lot)
    loose = factory.do("singulate", lambda s, by: named_lot(s, singulate(s, by, s.get_one(Run, saw)).item))
    test = factory.start("Tester", loose)
    bins = {("B1", "prime"): 20}
    best = factory.do("bin_out", lambda s, by: named_lot(s, take_bins_out(s, by, s.get_one(Run, test), bins)["B1"].item))
    taper = factory.things["Taper"]
    reel = factory.do(
        "fill_pack", lambda s, by: named_pack(s, fill_pack(s, by, taper, [Part(best, 20)], line_clear=True, short_reason="the rest").item)
    )
    found = corrected(factory, one, "A-1", {*BAD, *good_dies(1)})
    assert found.packs == [reel.code] and len(found.holds) == 1
    with factory.house.reading() as session:
        assert "do not pass" in stops_on(session, [reel.id])[reel.id][0].reason
    assert found_by_check(factory) == []


def test_a_map_that_says_the_same_of_what_was_placed_changes_nothing(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    attached(factory, panels, one)
    send(factory, log_of(onto(one, panels[0], good_dies(20))))
    found = corrected(factory, one, "A-1", {*BAD, (9, 9)})
    assert (found, marks(factory), verdicts(factory)) == (Verdicts(), {}, ["conforms"])

"""What a test left in the machine has no bin: it comes to the test again, and into no pack."""

import pytest

from app.db import House
from app.errors import Refused
from app.final_test.bins_out import take_bins_out
from app.floor.groups import gather
from app.ledger.runs import Run
from app.naming.resolve import Named
from app.packing import fill
from tests.genealogy.made import made_loose
from tests.small_factory import Factory, named_lot


def binned(factory: Factory, loose: Named, units: int) -> Named:
    """The lot of bin B1."""
    run = factory.start("Tester", loose)
    return factory.do("bin_out", lambda s, by: named_lot(s, take_bins_out(s, by, s.get_one(Run, run), {("B1", "prime"): units})["B1"].item))


def comes_to(house: House, lot: Named) -> list[tuple[str | None, int]]:
    with house.reading() as session:
        return [(group.next_step, group.round) for group in gather(session, [lot])]


def packed(factory: Factory, lot: Named, units: int) -> None:
    part = fill.Part(lot, units)
    factory.do("fill_pack", lambda s, by: fill.fill_pack(s, by, factory.things["Taper"], [part], line_clear=True, short_reason="the rest").item)


def test_units_that_no_bin_got_are_tested_again_and_not_packed(house: House) -> None:
    factory = Factory(house).load()
    loose = made_loose(factory)[-1]
    best = binned(factory, loose, 78)
    assert (comes_to(house, loose), comes_to(house, best)) == ([("test", 2)], [("tape", 1)])
    with pytest.raises(Refused) as refused:
        packed(factory, loose, 2)
    assert refused.value.kind == "not_next_step"
    again = binned(factory, loose, 2)
    assert comes_to(house, again) == [("tape", 1)]
    packed(factory, again, 2)

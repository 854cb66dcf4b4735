"""A reel whose taping was interrupted, aborted or voided is closed with what it holds: nothing stays in a pack that no one can close."""

import pytest

from app.db import House
from app.errors import Refused
from app.floor.ends import Said, abort_run, interrupt_run
from app.floor.voids import void_run
from app.labels.pack_label import pack_label
from app.ledger.items import Pack
from app.ledger.runs import Run
from app.naming.resolve import Named
from app.packing.fill import Part, close_pack, fill_more, fill_pack, open_line
from tests.board.line import binned, line, loose_lot
from tests.small_factory import Factory, named_pack


@pytest.fixture
def factory(house: House) -> Factory:
    return line(house)


def begun(factory: Factory, units: int) -> tuple[Named, Named, int]:
    """(the lot, the open reel with so many of its units, the run)"""
    lot, taper = binned(factory, loose_lot(factory, 2), 40), factory.things["Taper"]
    pack = factory.do(
        "fill_pack", lambda s, by: named_pack(s, fill_pack(s, by, taper, [Part(lot, units)], size=30, line_clear=True, close=False).item)
    )
    with factory.house.reading() as session:
        return lot, pack, open_line(session, session.get_one(Pack, pack.id))[0].id


@pytest.mark.parametrize("how", ["interrupt_run", "abort_run"])
def test_its_units_are_closed_in_it_and_no_more_go_in(factory: Factory, how: str) -> None:
    lot, pack, run = begun(factory, 12)
    ends = {
        "interrupt_run": lambda s, by: len(interrupt_run(s, by, s.get_one(Run, run), Said())),
        "abort_run": lambda s, by: len(abort_run(s, by, s.get_one(Run, run))),
    }
    factory.do(how, ends[how])
    with pytest.raises(Refused, match="is not being filled"):
        factory.do("fill_pack", lambda s, by: fill_more(s, by, s.get_one(Pack, pack.id), [Part(lot, 5)]))
    factory.do("close_pack", lambda s, by: close_pack(s, by, s.get_one(Pack, pack.id), short_reason="the tape tore").item)
    with factory.house.reading() as session:
        assert next(field.value for field in pack_label(session, pack).fields if field.identifier == "Q") == "12"


def test_one_that_was_begun_by_mistake_is_closed_empty(factory: Factory) -> None:
    _, pack, run = begun(factory, 0)
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, run), "wrong lot"))
    factory.do("close_pack", lambda s, by: close_pack(s, by, s.get_one(Pack, pack.id), short_reason="begun by mistake").item)
    with factory.house.reading() as session:
        assert session.get_one(Pack, pack.id).units == 0

"""A bag that was opened to take units out keeps nothing dry: the pack does not ship, and its label and page promise no shelf life."""

import pytest

from app.db import House
from app.errors import Refused
from app.genealogy.pack_page import pack_shown
from app.labels.pack_label import pack_label
from app.naming.resolve import Named
from app.packing.dry import seal_pack
from app.packing.rework import cut_pack
from app.packing.shipping import ship
from tests.races.test_races import packed
from tests.small_factory import Factory, named_pack


def promised(house: House, pack: Named) -> tuple[bool, bool]:
    """(the label speaks of a shelf life in the sealed bag, the page says that it was opened)"""
    with house.reading() as session:
        return "shelf life in the sealed bag" in str(pack_label(session, pack).caution), pack_shown(session, pack).is_opened


def test_a_bag_that_was_opened_keeps_nothing_dry_until_it_is_sealed_anew(house: House) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    pack, _ = packed(factory)
    assert promised(house, pack) == (True, False)
    factory.do("cut_pack", lambda s, by: cut_pack(s, by, pack, 10).item)
    assert promised(house, pack) == (False, True)
    with pytest.raises(Refused) as refused:
        factory.do("ship", lambda s, by: ship(s, by, [pack], "Arden Lights"))
    assert ["was opened" in reason.why for reason in refused.value.reasons] == [True]
    anew = factory.do("seal_pack", lambda s, by: named_pack(s, seal_pack(s, by, factory.things["Bagger"], pack).pack.item))
    assert anew.id != pack.id
    assert promised(house, anew) == (True, False)
    factory.do("ship", lambda s, by: ship(s, by, [anew], "Arden Lights"))

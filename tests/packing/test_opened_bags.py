"""A bag that was opened to take units out keeps nothing dry: the pack does not ship, and its label and page promise no shelf life."""

import pytest
from fastapi.testclient import TestClient
from people.signing_in import PASSWORD, person, sign_in
from sqlalchemy import select

from app.db import House
from app.errors import Refused
from app.floor.voids import void_run
from app.genealogy.pack_page import pack_shown
from app.labels.pack_label import pack_label
from app.ledger.runs import Run
from app.main import make_app
from app.naming.resolve import Named
from app.packing.dry import seal_pack
from app.packing.rework import cut_pack
from app.packing.shipping import ship, take_back
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


def test_of_a_bag_that_was_with_a_customer_its_page_says_that_nobody_knows(house: House) -> None:
    """IPC/JEDEC J-STD-033 lets the floor life run from when a bag is opened: who opened it there, and for how long, is on no record."""
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    pack, _ = packed(factory)
    factory.do("ship", lambda s, by: ship(s, by, [pack], "Arden Lights"))
    client = TestClient(make_app(house.settings, house))
    sign_in(client, person(house, "Lea", "lead", "operate"), PASSWORD)
    pages = (f"/packs/{pack.code}", f"/record/{pack.code}")
    assert [["back from a customer since" in client.get(page).text for page in pages]] == [[False, False]]
    factory.do("take_back", lambda s, by: take_back(s, by, pack).item)
    assert [["back from a customer since" in client.get(page).text for page in pages]] == [[True, True]]
    anew = factory.do("seal_pack", lambda s, by: named_pack(s, seal_pack(s, by, factory.things["Bagger"], pack, again=True).pack.item))
    assert "back from a customer since" not in client.get(f"/packs/{anew.code}").text


def test_a_pack_whose_dry_pack_was_voided_is_not_dry_and_is_sealed_as_a_new_one(house: House) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    pack, _ = packed(factory)
    with house.reading() as session:
        run = session.scalars(select(Run.id).where(Run.operation == "dry pack")).one()
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, run), "another pack was scanned"))
    assert promised(house, pack) == (False, False)
    with pytest.raises(Refused) as refused:
        factory.do("ship", lambda s, by: ship(s, by, [pack], "Arden Lights"))
    assert [reason.why for reason in refused.value.reasons] == [f"{pack.code} is not dry packed."]
    anew = factory.do("seal_pack", lambda s, by: named_pack(s, seal_pack(s, by, factory.things["Bagger"], pack).pack.item))
    factory.do("ship", lambda s, by: ship(s, by, [anew], "Arden Lights"))

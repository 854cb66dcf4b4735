"""A test run ends at the terminal by counts by bin; the tester's file is one touch away."""

from fastapi.testclient import TestClient
from sqlalchemy import select

from app.db import House
from app.floor.counting import available
from app.ledger.items import Lot
from app.main import make_app
from tests.browser.staging import Stage
from tests.genealogy.made import made_loose
from tests.people.signing_in import person
from tests.scan.test_terminal_pages import Screen
from tests.small_factory import Factory


def test_counts_by_bin_end_a_test_and_each_bin_is_a_loose_lot(house: House) -> None:
    stage = Stage(Factory(house).load())
    loose = made_loose(stage.factory, 2)[-1]
    with TestClient(make_app(house.settings, house)) as client:
        ola = Screen(client.app, person(house, "Ola", "operate"))
        tester = stage.station("Tester")
        ola.get(f"/floor?station={tester}")
        ola.scan(loose.code)
        ola.scan(tester)
        assert ola.said.startswith("Started on")
        ola.scan(loose.code)
        assert "units in B1, prime" in ola.page and "/unit_results" in ola.page
        ola.send("/floor/finish", **{"bin.B1": "30", "bin.B2": "6", "bin.R": "1.5"})
        ola.send("/floor/finish", confirmed="yes")
        assert "1.5 is not a number of units" in ola.page
        ola.scan(loose.code)
        ola.send("/floor/finish", **{"bin.B1": "30", "bin.B2": "6", "bin.R": "0"})
        ola.scan(tester)
        assert ola.said.startswith("Finished. Loose lots: B1 L26-")
        with house.reading() as session:
            bins = {lot.bin: available(session, lot.item) for lot in session.scalars(select(Lot).where(Lot.bin.is_not(None)))}
            assert (bins, available(session, loose.id)) == ({"B1": 30, "B2": 6}, 4)

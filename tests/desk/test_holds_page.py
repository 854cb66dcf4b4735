"""A hold's reason is offered from the catalogue, and may be said in words of its own: what is wrong is often met for the first time."""

from people.signing_in import client, person, sign_in

from app.catalogue.definitions import ReasonEntry
from app.db import House
from app.holds.place import place_hold
from tests.small_factory import Factory


def test_the_page_offers_the_catalogue_s_reasons_and_other_words_hold_as_well(house: House) -> None:
    factory = Factory(house).load(("reason", ReasonEntry(name="wrong alloy", of=("hold",))), ("reason", ReasonEntry(name="jam", of=("station",))))
    lot = factory.lot(factory.panels(1))
    factory.do("place_hold", lambda s, by: place_hold(s, by, lot, "smells of vinegar").id)
    with client(house) as browser:
        sign_in(browser, person(house, "Quinn", "quality"))
        page = browser.get("/holds").text
    assert '<datalist id="reasons"><option value="wrong alloy"></option></datalist>' in page
    assert "smells of vinegar" in page

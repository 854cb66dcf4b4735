"""More units than an order asks for do not ship without a word: they need a reason, which the shipment keeps, unless the customer takes them."""

from people.signing_in import person, sign_in
from sqlalchemy import inspect, text

from app.catalogue.definitions import Body, Order
from app.db import House
from app.migrate import downgrade, upgrade
from tests.machines.plant import plant
from tests.machines.test_diversions import ORDERED, packs_of

SMALL: tuple[tuple[str, Body], ...] = (
    *ORDERED,
    ("order", Order(number="TEN", customer="Arden Lights", product="TWO", units=10)),
    ("order", Order(number="TEN-20", customer="Arden Lights", product="TWO", units=10, over_percent=20)),
)
WHY = "a full reel closes the order, and they take it"


def test_what_goes_beyond_an_order_needs_a_reason_that_the_shipment_keeps(house: House) -> None:
    with plant(house, *SMALL) as do:
        first, second, third = packs_of(do, "TEN", [8, 8, 4])
        assert do.post("/shipments", packs=[first], customer="Arden Lights", order="TEN")["over_shipments"] == []
        for named in ({"order": "TEN"}, {}):  # each was filled for it
            refused = do.post("/shipments", 409, packs=[second], customer="Arden Lights", **named)
            assert refused["kinds"] == ["order_differs"] and [one["where"] for one in refused["reasons"]] == ["over_shipment_reason"]
            assert refused["reasons"][0]["why"] == "Order TEN asks for 10 units; 8 went and 8 go now: 6 more."
        sent = do.post("/shipments", packs=[second], customer="Arden Lights", over_shipment_reason=WHY)
        told = [{"order": "TEN", "units": 6, "reason": WHY}]
        assert sent["over_shipments"] == do.get(f"/shipments/{sent['shipment']}")["over_shipments"] == told
        do.post("/shipments", packs=[third], customer="Arden Lights", order="TEN", fact=True)  # it has gone: recorded and held
        assert "16 went and 4 go now: 4 more" in do.get(f"/stops/{third}")["holds"][0]["reason"]
        assert do.findings() == []

        sign_in(do.client, person(house, "Mia", "quality"))
        for page in (f"/packs/{second}", f"/record/{second}"):
            assert f"beyond what was ordered (6 more: {WHY})" in do.client.get(page).text, page
        assert f"6: {WHY}" in do.client.get("/shipments").text


def test_what_came_back_is_owed_again_and_what_went_to_others_never_counted(house: House) -> None:
    with plant(house, *SMALL) as do:
        first, second, third = packs_of(do, "TEN", [8, 8, 4])
        (surplus,) = packs_of(do, None, [2])
        do.post("/shipments", packs=[first], customer="Brook Signs", diversion_reason="agreed")
        do.post("/shipments", packs=[surplus, second], customer="Arden Lights", order="TEN")
        do.post("/shipments", 409, packs=[third], customer="Arden Lights", order="TEN")
        do.post(f"/packs/{second}/take_back", units=4)
        assert do.post("/shipments", packs=[third], customer="Arden Lights", order="TEN")["over_shipments"] == []


def test_a_shipment_that_is_corrected_to_another_order_s_or_customer_s_says_what_goes_beyond_it(house: House) -> None:
    """Packs of nobody's order that went with no order in truth went on one; and one filled for it that had gone to others."""
    with plant(house, *SMALL) as do:
        (filled,) = packs_of(do, "TEN", [4])
        first, second, third = packs_of(do, None, [8, 6, 4])
        on = do.post("/shipments", packs=[first], customer="Arden Lights", order="TEN")["shipment"]
        free = do.post("/shipments", packs=[second, third], customer="Arden Lights")["shipment"]
        theirs = do.post("/shipments", packs=[filled], customer="Brook Signs", diversion_reason="agreed")["shipment"]

        def correct(pack: str, shipment: str, **more: bool) -> None:
            move = do.get(f"/things/{pack}/moves")["moves"][-1]["move"]
            do.post(f"/moves/{move}/correct", shipment=shipment, reason="it lay in the wrong box", **more)

        correct(filled, free)
        assert do.get(f"/shipments/{free}")["over_shipments"] == [{"order": "TEN", "units": 2, "reason": "it lay in the wrong box"}]
        correct(filled, theirs)
        correct(second, on, together=True)
        assert do.get(f"/shipments/{on}")["over_shipments"] == [{"order": "TEN", "units": 8, "reason": "it lay in the wrong box"}]
        assert do.findings() == []


def test_an_order_says_how_much_more_its_customer_takes_unasked(house: House) -> None:
    with plant(house, *SMALL) as do:
        first, second = packs_of(do, "TEN-20", [12, 8])
        assert do.post("/shipments", packs=[first], customer="Arden Lights", order="TEN-20")["over_shipments"] == []
        refused = do.post("/shipments", 409, packs=[second], customer="Arden Lights")
        assert refused["reasons"][0]["why"] == "Order TEN-20 asks for 10 units or up to 12 unasked; 12 went and 8 go now: 8 more."



def test_shipments_that_went_before_stay_through_the_migration(house: House) -> None:
    with plant(house, *SMALL) as do:
        sent = do.post("/shipments", packs=packs_of(do, "TEN", [12]), customer="Arden Lights", over_shipment_reason=WHY)
        downgrade(house, "diversions")
        assert "over_shipment" not in inspect(house.write_engine).get_table_names()
        upgrade(house)
        with house.write_engine.connect() as connection:
            assert connection.execute(text("select count(*) from shipment")).scalar() == 1
            assert connection.execute(text("select count(*) from over_shipment")).scalar() == 0
        assert do.get(f"/shipments/{sent['shipment']}")["order"] is None

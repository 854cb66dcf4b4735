"""A pack that was filled for one customer's order does not go to another by oversight: it needs a reason, and the record tells it."""

from people.signing_in import person, sign_in

from app.catalogue.definitions import Body, Order, Product, Route, Step
from app.db import House
from tests.machines.plant import Plant, plant

STEPS = (
    Step(key="cut", name="cut", operation="singulate"),
    Step(key="test", name="test", operation="test"),
    Step(key="tape", name="tape", operation="tape"),
)
ORDERED: tuple[tuple[str, Body], ...] = (
    ("product", Product(part_number="TWO", rows=4, columns=5, roles=(), bin_table="B")),
    ("route", Route(product="TWO", revision="1", steps=STEPS)),
    ("order", Order(number="OWN-1", customer="Arden Lights", product="TWO", units=100)),
    ("order", Order(number="OWN-2", customer="Arden Lights", product="TWO", units=100)),
    ("order", Order(number="OTHER", customer="Brook Signs", product="TWO", units=100)),
)
WHY = "theirs are held, and Arden Lights agreed"


def packs_of(do: Plant, order: str | None, sizes: list[int]) -> list[str]:
    lot = do.lot(do.panels(1), product="TWO", **({"order": order} if order else {}))
    units = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
    good = do.post(f"/runs/{do.start('Tester', units)}/bins", bins=[{"bin": "B1", "units": 20}])["bins"][0]["lot"]
    asked = {"station": do.at["Taper"], "line_clear": True}
    return [do.post("/packs", parts=[{"lot": good, "units": size}], size=size, **asked)["pack"] for size in sizes]


def test_a_pack_filled_for_an_order_goes_to_another_customer_only_for_a_reason_that_is_recorded(house: House) -> None:
    with plant(house, *ORDERED) as do:
        own, same, other = packs_of(do, "OWN-1", [8, 8, 4])
        (surplus,) = packs_of(do, None, [20])
        for order in ({}, {"order": "OTHER"}):
            refused = do.post("/shipments", 409, packs=[own, surplus], customer="Brook Signs", **order)
            assert refused["kinds"] == ["order_differs"] and [one["where"] for one in refused["reasons"]] == ["diversion_reason"]
            assert refused["reasons"][0]["why"] == f"{own} was filled for order OWN-1 of Arden Lights."
        assert do.post("/shipments", packs=[same], customer="Arden Lights", order="OWN-2")["diversions"] == []
        sent = do.post("/shipments", packs=[own, surplus], customer="Brook Signs", diversion_reason=WHY)
        told = [{"pack": own, "order": "OWN-1", "customer": "Arden Lights", "reason": WHY}]
        assert sent["diversions"] == do.get(f"/shipments/{sent['shipment']}")["diversions"] == told
        assert [one["diverted"] for one in do.get(f"/record/{own}")["pack"]["moves"]] == [WHY]
        assert [one["diverted"] for one in do.get(f"/record/{surplus}")["pack"]["moves"]] == [""]

        do.post("/shipments", packs=[other], customer="Brook Signs", fact=True)  # it has gone: recorded and held
        assert "was filled for order OWN-1" in do.get(f"/stops/{other}")["holds"][0]["reason"]
        assert do.findings() == []

        sign_in(do.client, person(house, "Mia", "quality"))
        for page in (f"/packs/{own}", f"/record/{own}"):
            assert f"though filled for Arden Lights: {WHY}" in do.client.get(page).text, page


def test_a_pack_whose_shipment_is_corrected_to_another_customer_s_is_told_as_diverted(house: House) -> None:
    with plant(house, *ORDERED) as do:
        own, beside = packs_of(do, "OWN-1", [8, 8])
        (surplus,) = packs_of(do, None, [20])
        theirs = do.post("/shipments", packs=[own, beside], customer="Arden Lights")["shipment"]
        others = do.post("/shipments", packs=[surplus], customer="Brook Signs")["shipment"]

        def correct(pack: str, shipment: str, why: str) -> None:
            move = do.get(f"/things/{pack}/moves")["moves"][-1]["move"]
            do.post(f"/moves/{move}/correct", shipment=shipment, reason=why)

        correct(own, others, "it lay in the wrong box")
        told = [{"pack": own, "order": "OWN-1", "customer": "Arden Lights", "reason": "it lay in the wrong box"}]
        assert do.get(f"/shipments/{others}")["diversions"] == told and do.get(f"/shipments/{theirs}")["diversions"] == []
        assert [one["diverted"] for one in do.get(f"/record/{own}")["pack"]["moves"]] == ["it lay in the wrong box"]
        correct(own, theirs, "it did not")
        assert do.get(f"/shipments/{others}")["diversions"] == [], "it never went there"
        assert [one["diverted"] for one in do.get(f"/record/{own}")["pack"]["moves"]] == [""]
        correct(own, others, "it did, says Brook Signs")
        assert do.get(f"/shipments/{others}")["diversions"] == told
        correct(surplus, theirs, "swapped with it")
        assert do.get(f"/shipments/{theirs}")["diversions"] == [], "it was filled for nobody's order"
        assert do.findings() == []

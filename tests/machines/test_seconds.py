"""Seconds of a lot that was started for an order which does not accept them: they are packed for none, and never ship for it."""

from app.catalogue.definitions import Body, Order, Product, Route, Step
from app.db import House
from tests.machines.plant import plant

STEPS = (
    Step(key="look", name="look", operation="inspect", barrier=True), Step(key="cut", name="cut", operation="singulate"),
    Step(key="test", name="test", operation="test"), Step(key="tape", name="tape", operation="tape"),
)  # fmt: skip
ORDERED: tuple[tuple[str, Body], ...] = (
    ("product", Product(part_number="TWO", rows=4, columns=5, roles=(), bin_table="B", seconds_part_number="TWO-S")),
    ("route", Route(product="TWO", revision="1", steps=STEPS)),
    ("order", Order(number="PRIME-1", customer="Arden Lights", product="TWO", units=100)),
)


def test_seconds_are_packed_without_the_order_that_refuses_them(house: House) -> None:
    with plant(house, *ORDERED) as do:
        lot = do.lot(do.panels(1), product="TWO", order="PRIME-1")
        do.run("Scope", lot)
        units = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
        bins = do.post(f"/runs/{do.start('Tester', units)}/bins", bins=[{"bin": "B1", "units": 12}, {"bin": "B2", "units": 8}])["bins"]
        lots = {one["bin"]: one["lot"] for one in bins}
        asked = {"station": do.at["Taper"], "line_clear": True}
        prime = do.post("/packs", parts=[{"lot": lots["B1"], "units": 12}], size=12, **asked)["pack"]
        assert do.get(f"/record/{prime}")["pack"]["order"] == "PRIME-1"
        assert "off the tape" in do.post("/scrap", 422, thing=prime, units=12, reason="came back wet")["now"]
        do.post("/scrap", thing=do.post(f"/packs/{prime}/take_off_tape")["lot"], units=12, reason="came back wet")
        parts = [{"lot": lots["B2"], "units": 8}]
        assert do.post("/packs", 409, parts=parts, size=8, order="PRIME-1", **asked)["kind"] == "grade_unwanted"
        second = do.post("/packs", parts=parts, size=8, **asked)["pack"]
        told = do.get(f"/record/{second}")["pack"]
        assert (told["part_number"], told["order"]) == ("TWO-S", "")
        assert do.post("/shipments", 409, packs=[second], customer="Arden Lights", order="PRIME-1")["kind"] == "grade_unwanted"


def test_a_shift_that_the_site_has_not_is_refused_by_name(house: House) -> None:
    with plant(house) as do:
        assert do.get("/shift_report?shift=dawn", 422)["reasons"][0]["where"] == "shift"

"""At a shipment, older packs that could have gone instead are named: of the same bin, and of no other order."""

from app.catalogue.definitions import Body, Customer, Order, Product, Route, Station, Step
from app.db import House
from tests.machines.plant import plant

STEPS = (
    Step(key="1", name="look", operation="inspect", barrier=True), Step(key="2", name="break", operation="singulate"),
    Step(key="3", name="test", operation="test"), Step(key="4", name="tape", operation="tape"),
)  # fmt: skip
MORE: tuple[tuple[str, Body], ...] = (
    ("product", Product(part_number="BARE", rows=4, columns=5, roles=(), units_per_reel=5)),
    ("route", Route(product="BARE", revision="1", steps=STEPS)),
    ("station", Station(name="Reeler", area="hall", operations=("test", "tape"))),
    ("customer", Customer(name="Umbrel")),
    ("order", Order(number="7", customer="Umbrel", product="BARE", units=100)),
    ("order", Order(number="8", customer="Umbrel", product="BARE", units=100)),
)


def test_the_older_packs_named_are_of_the_same_bin_and_of_no_other_order(house: House) -> None:
    with plant(house, *MORE) as do:
        lot = do.lot(do.panels(2), product="BARE")
        do.run("Scope", lot)
        units = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
        tested = do.post(f"/runs/{do.start('Reeler', units)}/bins", bins=[{"bin": "WARM", "units": 10}, {"bin": "COLD", "units": 30}])["bins"]
        of_bin = {one["bin"]: one["lot"] for one in tested}
        do.mount("Reeler", do.batch("TAPE"))

        def reel(bin_: str, order: str | None) -> str:
            parts = [{"lot": of_bin[bin_], "units": 5}]
            return str(do.post("/packs", station=do.at["Reeler"], parts=parts, line_clear=True, order=order)["pack"])

        _, free, _, same, going = reel("WARM", "7"), reel("COLD", None), reel("COLD", "8"), reel("COLD", "7"), reel("COLD", "7")
        shipped = do.post("/shipments", packs=[going, going], customer="Umbrel", order="7")
        assert (shipped["packs"], shipped["older_left"]) == ([going], [free, same]), "a code that was read twice is one pack"


def test_an_older_pack_is_where_its_corrected_move_says(house: House) -> None:
    with plant(house, *MORE) as do:
        lot = do.lot(do.panels(1), product="BARE")
        do.run("Scope", lot)
        units = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
        of_bin = do.post(f"/runs/{do.start('Reeler', units)}/bins", bins=[{"bin": "COLD", "units": 20}])["bins"][0]["lot"]
        do.mount("Reeler", do.batch("TAPE"))
        here, away, going = (
            str(do.post("/packs", station=do.at["Reeler"], parts=[{"lot": of_bin, "units": 5}], line_clear=True)["pack"]) for _ in range(3)
        )
        for pack, kind, place in ((here, "stock", "shelf 5"), (away, "outside", "Tolland Slicing")):
            do.post("/moves", thing=pack, kind="stock", place="shelf 4")
            (move,) = do.get(f"/things/{pack}/moves")["moves"]
            do.post(f"/moves/{move['move']}/correct", kind=kind, place=place, reason="the one beside it was scanned")
        assert do.post("/shipments", packs=[going], customer="Umbrel")["older_left"] == [here]

"""At a shipment, older packs that could have gone instead are named: of the same bin, and of no other order."""

from app.catalogue.definitions import Body, Customer, Order, Product, Route, Station, Step
from app.db import House
from tests.machines.plant import Plant, plant

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


def binned(do: Plant, product: str = "BARE", **units: int) -> dict[str, str]:
    """Loose lots by bin, of panels that hold 20 each, at a reeler with its tape on."""
    lot = do.lot(do.panels(sum(units.values()) // 20), product=product)
    do.run("Scope", lot)
    loose = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
    bins = [{"bin": name, "units": n} for name, n in units.items()]
    if not do.get(f"/stations/{do.at['Reeler']}")["loaded"]:
        do.mount("Reeler", do.batch("TAPE"))
    return {one["bin"]: one["lot"] for one in do.post(f"/runs/{do.start('Reeler', loose)}/bins", bins=bins)["bins"]}


def test_the_older_packs_named_are_of_the_same_bin_and_of_no_other_order(house: House) -> None:
    with plant(house, *MORE) as do:
        of_bin = binned(do, WARM=10, COLD=30)

        def reel(bin_: str, order: str | None) -> str:
            parts = [{"lot": of_bin[bin_], "units": 5}]
            return str(do.post("/packs", station=do.at["Reeler"], parts=parts, line_clear=True, order=order)["pack"])

        _, free, _, same, going = reel("WARM", "7"), reel("COLD", None), reel("COLD", "8"), reel("COLD", "7"), reel("COLD", "7")
        shipped = do.post("/shipments", packs=[going, going], customer="Umbrel", order="7")
        assert (shipped["packs"], shipped["older_left"]) == ([going], [free, same]), "a code that was read twice is one pack"


def test_an_older_pack_is_where_its_corrected_move_says(house: House) -> None:
    with plant(house, *MORE) as do:
        of_bin = binned(do, COLD=20)["COLD"]
        here, away, going = (
            str(do.post("/packs", station=do.at["Reeler"], parts=[{"lot": of_bin, "units": 5}], line_clear=True)["pack"]) for _ in range(3)
        )
        for pack, kind, place in ((here, "stock", "shelf 5"), (away, "outside", "Tolland Slicing")):
            do.post("/moves", thing=pack, kind="stock", place="shelf 4")
            (move,) = do.get(f"/things/{pack}/moves")["moves"]
            do.post(f"/moves/{move['move']}/correct", kind=kind, place=place, reason="the one beside it was scanned")
        assert do.post("/shipments", packs=[going], customer="Umbrel")["older_left"] == [here]

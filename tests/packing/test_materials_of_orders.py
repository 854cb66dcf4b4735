"""What an order asks of tape and bag binds the pack that is filled for it, whatever order its lot was started for."""

from sqlalchemy import event

from app.catalogue.definitions import Body, Customer, Need, Order, OrderMaterial, Part, Product, Route, Station, Step
from app.db import House
from tests.machines.plant import Plant, plant

STEPS = (
    Step(key="look", name="look", operation="inspect", barrier=True), Step(key="cut", name="cut", operation="singulate"),
    Step(key="test", name="test", operation="test"),
    Step(key="tape", name="tape", operation="tape", needs=(Need(kind="cover tape", by_order=True),)),
    Step(key="dry", name="dry", operation="dry pack", needs=(Need(kind="bag", by_order=True),)),
)  # fmt: skip
ASKED = (OrderMaterial(kind="cover tape", part="CLEAR"), OrderMaterial(kind="bag", part="FOIL"))
PRODUCT = Product(part_number="WRAPPED", rows=4, columns=5, roles=(), bin_table="B", units_per_reel=10)
MORE: tuple[tuple[str, Body], ...] = (
    ("product", PRODUCT),
    ("route", Route(product="WRAPPED", revision="1", steps=STEPS)), ("customer", Customer(name="Umbrel")),
    ("order", Order(number="77", customer="Umbrel", product="WRAPPED", units=100, materials=ASKED)),
    ("station", Station(name="Winder", area="hall", operations=("tape",))),
    ("part", Part(number="CLEAR", kind="cover tape")), ("part", Part(number="MILKY", kind="cover tape")), ("part", Part(number="FOIL", kind="bag")),
    ("part", Part(number="PAPER", kind="bag")),
)  # fmt: skip


def good(do: Plant, lot: str = "") -> str:
    lot = lot or do.lot(do.panels(1), product="WRAPPED")
    do.run("Scope", lot)
    loose = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
    (one,) = do.post(f"/runs/{do.start('Tester', loose)}/bins", bins=[{"bin": "B1", "units": 20}])["bins"]
    return str(one["lot"])


def test_the_order_of_a_pack_chooses_its_tape_and_its_bag(house: House) -> None:
    with plant(house, *MORE) as do:
        parts = [{"lot": good(do), "units": 10}]
        milky, paper = do.batch("MILKY"), do.batch("PAPER")
        do.mount("Winder", milky)
        do.mount("Bagger", paper)
        refused = do.post("/packs", 409, station=do.at["Winder"], parts=parts, line_clear=True, order="77")
        assert (refused["kind"], refused["detail"]) == ("order_differs", f"Order 77 asks for cover tape CLEAR; {milky} is MILKY.")
        free = do.post("/packs", station=do.at["Winder"], parts=[parts[0] | {"units": 3}], line_clear=True, short_reason="sample")["pack"]
        do.post(f"/packs/{free}/dry_pack", station=do.at["Bagger"])  # for whoever will have it
        do.post(f"/stations/{do.at['Winder']}/change_over", item=do.batch("CLEAR"))
        pack = do.post("/packs", station=do.at["Winder"], parts=parts, line_clear=True, order="77")["pack"]
        refused = do.post(f"/packs/{pack}/dry_pack", 409, station=do.at["Bagger"])
        assert (refused["kind"], refused["detail"]) == ("order_differs", f"Order 77 asks for bag FOIL; {paper} is PAPER.")
        do.post(f"/stations/{do.at['Bagger']}/change_over", item=do.batch("FOIL"))
        assert do.post(f"/packs/{pack}/dry_pack", station=do.at["Bagger"])["dry_packed"]


BOND = Step(key="bond", name="bond", operation="wire bond", needs=(Need(kind="wire"),))
GOLD = Order(number="78", customer="Umbrel", product="WIRED", units=100, materials=(OrderMaterial(kind="wire", part="AU20"),))
WIRED: tuple[tuple[str, Body], ...] = (
    ("product", PRODUCT.model_copy(update={"part_number": "WIRED"})), ("order", GOLD),
    ("route", Route(product="WIRED", revision="1", steps=(BOND, *STEPS[:3], Step(key="tape", name="tape", operation="tape")))),
)  # fmt: skip


def test_units_that_were_made_with_another_wire_are_not_packed_for_an_order_nor_ship_on_it(house: House) -> None:
    with plant(house, *MORE, *WIRED) as do:
        silver, lots = do.batch("AG20"), []
        for wire in (silver, do.batch("AU20")):
            do.post(f"/stations/{do.at['Bond 1']}/change_over", item=wire)
            lot = do.lot(do.panels(1), product="WIRED")
            do.run("Bond 1", lot)
            lots.append(good(do, lot))
        of_silver, of_gold = ([{"lot": lot, "units": 5}] for lot in lots)
        refused = do.post("/packs", 409, station=do.at["Winder"], parts=of_gold + of_silver, line_clear=True, order="78")
        assert (refused["kind"], refused["detail"]) == ("order_differs", f"Order 78 asks for wire AU20; {silver} in it is AG20.")
        free, right = (
            do.post("/packs", station=do.at["Winder"], parts=parts, line_clear=True, order=order, short_reason="no more")["pack"]
            for parts, order in ((of_silver, None), (of_gold, "78"))
        )
        assert do.post("/shipments", 409, packs=[free], customer="Umbrel", order="78")["kind"] == "order_differs"
        do.post("/shipments", packs=[right], customer="Umbrel", order="78")
        do.post("/shipments", packs=[free], customer="Umbrel")


def test_a_pack_for_an_order_with_materials_walks_up_its_lots_once(house: House) -> None:
    with plant(house, *MORE, *WIRED) as do:
        do.mount("Bond 1", do.batch("AU20"))
        lot = do.lot(do.panels(1), product="WIRED")
        do.run("Bond 1", lot)
        parts, asked = [{"lot": good(do, lot), "units": 10}], list[str]()
        event.listen(house.write_engine, "before_cursor_execute", lambda *args: asked.append(args[2]))
        do.post("/packs", station=do.at["Winder"], parts=parts, line_clear=True, order="78")
        assert sum("f.units, f.e from above" in statement for statement in asked) == 1


def test_a_thick_wire_that_the_step_names_is_fine_beside_the_thin_one_of_the_order(house: House) -> None:
    needs = (Need(kind="wire", part="AG50"), Need(kind="wire", by_order=True))
    steps = (Step(key="bond", name="bond", operation="wire bond", needs=needs), *STEPS[:3], Step(key="tape", name="tape", operation="tape"))
    order = Order(number="79", customer="Umbrel", product="TWICE", units=100, materials=(OrderMaterial(kind="wire", part="AU20"),))
    product, route = PRODUCT.model_copy(update={"part_number": "TWICE"}), Route(product="TWICE", revision="1", steps=steps)
    more: tuple[tuple[str, Body], ...] = (("product", product), ("order", order), ("route", route), ("part", Part(number="AG50", kind="wire")))
    with plant(house, *MORE, *more) as do:
        do.mount("Bond 1", do.batch("AG50"))
        do.post(f"/stations/{do.at['Bond 1']}/mount", item=do.batch("AU20"), place="thin wire")
        lot = do.lot(do.panels(1), product="TWICE", order="79")
        do.run("Bond 1", lot)
        do.post("/packs", station=do.at["Winder"], parts=[{"lot": good(do, lot), "units": 10}], line_clear=True, order="79")


PLAIN: tuple[tuple[str, Body], ...] = (
    ("product", PRODUCT.model_copy(update={"part_number": "PLAIN"})), ("customer", Customer(name="Ochre Lamps")),
    ("route", Route(product="PLAIN", revision="1", steps=(*STEPS[:3], Step(key="tape", name="tape", operation="tape")))),
    ("order", Order(number="81", customer="Umbrel", product="PLAIN", units=100)),
    ("order", Order(number="82", customer="Ochre Lamps", product="PLAIN", units=100)),
)  # fmt: skip


def test_of_lots_that_were_started_for_different_orders_it_is_said_for_which_the_pack_is(house: House) -> None:
    """It was the first lot's, with its customer on the label, and nobody had said so."""
    with plant(house, *MORE, *PLAIN) as do:
        lots = [good(do, do.lot(do.panels(1), product="PLAIN", order=number)) for number in ("81", "82")]
        parts = [{"lot": lot, "units": 5} for lot in lots]
        refused = do.post("/packs", 409, station=do.at["Winder"], parts=parts, line_clear=True)
        assert (refused["kind"], refused["detail"]) == ("order_differs", "They were started for different orders.")
        pack = do.post("/packs", station=do.at["Winder"], parts=parts, line_clear=True, order="82")["pack"]
        assert do.get(f"/packs/{pack}")["order"] == "82"

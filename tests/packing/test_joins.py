"""A join makes one pack of several, and so one order's of several orders': that would go to a customer for whom part of it was never filled."""

from app.db import House
from tests.machines.plant import plant
from tests.packing.test_oldest_first import MORE, binned


def test_packs_of_different_orders_are_not_joined(house: House) -> None:
    with plant(house, *MORE) as do:
        parts = [{"lot": binned(do, COLD=40)["COLD"], "units": 5}]
        seven, eight, also_seven = (
            do.post("/packs", station=do.at["Reeler"], parts=parts, line_clear=True, order=order)["pack"] for order in ("7", "8", "7")
        )
        assert do.post("/packs/join", 409, packs=[seven, eight])["kind"] == "order_differs"
        assert do.post("/packs/join", packs=[seven, also_seven])["units"] == 10

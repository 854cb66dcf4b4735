"""A join makes one pack of several: of one order, of no more lots than its product allows, and of no more units than a reel holds."""

import re

from people.signing_in import person, sign_in

from app.catalogue.definitions import Product, Route
from app.db import House
from app.machines.told_before import told_before
from tests.machines.plant import plant
from tests.packing.test_oldest_first import MORE, STEPS, binned

TWO = Product(part_number="TWO", rows=4, columns=5, roles=(), units_per_reel=15, max_lots_per_pack=2)


def test_packs_of_different_orders_are_not_joined(house: House) -> None:
    with plant(house, *MORE) as do:
        parts = [{"lot": binned(do, COLD=40)["COLD"], "units": 5}]
        seven, eight, also_seven = (
            do.post("/packs", station=do.at["Reeler"], parts=parts, size=10, short_reason="half", line_clear=True, order=order)["pack"]
            for order in ("7", "8", "7")
        )
        assert do.post("/packs/join", 409, packs=[seven, eight])["kind"] == "order_differs"
        assert do.post("/packs/join", packs=[seven, also_seven])["units"] == 10


def test_a_joined_pack_is_of_no_more_lots_than_its_product_allows_and_as_old_as_its_oldest(house: House) -> None:
    with plant(house, *MORE, ("product", TWO), ("route", Route(product="TWO", revision="1", steps=STEPS))) as do:
        lots = [binned(do, product="TWO", COLD=20)["COLD"] for _ in range(3)]
        weeks = ["2026-03-04", "2026-02-18", "2026-03-11"]
        packs = [
            do.post(
                "/packs", station=do.at["Reeler"], parts=[{"lot": lot, "units": 5}], line_clear=True, fact=True, happened_at=f"{day}T12:00:00Z"
            )["pack"]
            for lot, day in zip(lots, weeks, strict=True)
        ]  # fmt: skip
        for hold in do.get("/holds")["holds"]:  # told late
            do.post(f"/holds/{hold['hold']}/release", disposition="concession", words="as it was", **do.signed)
        assert do.post("/packs/join", 409, packs=packs)["kind"] == "too_many_lots"
        joined = do.post("/packs/join", packs=packs[:2])
        assert (joined["units"], joined["date_code"]) == (10, "2608")
        three = do.post("/packs/join", packs=[joined["pack"], packs[2]], fact=True)["pack"]
        (hold,) = do.get(f"/stops/{three}")["holds"]
        assert "3 lots; 2 are allowed" in hold["reason"]


def test_a_loose_lot_of_too_many_lots_is_told_of_before_it_is_merged_and_when_no_pack_takes_it(house: House) -> None:
    """A pack was refused with *Begin another pack*: no other takes it either."""
    with plant(house, *MORE, ("product", TWO), ("route", Route(product="TWO", revision="1", steps=STEPS))) as do:
        one, two, three = (binned(do, product="TWO", COLD=20)["COLD"] for _ in range(3))

        def told(*lots: str) -> str:
            with house.reading() as session:
                before = told_before(session, "/lots/{lot}/merge", {"lot": lots[0], "others": " ".join(lots[1:])})
            assert before is not None
            return before.unpackable

        def refused(*lots: str) -> str:
            parts = [{"lot": lot, "units": 5} for lot in lots]
            return str(do.post("/packs", 409, station=do.at["Reeler"], parts=parts, line_clear=True)["now"])

        assert told(one, two) == "" and told(one, two, three) == "The pack would hold units of 3 lots; 2 are allowed."
        assert refused(one, two, three) == "Begin another pack."
        mixed = do.post(f"/lots/{one}/merge", others=[two, three])["lot"]
        assert refused(mixed).startswith(f"{mixed} has too many by itself")
        sign_in(do.client, person(house, "Mara", "operate"))
        form = do.client.get("/do/act", params={"call": "/lots/{lot}/merge"}).text
        sent = dict(re.findall(r'type="hidden" name="(form_token|key|call)" value="([^"]*)"', form))
        more = {"lot": mixed, "others": binned(do, product="TWO", COLD=20)["COLD"]}
        assert "no pack could be filled from it" in do.client.post("/do/act", data=sent | more, headers={"Origin": "http://testserver"}).text


def test_a_joined_pack_holds_no_more_than_the_largest_of_its_parts_is_made_for(house: House) -> None:
    with plant(house, *MORE) as do:
        lot = binned(do, COLD=60)["COLD"]

        def reel(units: int, size: int) -> str:
            how = {"size": size, "line_clear": True, "short_reason": "the rest" if units < size else None}
            return str(do.post("/packs", station=do.at["Reeler"], parts=[{"lot": lot, "units": units}], **how)["pack"])

        full, small, large = reel(5, 5), reel(5, 5), reel(5, 12)
        refused = do.post("/packs/join", 409, packs=[full, small])
        assert (refused["kind"], refused["reasons"][0]["why"]) == (
            "capacity", f"One pack of them holds 5 units, and 10 come: {full} holds 5, {small} holds 5.",
        )  # fmt: skip
        assert do.get(f"/packs/{full}")["units"] == 5, "nothing half done"
        twice = do.post("/packs/join", 422, packs=[large, small, large])
        assert twice["reasons"][0]["why"] == f"{large} is named more than once."
        joined = do.post("/packs/join", packs=[full, large])
        assert joined["units"] == 10
        more = do.post("/packs/join", packs=[joined["pack"], small], fact=True)
        (hold,) = do.get(f"/stops/{more['pack']}")["holds"]
        assert (more["units"], "12 units, and 15 come" in hold["reason"]) == (15, True)

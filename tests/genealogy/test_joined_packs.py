"""Two packs that were taped with the same tape and then joined: all of their units had it, back as forward."""

from app.catalogue.definitions import Product, Route, Step
from app.db import House
from tests.machines.plant import plant

STEPS = (
    Step(key="look", name="look", operation="inspect", barrier=True),
    Step(key="cut", name="cut", operation="singulate"),
    Step(key="test", name="test", operation="test"),
    Step(key="tape", name="tape", operation="tape"),
)
TAPED = (
    ("product", Product(part_number="TAPED", rows=4, columns=5, roles=(), bin_table="B", units_per_reel=30)),
    ("route", Route(product="TAPED", revision="1", steps=STEPS)),
)


def test_a_tape_of_two_runs_is_of_all_their_units(house: House) -> None:
    with plant(house, *TAPED) as do:
        lot = do.lot(do.panels(1), product="TAPED")
        do.run("Scope", lot)
        loose = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
        good = do.post(f"/runs/{do.start('Tester', loose)}/bins", bins=[{"bin": "B1", "units": 20}])["bins"][0]["lot"]
        first, second = do.batch("TAPE"), do.batch("TAPE")
        do.mount("Taper", first)
        how = {"station": do.at["Taper"], "line_clear": True, "short_reason": "the rest"}

        def fill(units: int) -> str:
            return str(do.post("/packs", parts=[{"lot": good, "units": units}], **how)["pack"])

        packs = [fill(6), fill(3)]
        do.post(f"/stations/{do.at['Taper']}/change_over", item=second)
        joined = do.post("/packs/join", packs=[*packs, fill(4)])["pack"]
        told = {one["code"]: (one["least"], one["greatest"]) for one in do.get(f"/trace/{joined}")["batches"]}
        assert (told[first], told[second]) == ((9, 9), (4, 4))
        for tape in (first, second):
            forward = next(one for one in do.get(f"/trace/{tape}?direction=forward")["packs"] if one["code"] == joined)
            exposed = next(one for one in do.get(f"/exposure?suspect={tape}")["packs"] if one["code"] == joined)
            assert (forward["least"], forward["greatest"]) == (exposed["least"], exposed["greatest"]) == told[tape]


def test_a_reel_of_two_lots_is_traced_forward_with_all_its_units(house: House) -> None:
    with plant(house, *TAPED) as do:
        goods = []
        for _ in range(2):
            lot = do.lot(do.panels(1), product="TAPED")
            do.run("Scope", lot)
            loose = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
            goods.append(do.post(f"/runs/{do.start('Tester', loose)}/bins", bins=[{"bin": "B1", "units": 20}])["bins"][0]["lot"])
        do.mount("Taper", do.batch("TAPE"))
        parts = [{"lot": goods[0], "units": 7}, {"lot": goods[1], "units": 5}]
        pack = do.post("/packs", station=do.at["Taper"], parts=parts, line_clear=True, short_reason="all there is")["pack"]
        new = do.post(f"/packs/{pack}/re_reel")["pack"]
        for reel in (pack, new):
            found = {one["code"]: (one["least"], one["greatest"]) for one in do.get(f"/trace/{reel}?direction=forward")["packs"]}
            assert found[new] == (12, 12), reel

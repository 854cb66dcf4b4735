"""A seal whose step records values: they are asked for and judged by their limits, over the API and at the terminal."""

from people.signing_in import person
from scan.test_terminal_pages import Screen

from app.catalogue.definitions import Product, Record, Route, Step
from app.db import House
from tests.machines.plant import Plant, plant

STEPS = (
    Step(key="look", name="look", operation="inspect", barrier=True), Step(key="cut", name="cut", operation="singulate"),
    Step(key="test", name="test", operation="test"), Step(key="tape", name="tape", operation="tape"),
    Step(key="dry", name="dry", operation="dry pack", records=(Record(name="seal bar", unit="°C", low=180, high=200),)),
)  # fmt: skip
PRODUCT = Product(part_number="BAGGED", rows=4, columns=5, roles=(), bin_table="B", units_per_reel=20)
MORE = (("product", PRODUCT), ("route", Route(product="BAGGED", revision="1", steps=STEPS)))


def reel(do: Plant) -> str:
    lot = do.lot(do.panels(1), product="BAGGED")
    do.run("Scope", lot)
    loose = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
    (good,) = do.post(f"/runs/{do.start('Tester', loose)}/bins", bins=[{"bin": "B1", "units": 20}])["bins"]
    return str(do.post("/packs", station=do.at["Taper"], parts=[{"lot": good["lot"], "units": 20}], line_clear=True)["pack"])


def test_a_seal_asks_for_what_its_step_records_and_holds_what_is_out_of_limits(house: House) -> None:
    with plant(house, *MORE) as do:
        pack = reel(do)
        refused = do.post(f"/packs/{pack}/dry_pack", 422, station=do.at["Bagger"])
        assert (refused["reasons"][0]["where"], refused["reasons"][0]["why"]) == ("values.seal bar", "seal bar is not recorded.")
        sealed = do.post(f"/packs/{pack}/dry_pack", station=do.at["Bagger"], values=[{"name": "seal bar", "value": 171}])
        (reading,) = do.get(f"/runs/{sealed['runs'][-1]}")["readings"]
        assert (reading["name"], reading["value"], reading["unit"], reading["within"]) == ("seal bar", 171, "°C", False)
        assert do.get(f"/stops/{pack}")["holds"][0]["reason"] == "seal bar is 171 °C; it must be 180 to 200."
        assert do.findings() == []


def test_a_pack_that_lies_sealed_is_sealed_again_only_where_it_is_said(house: House) -> None:
    """A machine that reads its scanner twice would have given a label to a reel that is not there."""
    with plant(house, *MORE) as do:
        pack = reel(do)
        told = {"station": do.at["Bagger"], "values": [{"name": "seal bar", "value": 190}]}
        assert do.post(f"/packs/{pack}/dry_pack", **told)["pack"] == pack
        refused = do.post(f"/packs/{pack}/dry_pack", 409, **told)
        assert (refused["kind"], refused["reasons"][0]["why"]) == ("finished", f"{pack} lies sealed in its bag.")
        assert do.get(f"/packs/{pack}")["units"] == 20
        anew = do.post(f"/packs/{pack}/dry_pack", again=True, **told)["pack"]
        assert anew != pack and do.get(f"/packs/{anew}")["dry_packed"]
        told_late = do.post(f"/packs/{anew}/dry_pack", fact=True, **told)["pack"]
        assert do.get(f"/stops/{told_late}")["stopped"], "a fact is recorded, and what nobody said is for quality to look at"
        assert do.findings() == []


def test_the_terminal_asks_for_it(house: House) -> None:
    with plant(house, *MORE) as do:
        pack = reel(do)
        ola = Screen(do.client.app, person(house, "Ola", "operate"))
        ola.get(f"/floor?station={do.at['Bagger']}")
        ola.scan(pack)
        assert ola.heading == f"Seal {pack} in its bag?" and "seal bar" in ola.page
        ola.send("/floor/finish", **{"value.seal bar": "190"})
        ola.send("/floor/finish", confirmed="yes")
        assert ola.said.startswith(f"{pack} is in its bag")
        run = do.get(f"/packs/{pack}")["runs"][-1]
        assert [one["value"] for one in do.get(f"/runs/{run}")["readings"]] == [190]

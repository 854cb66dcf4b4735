"""A lot that is tested in two stages, each by a bin table of its own; and what a test of several lots could not tell."""

from people.signing_in import person, sign_in

from app.catalogue.check import problems
from app.catalogue.definitions import BinEntry, BinTableBody, Body, Catalogue, Product, Rank, Route, Step
from app.db import House
from tests.machines.plant import plant

STEPS = (
    Step(key="look", name="look", operation="inspect", barrier=True),
    Step(key="cut", name="cut", operation="singulate", count="weight"),
    Step(key="cold", name="cold test", operation="test", bin_table="COLD"),
    Step(key="hot", name="hot test", operation="test"),
)
COLD = BinTableBody(
    name="COLD", unbinned="NO", failed="NO",
    bins=(BinEntry(name="GO", grade="prime", ranks=(Rank(column="Vf", low=2.5, high=3.5),)), BinEntry(name="NO", grade="reject")),
)  # fmt: skip
STAGED: tuple[tuple[str, Body], ...] = (
    ("bin_table", COLD), ("product", Product(part_number="STAGED", rows=4, columns=5, roles=(), bin_table="B")),
    ("route", Route(product="STAGED", revision="1", steps=STEPS)),
)  # fmt: skip


def test_each_stage_sorts_by_its_own_table_and_a_test_has_one_lot(house: House) -> None:
    with plant(house, *STAGED) as do:
        lot = do.lot(do.panels(1), product="STAGED")
        do.run("Scope", lot)
        cut = do.start("Saw", lot)
        loose = do.post(f"/runs/{cut}/singulate", counted={"units": 15, "method": "weight", "u": 1})
        assert (loose["units"], loose["difference"], loose["within"]) == (20, -5, False)
        do.post("/counts/sign", thing=loose["lot"], words="spilled", **do.signed)
        cold = do.start("Tester", loose["lot"])
        file = "unit,result,Vf\n" + "".join(f"{n},{'OPEN' if n == 1 else 'PASS'},{3.7 if n == 2 else 3.1}\n" for n in range(1, 16))
        sorted_ = {one["bin"]: one for one in do.post(f"/runs/{cold}/unit_results", files=[("file", ("cold.csv", file.encode()))])["bins"]}
        assert {name: one["units"] for name, one in sorted_.items()} == {"GO": 13, "NO": 2}
        both = [sorted_["GO"]["lot"], sorted_["NO"]["lot"]]
        assert do.post("/runs", 409, station=do.at["Tester"], things=both, line_clear=True)["kind"] == "steps_differ"
        hot = do.start("Tester", both[0])
        assert "B1, B2, R" in do.post(f"/runs/{hot}/bins", 422, bins=[{"bin": "GO", "units": 13}])["detail"]
        (counted,) = do.post(f"/runs/{hot}/bins", bins=[{"bin": "B1", "units": 13}])["bins"]
        assert counted["bin"] == "B1"
        sign_in(do.client, person(house, "Mara", "operate"))
        for one, has_results in ((both[0], True), (counted["lot"], False)):  # of what was only counted there are none to lead to
            assert (f"/lots/{one}/results" in do.client.get(f"/lots/{one}").text) is has_results
        assert do.findings() == []


def test_a_bin_table_belongs_to_a_test_and_must_be_there() -> None:
    steps = (STEPS[0].model_copy(update={"bin_table": "COLD"}), STEPS[1], STEPS[3].model_copy(update={"bin_table": "MILD"}))
    found = problems(Catalogue(bin_tables=(COLD,), routes=(Route(product="STAGED", revision="1", steps=steps),)), Catalogue())
    said = [one.why for one in found if one.path[-1] == "bin_table"]
    assert said == ["Step look is inspect: only a test sorts into bins.", "There is no bin table MILD."]


def test_a_number_with_a_slash_is_asked_for_beside_the_address(house: House) -> None:
    with plant(house) as do:
        frames = do.batch("FRAME")
        (panel,) = do.post("/panels", frames=frames, marks=["Q7/26·0098"])["panels"]
        refused = do.get("/panels/Q7%2F26·0098", 404)
        assert "/api/v1/things?code=" in refused["now"]
        assert do.get("/things?code=Q7/26·0098")["code"] == panel

"""A stranger with the OpenAPI document and a machine's token: another product than the other tests have, from its catalogue to its customers.

3 x 7 cells, two roles, no window, no dry pack, a second product in the same oven; what the traces say is compared with the books kept here.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from people.signing_in import choose_own, token

from app.db import House
from app.main import make_app

TOML = """\
[site]
name = "Hall 2"
zone = "Europe/Lisbon"

[[parts]]
number = "AMB"
kind = "wafer"
role = "amber"
passing_bins = ["1"]

[[parts]]
number = "WHI"
kind = "wafer"
role = "white"
passing_bins = ["1"]

[[parts]]
number = "PASTE"
kind = "adhesive"

[[parts]]
number = "GOLD"
kind = "wire"

[[parts]]
number = "SILVER"
kind = "wire"

[[parts]]
number = "STRIP"
kind = "lead frame"
rows = 3
columns = 7

[[recipes]]
name = "BAKE"
set_point_c = 150
band_low_c = 145
band_high_c = 155
soak_minutes = 60

[[bin_tables]]
name = "T"
unbinned = "X"
failed = "X"
bins = [{ name = "A", grade = "prime" }, { name = "X", grade = "reject" }]

[[customers]]
name = "Northway Signs"
"""
OPERATIONS = {
    "Placer": "die attach", "Oven": "cure", "Bonder": "wire bond", "Scope": "inspect", "Saw": "singulate", "Tester": "test", "Taper": "tape",
}  # fmt: skip


def steps(*keys: str) -> list[dict[str, Any]]:
    known: dict[str, dict[str, Any]] = {
        "amber": {"operation": "die attach", "role": "amber", "needs": [{"kind": "adhesive", "part": "PASTE"}]},
        "white": {"operation": "die attach", "role": "white", "needs": [{"kind": "adhesive", "part": "PASTE"}]},
        "bake": {"operation": "cure", "recipe": "BAKE", "judged": "cure", "mixed_products": True},
        "bond": {"operation": "wire bond", "needs": [{"kind": "wire", "by_order": True}]},
        "look": {"operation": "inspect", "barrier": True}, "cut": {"operation": "singulate"}, "test": {"operation": "test"},
        "tape": {"operation": "tape"},
    }  # fmt: skip
    return [{"key": key, "name": key} | known[key] for key in keys]


REST = {
    "products": [
        {
            "part_number": "T1", "rows": 3, "columns": 7, "units_per_reel": 30, "bin_table": "T",
            "roles": [{"role": "amber", "part": "AMB"}, {"role": "white", "part": "WHI"}],
        },
        {"part_number": "T2", "rows": 3, "columns": 7, "units_per_reel": 20, "bin_table": "T", "roles": [{"role": "amber", "part": "AMB"}]},
    ],
    "routes": [
        {"product": "T1", "revision": "1", "steps": steps("amber", "white", "bake", "bond", "look", "cut", "test", "tape")},
        {"product": "T2", "revision": "7", "steps": steps("amber", "bake", "look", "cut", "test", "tape")},
    ],
    "stations": [
        {"name": name, "area": "hall", "operations": [operation], **({"shelves": ["top", "low"]} if name == "Oven" else {})}
        for name, operation in OPERATIONS.items()
    ],
    "orders": [
        {
            "number": "NS-7", "customer": "Northway Signs", "product": "T1", "units": 100, "materials": [{"kind": "wire", "part": "GOLD"}],
        }
    ],
}  # fmt: skip


@dataclass
class Stranger:
    """Calls of the API, and books of what was done: what each panel, loose lot and pack had of wafers, batches and runs."""

    client: TestClient
    bearer: str
    at: dict[str, str] = field(default_factory=dict)
    signed: dict[str, str] = field(default_factory=dict)
    had: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    keys: int = 0

    def post(self, path: str, expect: int = 200, **body: Any) -> Any:
        self.keys += 1
        headers = {"Authorization": f"Bearer {self.bearer}", "Idempotency-Key": f"key {self.keys}"}
        files, content = body.pop("files", None), body.pop("content", None)
        how: dict[str, Any] = {"files": files, "data": body} if files else {"content": content} if content else {"json": body}
        first, again = (self.client.post(f"/api/v1{path}", headers=headers, **how) for _ in range(2))
        assert first.status_code == expect, first.text
        assert again.json() == first.json(), "the same key has the same answer"
        return first.json()

    def get(self, path: str, expect: int = 200) -> Any:
        answer = self.client.get(f"/api/v1{path}", headers={"Authorization": f"Bearer {self.bearer}"})
        assert answer.status_code == expect, answer.text
        return answer.json()

    def run(self, station: str, things: list[str], *materials: str, panels: list[str] | None = None, finish: str = "finish", **more: Any) -> Any:
        """A run from start to end, entered in the books."""
        stated = {name: more.pop(name) for name in ("fact", "happened_at") if name in more}
        start = self.post("/runs", station=self.at[station], things=things, line_clear=True, **stated, **({"panels": panels} if panels else {}))
        for one in self.touched(start):
            self.had[one] |= {start["run"], *materials}
        end = self.post(f"/runs/{start['run']}/{finish}", **stated, **more)
        return start, end

    def touched(self, run: Any) -> list[str]:
        return [one for line in run["lines"] for one in [*line["panels"], *([line["item"]] if line["item"] else [])]]

    def comes_of(self, child: str, *parents: str) -> None:
        for parent in parents:
            self.had[child] |= self.had[parent]

    def traced(self, thing: str) -> set[str]:
        found = self.get(f"/trace/{thing}")
        return {row["code"] for name in ("wafers", "batches") for row in found[name]} | {run["run"] for run in found["runs"]}

    def packs_of(self, thing: str) -> set[str]:
        return {row["code"] for row in self.get(f"/trace/{thing}?direction=forward")["packs"]}

    def mount(self, station: str, item: str) -> None:
        self.post(f"/stations/{self.at[station]}/mount", item=item)


@pytest.fixture
def stranger(house: House) -> Iterator[Stranger]:
    bearer = token(house, "operate", "lead", "quality", "engineer", "administer", facts=True)
    with TestClient(make_app(house.settings, house)) as client:
        yield Stranger(client, bearer)


def set_up(me: Stranger) -> None:
    assert len(me.post("/catalogue", content=TOML.encode())["changes"]) == 10
    assert me.post("/catalogue/check", **REST)["changes"]
    me.post("/catalogue", **REST)
    assert me.post("/catalogue", **REST)["changes"] == []
    me.at = {one["name"]: one["station"] for one in me.get("/stations")}
    badge = me.post("/people", name="Pia", duties=["lead", "quality", "engineer"], password="given by Ada")["person"]
    me.signed = {"signed_by": badge, "password": choose_own(me.client, badge, "given by Ada")}
    for product, revision in (("T1", "1"), ("T2", "7")):
        seen = me.get(f"/routes/changes?product={product}&revision={revision}")["definition"]
        me.post("/routes/approve", 403, product=product, revision=revision, seen=seen, signed_by=badge, password="not hers")
        me.post("/routes/approve", product=product, revision=revision, seen=seen, **me.signed)


def wafer(me: Stranger, part: str, number: str) -> str:
    grid = f"wafer: {number}\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n" + "\n".join(["1" * 30] * 10)
    made = me.post("/wafers", files=[("files", ("map.txt", grid.encode()))], part=part, happened_at="2026-01-05T07:00:00+00:00")["wafers"][0]
    assert (made["wafer_id"], made["passing"]) == (number, 300)
    assert me.get(f"/things/{number}")["code"] == made["wafer"]
    return str(made["wafer"])


def test_a_whole_history_of_another_product(stranger: Stranger) -> None:
    me = stranger
    set_up(me)
    paste, gold, silver, strip = (me.post("/batches", part=part)["batch"] for part in ("PASTE", "GOLD", "SILVER", "STRIP"))
    a1, a2, w1 = wafer(me, "AMB", "AM-1"), wafer(me, "AMB", "AM-2"), wafer(me, "WHI", "WH-1")
    p1, p2, p3, p4, q1 = me.post("/panels", frames=strip, count=5)["panels"]
    for panel in (p1, p2, p3, p4, q1):
        me.had[panel] = {strip}
    first, second, other = (me.post("/containers", kind="magazine", name=name)["container"] for name in ("M1", "M2", "M3"))
    lot = me.post("/lots", product="T1", panels=[p1, p2, p3, p4], order="NS-7")["lot"]
    lot2 = me.post("/lots", product="T2", panels=[q1])["lot"]
    me.post(f"/containers/{first}/put", things=[p1, p2])
    me.post(f"/containers/{second}/put", things=[p3, p4])
    me.post(f"/containers/{other}/put", things=[lot2])

    # amber, with the wafer changed in mid-run: p1 is done, p2 is in work
    for item in (paste, a1):
        me.mount("Placer", item)
    amber = me.post("/runs", station=me.at["Placer"], things=[first, second])
    me.post(f"/stations/{me.at['Placer']}/change_over", item=a2, panels_done=[p1], panels_in_work=[p2])
    me.post(f"/runs/{amber['run']}/finish")
    for panel, wafers in ((p1, {a1}), (p2, {a1, a2}), (p3, {a2}), (p4, {a2})):
        me.had[panel] |= {amber["run"], paste} | wafers
    me.run("Placer", [other], paste, a2)

    # white: entered for the wrong magazine first
    me.post(f"/stations/{me.at['Placer']}/change_over", item=w1)
    wrong = me.post("/runs", station=me.at["Placer"], things=[second])["run"]
    assert me.post("/runs", 409, station=me.at["Placer"], things=[second])["kind"] == "in_work"
    me.post(f"/runs/{wrong}/finish")
    assert me.get(f"/next/{second}")["groups"][0]["next_step"] == "bake"
    assert me.post(f"/runs/{wrong}/void", reason="it was the other magazine")["voided"]
    assert me.get(f"/next/{second}")["groups"][0]["next_step"] == "white"
    me.run("Placer", [first], paste, w1)
    me.run("Placer", [second], paste, w1)

    # one oven, both products
    load = me.post("/loads", station=me.at["Oven"], recipe="BAKE")["load"]
    me.post(f"/loads/{load}/put", things=[first, second], shelf="top")
    seen = me.post(f"/loads/{load}/put", things=[other], shelf="low")["version"]
    oven = me.post(f"/loads/{load}/start", version=seen)["run"]
    lines = me.post(f"/loads/{load}/end")["lines"]
    for panel in (p1, p2, p3, p4, q1):
        me.had[panel].add(oven)
    assert me.post("/runs", 409, station=me.at["Scope"], things=[other])["kinds"] == ["judgement_open", "barrier_open"]

    # at risk up to the barrier; gold only, by the order; the second magazine is told late
    me.mount("Bonder", silver)
    me.post("/at_risk", things=[first, second], reason="the file comes tomorrow", **me.signed)
    assert me.post("/runs", 409, station=me.at["Bonder"], things=[first])["kinds"] == ["order_differs"]
    me.post(f"/stations/{me.at['Bonder']}/change_over", item=gold)
    me.run("Bonder", [first], gold)
    late = (datetime.now(UTC) - timedelta(seconds=1)).isoformat()
    told, _ = me.run("Bonder", [second], gold, fact=True, happened_at=late)
    assert me.post("/runs", 409, station=me.at["Scope"], things=[first])["kind"] == "barrier_open"
    for line in lines:
        me.post(f"/lines/{line['line']}/disposition", what="concession", words="the chart was read", **me.signed)
    for hold in me.get("/holds")["holds"]:  # a fact against a rule, or told late, is held
        me.post(f"/holds/{hold['hold']}/release", disposition="concession", words="looked at", **me.signed)
    assert me.get(f"/runs/{told['run']}")["started_at"].replace("Z", "+00:00") == late
    me.post(f"/panels/{p3}/marks", cells=[{"row": 3, "column": 7}], reason="scratched")
    me.post(f"/panels/{p3}/marks", 422, cells=[{"row": 7, "column": 3}], reason="scratched")
    for box in (first, second, other):
        me.run("Scope", [box])

    # loose units, tested
    loose = {}
    for box, panels, units in ((first, [p1, p2], 42), (second, [p3, p4], 41), (other, [q1], 21)):
        _, cut = me.run("Saw", [box], finish="singulate")
        assert cut["units"] == units
        me.comes_of(cut["lot"], *panels)
        _, bins = me.run("Tester", [cut["lot"]], finish="bins", bins=[{"bin": "A", "units": units - 2}, {"bin": "X", "units": 2}])
        loose[box] = next(one["lot"] for one in bins["bins"] if one["bin"] == "A")
        me.comes_of(loose[box], cut["lot"])
    assert me.get(f"/lots/{lot}")["counts"]["closes"]

    # reels: the second has units of both loose lots, and its outer end is cut off
    def reel(*parts: tuple[str, int], **more: Any) -> str:
        made = me.post("/packs", station=me.at["Taper"], parts=[{"lot": one, "units": n} for one, n in parts], line_clear=True, **more)
        runs = {run["run"] for run in me.get(f"/trace/{made['pack']}")["runs"] if run["operation"] == "tape"}
        me.comes_of(made["pack"], *(one for one, _ in parts))
        me.had[made["pack"]] |= runs
        assert runs == set(made["runs"]) and len(runs) == 1
        return str(made["pack"])

    k1, k2 = reel((loose[first], 30), order="NS-7"), reel((loose[first], 10), (loose[second], 20))
    k3, k5 = reel((loose[second], 19), short_reason="the last of it"), reel((loose[other], 19), short_reason="the last of it")
    tape = me.had[k2] - me.had[loose[first]] - me.had[loose[second]]
    k4 = me.post(f"/packs/{k2}/cut", units=15)["pack"]
    me.had[k4] = me.had[loose[second]] | tape
    assert [one["lot"] for one in me.get(f"/packs/{k4}")["fills"]] == [loose[second]]

    for pack in (k1, k2, k3, k4, k5):
        assert me.traced(pack) == me.had[pack], pack
    assert wrong not in set.union(*me.had.values())
    everything = {k1, k2, k3, k4, k5}
    for thing in (a1, a2, w1, gold, silver, paste, oven, told["run"]):
        assert me.packs_of(thing) == {pack for pack in everything if thing in me.had[pack]}, thing
    assert me.packs_of(load) == everything

    # the first wafer is suspect: what has nothing of it goes, one reel is released by itself
    hold = me.post("/holds", subject=a1, reason="cracked dies")["hold"]
    assert {pack for pack in everything if me.get(f"/stops/{pack}")["stopped"]} == {k1, k2}
    me.post("/shipments", packs=[k3, k4, k5], customer="Northway Signs")
    assert me.post("/shipments", 409, packs=[k1, k2], customer="Northway Signs")["kinds"] == ["held"]
    freed = me.post(f"/holds/{hold}/release", items=[k2], disposition="concession", words="X-rayed", **me.signed)
    assert (freed["units_freed"], freed["in_force"]) == (15, True)
    me.post("/shipments", packs=[k2], customer="Northway Signs")
    assert me.post("/shipments", 409, packs=[k1], customer="Northway Signs")["kinds"] == ["held"]
    assert me.get(f"/trace/{a2}?direction=forward")["customers"] == {"Northway Signs": 4}
    assert me.get("/check")["findings"] == []

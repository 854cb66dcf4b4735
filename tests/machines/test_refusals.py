"""Every kind of refusal that the document lists, provoked over HTTP: none of them is only words."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from people.signing_in import choose_own, token

from app.db import House
from app.errors import KINDS
from app.main import make_app

STEPS = [
    {"key": "attach", "operation": "die attach", "role": "red", "needs": [{"kind": "adhesive", "part": "GLUE"}]},
    {"key": "cure", "operation": "cure", "recipe": "C1", "judged": "cure"},
    {"key": "plasma", "operation": "plasma clean", "certificate": "plasma"},
    {"key": "bond", "operation": "wire bond", "needs": [{"kind": "wire", "by_order": True}]},
    {"key": "look", "operation": "inspect", "barrier": True},
    {"key": "cut", "operation": "singulate"}, {"key": "test", "operation": "test"}, {"key": "tape", "operation": "tape"},
]  # fmt: skip
STATIONS = {
    "Attach": "die attach", "Oven": "cure", "Plasma": "plasma clean", "Bond": "wire bond", "Scope": "inspect", "Old scope": "inspect",
    "Saw": "singulate", "Tester": "test", "Taper": "tape",
}  # fmt: skip
MORE = {
    "Oven": {"shelves": ["1"], "capacity_panels": 4},
    "Old scope": {"calibration_due": "2020-01-01T00:00:00Z"},
}
RECIPE = {"set_point_c": 170, "band_low_c": 165, "band_high_c": 175, "soak_minutes": 90}
CATALOGUE = {
    "parts": [
        {"number": "WR", "kind": "wafer", "role": "red", "passing_bins": ["1"]},
        {"number": "WB", "kind": "wafer", "role": "blue", "passing_bins": ["1"]},
        {"number": "GLUE", "kind": "adhesive"}, {"number": "AU", "kind": "wire"}, {"number": "AG", "kind": "wire"},
        {"number": "FRAME", "kind": "lead frame", "rows": 2, "columns": 2},
    ],
    "recipes": [{"name": "C1"} | RECIPE, {"name": "C2"} | RECIPE],
    "bin_tables": [
        {
            "name": "B", "unbinned": "X", "failed": "X",
            "bins": [
                {"name": "G", "grade": "prime"}, {"name": "H", "grade": "prime"}, {"name": "S", "grade": "second"}, {"name": "X", "grade": "reject"},
            ],
        }
    ],
    "products": [
        {
            "part_number": "P", "rows": 2, "columns": 2, "roles": [{"role": "red", "part": "WR"}], "units_per_reel": 4, "max_lots_per_pack": 1,
            "bin_table": "B",
        },
        {"part_number": "P2", "rows": 2, "columns": 2, "roles": [{"role": "blue", "part": "WB"}], "bin_table": "B"},
    ],
    "routes": [
        {
            "product": "P", "revision": "A", "steps": [{"name": step["key"]} | step for step in STEPS],
            "windows": [{"from_step": "plasma", "to_step": "bond", "max_minutes": 60, "min_minutes": 5, "repeats": 1}],
        },
        {"product": "P2", "revision": "A", "steps": [{"key": "attach", "name": "attach", "operation": "die attach", "role": "blue"}]},
    ],
    "stations": [{"name": name, "area": "hall", "operations": [does], **MORE.get(name, {})} for name, does in STATIONS.items()],
    "customers": [{"name": "Arden Lights"}],
    "orders": [{"number": "O1", "customer": "Arden Lights", "product": "P", "units": 9, "materials": [{"kind": "wire", "part": "AU"}]}],
}  # fmt: skip


class Driver:
    """Calls that go well, and calls that are refused for a kind."""

    def __init__(self, client: TestClient, bearer: str) -> None:
        self.client, self.bearer = client, bearer
        self.at: dict[str, str] = {}
        self.provoked: set[str] = set()

    def send(self, path: str, body: dict[str, Any], key: str | None = None, bearer: str | None = None) -> Any:
        headers = {"Authorization": f"Bearer {bearer or self.bearer}"} | ({"Idempotency-Key": key} if key else {})
        return self.client.post(f"/api/v1{path}", json=body, headers=headers)

    def post(self, path: str, **body: Any) -> Any:
        answer = self.send(path, body)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def refused(self, kind: str, path: str, /, *, key: str | None = None, bearer: str | None = None, **body: Any) -> None:
        answer = self.send(path, body, key, bearer)
        problem = answer.json()
        assert 400 <= answer.status_code < 500, answer.text
        assert answer.headers["content-type"] == "application/problem+json"
        assert kind in problem["kinds"], answer.text
        assert problem["kinds"] == sorted(problem["kinds"], key=KINDS.index)
        assert problem["kind"] == problem["kinds"][0]
        assert all(reason["why"] for reason in problem["reasons"])
        self.provoked.add(kind)

    def start(self, station: str, *things: str, **more: Any) -> Any:
        return self.post("/runs", station=self.at[station], things=list(things), line_clear=True, **more)["run"]

    def run(self, station: str, *things: str, **more: Any) -> None:
        stated = {"happened_at": more["happened_at"]} if "happened_at" in more else {}
        self.post(f"/runs/{self.start(station, *things, **more)}/finish", **stated)

    def cannot(self, kind: str, station: str, *things: str, **more: Any) -> None:
        self.refused(kind, "/runs", station=self.at[station], things=list(things), **more)


@pytest.fixture
def driver(house: House) -> Iterator[Driver]:
    bearer = token(house, "operate", "lead", "quality", "engineer", "administer", facts=True)
    with TestClient(make_app(house.settings, house)) as client:
        yield Driver(client, bearer)


def test_every_kind_can_be_provoked(driver: Driver, house: House) -> None:
    do = driver
    house.settings.scanner = "false {file}"  # ends with 1: it found something
    do.refused("suspect_file", "/catalogue", **CATALOGUE)
    house.settings.scanner = ""
    do.post("/catalogue", **CATALOGUE)
    listed = do.client.get("/api/v1/stations", headers={"Authorization": f"Bearer {do.bearer}"}).json()
    do.at = {one["name"]: one["station"] for one in listed}
    pia = do.post("/people", name="Pia", duties=["operate", "lead", "quality", "engineer"], password="given by Ada")["person"]
    signed = {"signed_by": pia, "password": choose_own(do.client, pia, "given by Ada")}
    frames = do.post("/batches", part="FRAME", supplier_batch="HB-1")["batch"]
    glue = do.post("/batches", part="GLUE", supplier_batch="HB-1")["batch"]
    gold, silver = (do.post("/batches", part=part)["batch"] for part in ("AU", "AG"))
    panels = do.post("/panels", frames=frames, count=7)["panels"]

    _callers(do, token(house, "operate"), signed, panels)
    do.post("/routes/approve", product="P", revision="A", **signed)
    slow, quick, long, side = (
        do.post("/lots", product="P", panels=some, **order)["lot"]
        for some, order in ((panels[:1], {}), (panels[1:2], {"order": "O1"}), (panels[2:4], {}), (panels[4:5], {}))
    )
    spare = do.post("/lots", product="P", panels=panels[5:])["lot"]
    _material(do, slow, glue, frames, signed)
    _stations(do, slow, signed)
    _cures(do, [slow, quick, long, side], spare, signed)
    _windows(do, slow, quick, pia, gold, silver)
    _barrier(do, long, side, signed)
    do.refused("steps_differ", f"/lots/{slow}/merge", others=[spare])
    do.post("/holds", subject=spare, reason="bent")
    do.cannot("held", "Attach", spare)
    _packs(do, long, side)
    _guesses(do, signed["signed_by"])
    assert set(KINDS) - do.provoked == set()


def _guesses(do: Driver, badge: str) -> None:
    guess = {"product": "P", "revision": "A", "signed_by": badge, "password": "a guess"}
    while (answer := do.send("/routes/approve", guess)).status_code == 403:
        assert answer.json()["kind"] == "password"
    assert int(answer.headers["retry-after"]) > 0
    do.refused("too_many_tries", "/routes/approve", **guess)


def _callers(do: Driver, operator: str, signed: dict[str, str], panels: list[str]) -> None:
    do.refused("bad_input", "/batches", supplier="no part")
    do.refused("unknown_code", "/holds", subject="L26-999999-0", reason="lost")
    do.refused("ambiguous_code", "/holds", subject="HB-1", reason="which?")
    do.send("/containers", {"kind": "jar", "name": "J0"}, key="k")
    do.refused("key_reused", "/containers", key="k", kind="jar", name="J1")
    do.refused("key_reused", "/routes/approve", key="k", product="P", revision="A", **signed)  # whoever signs, the key is the caller's
    do.refused("duty", "/routes/approve", bearer=operator, product="P", revision="A", **signed)
    do.refused("password", "/routes/approve", product="P", revision="A", signed_by=signed["signed_by"], password="not hers")
    do.refused("revision_inactive", "/lots", product="P", panels=panels[:1])
    do.refused("changed", "/routes/approve", product="P", revision="A", seen=1, **signed)


def _wafer(do: Driver, part: str, number: str) -> str:
    grid = f"wafer: {number}\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n" + "\n".join(["11111"] * 8)
    headers = {"Authorization": f"Bearer {do.bearer}"}
    answer = do.client.post("/api/v1/wafers", files=[("files", ("map.txt", grid.encode()))], data={"part": part}, headers=headers)
    return str(answer.json()["wafers"][0]["wafer"])


def _material(do: Driver, lot: str, glue: str, frames: str, signed: dict[str, str]) -> None:
    mount = f"/stations/{do.at['Attach']}/mount"
    do.cannot("material_missing", "Attach", lot)
    do.refused("material_wrong", mount, item=frames)
    do.refused("material_lapsed", mount, item=do.post("/batches", part="GLUE", expires_at="2020-01-01T00:00:00Z")["batch"])
    hold = do.post("/holds", subject=glue, reason="lumps")["hold"]
    do.refused("material_held", mount, item=glue)
    do.post(f"/holds/{hold}/release", disposition="concession", words="sieved", **signed)
    blue = _wafer(do, "WB", "B-1")
    for item in (glue, blue):
        do.post(mount, item=item)
    do.cannot("role_wrong", "Attach", lot)
    do.post(f"/stations/{do.at['Attach']}/change_over", item=_wafer(do, "WR", "R-1"))


def _stations(do: Driver, lot: str, signed: dict[str, str]) -> None:
    do.cannot("station_cannot", "Saw", lot, step="attach")
    do.cannot("not_next_step", "Plasma", lot)
    do.cannot("not_here", "Attach", do.post("/containers", kind="magazine", name="M0")["container"])
    state = f"/stations/{do.at['Attach']}/state"
    do.post(state, state="unscheduled_down", reason="worn tool")
    do.cannot("station_down", "Attach", lot)
    do.post(state, state="productive", reason="new tool")
    hold = do.post("/holds", subject=do.at["Attach"], reason="drifts")["hold"]
    do.cannot("station_held", "Attach", lot)
    do.post(f"/holds/{hold}/release", disposition="repair", words="set anew", **signed)
    run = do.start("Attach", lot)
    do.cannot("in_work", "Attach", lot)
    do.post(f"/runs/{run}/finish")
    do.refused("finished", f"/runs/{run}/finish")


def _cures(do: Driver, lots: list[str], spare: str, signed: dict[str, str]) -> None:
    do.run("Attach", *lots[1:])
    other = do.post("/loads", station=do.at["Oven"], recipe="C2")["load"]
    do.refused("recipe_differs", f"/loads/{other}/put", things=lots[:1], shelf="1")
    do.post(f"/loads/{other}/cancel")
    load = do.post("/loads", station=do.at["Oven"], recipe="C1")["load"]
    do.post(f"/loads/{load}/put", things=lots[:2], shelf="1")
    more = do.post("/loads", station=do.at["Oven"], recipe="C1")["load"]
    do.post(f"/loads/{more}/put", things=lots[2:], shelf="1")
    do.run("Attach", spare)
    do.refused("capacity", f"/loads/{more}/put", things=[spare], shelf="1")
    ended = []
    for one in (load, more):
        do.post(f"/loads/{one}/start")
        ended.append(do.post(f"/loads/{one}/end")["lines"])
    do.cannot("judgement_open", "Plasma", lots[0])
    for line in ended[0]:
        do.post(f"/lines/{line['line']}/disposition", what="concession", words="looked at", **signed)


def _ago(minutes: int) -> str:
    return (datetime.now(UTC) - timedelta(minutes=minutes)).isoformat()


def _windows(do: Driver, slow: str, quick: str, pia: str, gold: str, silver: str) -> None:
    do.cannot("certificate", "Plasma", slow, person=pia)
    do.post(f"/people/{pia}/change", certificates=[{"name": "plasma"}])
    do.run("Plasma", slow, person=pia, happened_at=_ago(300))
    do.run("Plasma", quick, person=pia)
    do.post(f"/stations/{do.at['Bond']}/mount", item=silver)
    do.cannot("order_differs", "Bond", quick)
    do.post(f"/stations/{do.at['Bond']}/change_over", item=gold)
    do.cannot("window_early", "Bond", quick)
    do.cannot("window_over", "Bond", slow)
    do.run("Plasma", slow, person=pia, happened_at=_ago(200))
    do.cannot("repeats_used", "Plasma", slow, person=pia)


def _barrier(do: Driver, long: str, side: str, signed: dict[str, str]) -> None:
    do.post("/at_risk", things=[long, side], reason="the file comes tomorrow", **signed)
    do.run("Plasma", long, side, person=signed["signed_by"], happened_at=_ago(20))
    do.run("Bond", long, side)
    do.cannot("barrier_open", "Scope", long)
    do.cannot("calibration", "Old scope", long)
    run = do.client.get("/api/v1/runs?open=false", headers={"Authorization": f"Bearer {do.bearer}"}).json()["runs"]
    for line in (line for one in run if one["operation"] == "cure" for line in one["lines"] if line["lot"] in (long, side)):
        do.post(f"/lines/{line['line']}/disposition", what="concession", words="looked at", **signed)
    do.run("Scope", long, side)


def _packs(do: Driver, long: str, side: str) -> None:
    loose, other = (do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"] for lot in (long, side))
    do.refused("too_few_units", f"/lots/{loose}/split", units=100)
    do.cannot("line_not_clear", "Tester", loose)
    bins = [{"bin": "G", "units": 5}, {"bin": "H", "units": 1}, {"bin": "S", "units": 2}]
    out = {one["bin"]: one["lot"] for one in do.post(f"/runs/{do.start('Tester', loose)}/bins", bins=bins)["bins"]}
    more = do.post(f"/runs/{do.start('Tester', other)}/bins", bins=[{"bin": "G", "units": 3}, {"bin": "X", "units": 1}])["bins"][0]["lot"]
    jar = do.post("/containers", kind="jar", name="J2")["container"]
    do.post(f"/containers/{jar}/put", things=[out["G"]])
    do.refused("container_taken", f"/containers/{jar}/put", things=[out["H"]])

    def cannot(kind: str, *parts: tuple[str, int]) -> None:
        do.refused(kind, "/packs", station=do.at["Taper"], parts=[{"lot": lot, "units": n} for lot, n in parts], line_clear=True)

    cannot("pack_short", (out["G"], 3))
    cannot("grade_differs", (out["G"], 2), (out["S"], 2))
    cannot("grade_unwanted", (out["S"], 2))
    cannot("too_many_lots", (out["G"], 2), (more, 2))
    part = [{"lot": out["G"], "units": 2}]
    pack = do.post("/packs", station=do.at["Taper"], parts=part, line_clear=True, close=False)["pack"]
    do.refused("pack_open", "/shipments", packs=[pack], customer="Arden Lights")

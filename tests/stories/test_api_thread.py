"""One thread through the whole job over the API alone: wafer to reel, a hold, a shipment, and traces both ways."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient
from small_factory import SYSTEM, Factory

from app.db import House
from app.journal.act import act
from app.main import make_app
from app.naming.resolve import code_of
from app.people.people import add_person
from app.people.secrets import set_secret
from app.people.tokens import make_token

MAP = "wafer: RD0417-03\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n" + "\n".join(["11111111111111111111"] * 10)
Api = Callable[..., Any]


@pytest.fixture
def api(house: House) -> Iterator[Api]:
    factory = Factory(house).load()
    secrets: dict[str, str] = {}

    def people(session: Any, by: Any) -> dict[str, str]:
        quality = add_person(session, by, "Quinn", ["quality", "lead"])
        set_secret(session, by, quality.id, "password", "long enough", cheap=True)
        secrets["badge"] = code_of(session, "person", quality.id)
        secrets["token"] = make_token(session, by, "driver", ("operate", "lead", "quality", "engineer"), may_state_facts=True)[1]
        return {}

    act(house, SYSTEM, "add_person", {}, people)
    stations = {}
    with house.reading() as session:
        stations = {name: code_of(session, "station", thing) for name, thing in factory.things.items() if name in factory.stations}
    with TestClient(make_app(house.settings, house)) as client:

        def call(method: str, path: str, expect: int = 200, **body: Any) -> Any:
            files = body.pop("files", None)
            headers = {"Authorization": f"Bearer {secrets['token']}"}
            if files is not None:
                answer = client.post(f"/api/v1{path}", files=files, data=body, headers=headers)
            else:
                answer = client.request(method, f"/api/v1{path}", json=body if method == "POST" else None, headers=headers)
            assert answer.status_code == expect, answer.text
            return answer.json()

        call.stations, call.badge = stations, secrets["badge"]  # type: ignore[attr-defined]
        yield call


def test_from_wafer_to_reel_and_back(api: Any) -> None:
    post = lambda path, expect=200, **body: api("POST", path, expect, **body)  # noqa: E731
    at = api.stations
    signed = {"signed_by": api.badge, "password": "long enough"}
    glue, wire, frames = (post("/batches", part=part)["batch"] for part in ("GLUE", "AG20", "FRAME"))
    wafers = api("POST", "/wafers", files=[("files", ("map.txt", MAP.encode()))], part="WR", passing="1")["wafers"]
    assert wafers[0]["passing"] == 200
    panels = post("/panels", frames=frames, count=4)["panels"]
    lot = post("/lots", product="P1", panels=panels)["lot"]
    magazine = post("/containers", kind="magazine", name="M1")["container"]
    post(f"/containers/{magazine}/put", things=[lot])

    assert post("/runs", 409, station=at["Attach"], things=[magazine])["kind"] == "material_missing"
    for item in (glue, wafers[0]["wafer"]):
        post(f"/stations/{at['Attach']}/mount", item=item)
    run = post("/runs", station=at["Attach"], things=[magazine])["run"]
    assert post("/runs", 409, station=at["Attach"], things=[magazine])["kind"] == "in_work"
    post(f"/runs/{run}/finish")

    load = post("/loads", station=at["Oven"], recipe="C170")["load"]
    seen = post(f"/loads/{load}/put", things=[magazine], shelf="1")["version"]
    assert post(f"/loads/{load}/start", 409, version=seen - 1)["kind"] == "changed"
    oven = post(f"/loads/{load}/start", version=seen)["run"]
    line = post(f"/loads/{load}/end")["lines"][0]["line"]
    post("/runs", 409, station=at["Plasma"], things=[magazine])
    post(f"/lines/{line}/disposition", what="concession", words="looked at", **signed)
    post(f"/runs/{post('/runs', station=at['Plasma'], things=[magazine])['run']}/finish")
    post(f"/stations/{at['Bond 1']}/mount", item=wire)
    bond = post("/runs", station=at["Bond 1"], things=[magazine])["run"]
    assert post(f"/runs/{bond}/finish", 422)["kind"] == "bad_input"
    post(f"/runs/{bond}/finish", values=[{"name": "pull", "value": 5.1, "unit": "gf"}])
    post(f"/runs/{post('/runs', station=at['Scope'], things=[magazine])['run']}/finish")
    saw = post("/runs", station=at["Saw"], things=[magazine])["run"]
    loose = post(f"/runs/{saw}/singulate")
    assert loose["units"] == 80
    test = post("/runs", station=at["Tester"], things=[loose["lot"]], line_clear=True)["run"]
    bins = {one["bin"]: one["lot"] for one in post(f"/runs/{test}/bins", bins=[{"bin": "B1", "units": 70}, {"bin": "R", "units": 10}])["bins"]}
    pack = post("/packs", station=at["Taper"], parts=[{"lot": bins["B1"], "units": 30}], line_clear=True)["pack"]
    rest = post("/packs", station=at["Taper"], parts=[{"lot": bins["B1"], "units": 30}], line_clear=True)["pack"]
    post(f"/packs/{pack}/dry_pack", station=at["Bagger"])

    hold = post("/holds", subject=wire, reason="wrong alloy")["hold"]
    assert post("/shipments", 409, packs=[pack], customer="Arden Lights")["kinds"] == ["held"]
    freed = post(f"/holds/{hold}/release", items=[pack], disposition="concession", words="tested", **signed)
    assert freed["units_freed"] == 30
    post("/shipments", packs=[pack], customer="Arden Lights")
    assert api("GET", f"/stops/{rest}")["stopped"]

    back = api("GET", f"/trace/{pack}")
    assert {row["code"] for row in back["wafers"]} == {wafers[0]["wafer"]}
    assert {row["code"] for row in back["batches"]} == {glue, wire, frames}
    assert oven in {row["run"] for row in back["runs"]}
    forward = api("GET", f"/trace/{oven}?direction=forward")
    assert {row["code"] for row in forward["packs"]} == {pack, rest}
    assert forward["customers"] == {"Arden Lights": 1}

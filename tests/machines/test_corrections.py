"""What was entered wrongly is corrected in the open, over HTTP: what a trace says afterwards, who may, and what the pages show."""

from collections.abc import Iterator

import pytest

from app.db import House
from tests.machines.plant import Plant, plant


@pytest.fixture
def do(house: House) -> Iterator[Plant]:
    with plant(house) as one:
        yield one


def test_a_corrected_mount_is_no_origin_and_the_right_one_is(do: Plant) -> None:
    wrong, right, wafer = do.batch("GLUE"), do.batch("GLUE"), do.wafer("RD-1")
    do.mount("Attach", wafer)
    mount = do.mount("Attach", wrong)
    panels = do.panels(2)
    run = do.run("Attach", do.lot(panels))
    assert do.materials(panels[0]) == {wrong, wafer}

    do.post(f"/mounts/{mount}/correct", item=right, reason="the syringe beside it was scanned")
    told = do.get(f"/stations/{do.at['Attach']}/mounts")["mounts"][:2]
    assert [(one["item"], one["is_on"], bool(one["corrected"])) for one in told] == [(right, True, False), (wrong, False, True)]
    assert do.materials(panels[0]) == {right, wafer}
    assert run not in {one["run"] for one in do.get(f"/trace/{wrong}?direction=forward")["runs"]}
    assert run in {one["run"] for one in do.get(f"/trace/{right}?direction=forward")["runs"]}
    assert {one["item"] for one in do.get(f"/stations/{do.at['Attach']}")["loaded"]} == {right, wafer}
    assert do.post(f"/mounts/{mount}/correct", 409, item=wafer, reason="again")["kind"] == "finished"
    assert do.findings() == []


def test_a_hold_on_the_right_material_stops_what_a_corrected_mount_says_had_it(do: Plant) -> None:
    wrong, right, wafer = do.batch("GLUE"), do.batch("GLUE"), do.wafer("RD-1")
    do.mount("Attach", wafer)
    mount = do.mount("Attach", wrong)
    panel = do.panels(1)[0]
    do.run("Attach", do.lot([panel]))
    do.post("/holds", subject=right, reason="separated")
    do.post("/holds", subject=wrong, reason="wrong label")
    assert [one["reason"] for one in do.get(f"/stops/{panel}")["holds"]] == ["wrong label"]
    do.post(f"/mounts/{mount}/correct", item=right, reason="the syringe beside it was scanned")
    assert [one["reason"] for one in do.get(f"/stops/{panel}")["holds"]] == ["separated"]


def test_a_mount_is_corrected_back_and_forth_and_after_it_came_off(do: Plant) -> None:
    first, second, wafer = do.batch("GLUE"), do.batch("GLUE"), do.wafer("RD-1")
    do.mount("Attach", wafer)
    mount = do.mount("Attach", first)
    panel, later = do.panels(2)
    do.run("Attach", do.lot([panel]))
    do.post(f"/stations/{do.at['Attach']}/change_over", item=do.batch("GLUE"))
    do.run("Attach", do.lot([later]))
    after = do.materials(later)
    for item in (second, first, second):
        mount = do.post(f"/mounts/{mount}/correct", item=item, reason="looked again")["replaced"][0]["right"]
        assert do.materials(panel) == {item, wafer}
        assert do.materials(later) == after
    assert do.findings() == []


def test_material_that_should_not_have_been_used_holds_the_lines_when_a_correction_tells_of_it(do: Plant) -> None:
    wafer = do.wafer("RD-1")
    do.mount("Attach", wafer)
    mount = do.mount("Attach", do.batch("GLUE"))
    panel = do.panels(1)[0]
    do.run("Attach", do.lot([panel]))
    do.post(f"/mounts/{mount}/correct", never=True, reason="it lay beside the machine")
    assert do.materials(panel) == {wafer}
    assert "No adhesive" in do.get(f"/stops/{panel}")["holds"][0]["reason"]


def test_who_mounted_it_corrects_it_while_its_run_is_open_and_a_lead_later(do: Plant) -> None:
    do.mount("Attach", do.wafer("RD-1"))
    mount = do.mount("Attach", do.batch("GLUE"), who="operator")
    right, third = do.batch("GLUE"), do.batch("GLUE")
    panel = do.panels(1)[0]
    run = do.start("Attach", do.lot([panel]))
    how = {"item": right, "reason": "the syringe beside it was scanned"}
    assert do.post(f"/mounts/{mount}/correct", 403, who="other operator", **how)["kind"] == "duty"
    new = do.post(f"/mounts/{mount}/correct", who="operator", **how)["replaced"][0]["right"]
    do.post(f"/runs/{run}/finish")
    assert do.post(f"/mounts/{new}/correct", 409, who="operator", item=third, reason="again")["kind"] == "changed"
    do.post(f"/mounts/{new}/correct", item=third, reason="again")
    assert third in do.materials(panel)


def test_a_corrected_content_is_what_is_in_the_container_and_what_a_hold_on_it_meant(do: Plant) -> None:
    panels = do.panels(3)
    do.lot(panels)
    box = do.post("/containers", kind="magazine", name="M1")["container"]
    do.post(f"/containers/{box}/put", things=panels[:2])
    content = do.get(f"/containers/{box}/contents")["contents"][0]["content"]
    do.post("/holds", subject=box, reason="dropped")
    do.post(f"/contents/{content}/correct", things=panels[1:], reason="the third one, not the first")
    told = do.get(f"/containers/{box}/contents")["contents"]
    assert [(one["panels"], bool(one["corrected"])) for one in told] == [(sorted(panels[1:]), False), (sorted(panels[:2]), True)]
    assert do.get(f"/containers/{box}")["panels"] == sorted(panels[1:])
    assert do.get(f"/stops/{panels[2]}")["stopped"]
    new = told[0]["content"]
    do.post(f"/contents/{new}/correct", never=True, reason="it was another magazine")
    assert do.get(f"/containers/{box}")["panels"] == []
    assert do.findings() == []


def test_a_corrected_content_may_have_been_another_container(do: Plant) -> None:
    panels = do.panels(2)
    do.lot(panels)
    boxes = [do.post("/containers", kind="magazine", name=name)["container"] for name in ("M1", "M2")]
    do.post(f"/containers/{boxes[0]}/put", who="operator", things=panels)
    content = do.get(f"/containers/{boxes[0]}/contents")["contents"][0]["content"]
    assert do.post(f"/contents/{content}/correct", 403, who="other operator", container=boxes[1], reason="that one")["kind"] == "duty"
    do.post(f"/contents/{content}/correct", who="operator", container=boxes[1], reason="the one beside it")
    assert [do.get(f"/containers/{box}")["panels"] for box in boxes] == [[], sorted(panels)]


def test_a_corrected_move_has_the_turn_of_the_wrong_one(do: Plant) -> None:
    panel = do.panels(1)[0]
    lot = do.lot([panel])
    do.post("/moves", thing=lot, kind="outside", place="Tolland Slicing")
    do.post("/moves", thing=lot, kind="floor")
    move = do.get(f"/things/{panel}/moves")["moves"][0]["move"]
    do.post(f"/moves/{move}/correct", kind="outside", place="Brigg Slicing", reason="the other firm")
    told = do.get(f"/things/{panel}/moves")["moves"]
    assert [(one["place"], bool(one["corrected"])) for one in told] == [("Tolland Slicing", True), ("Brigg Slicing", False), ("", False)]
    assert do.get(f"/lots/{lot}")["groups"][0]["next_step"] == "attach"
    do.start("Attach", lot, fact=True)  # it is on the floor: the later move stands
    assert do.findings() == []


def test_a_pack_that_did_not_go_with_a_shipment_is_here(do: Plant) -> None:
    packs = _packs(do, 2)
    do.post("/shipments", packs=packs, customer="Arden Lights")
    for pack, what in zip(packs, ({"never": True}, {"kind": "stock", "place": "shelf 2"}), strict=True):
        move = do.get(f"/things/{pack}/moves")["moves"][-1]["move"]
        assert do.post(f"/moves/{move}/correct", 403, who="operator", reason="it stood on the shelf", **what)["kind"] == "duty"
        do.post(f"/moves/{move}/correct", reason="it stood on the shelf", **what)
    assert do.get(f"/trace/{do.get(f'/trace/{packs[0]}')['wafers'][0]['code']}?direction=forward")["customers"] == {}
    shipment = do.post("/shipments", packs=packs, customer="Brook Signs")["shipment"]
    assert do.get(f"/shipments/{shipment}")["packs"] == packs


def _packs(do: Plant, n: int) -> list[str]:
    """Panels through the whole route by facts, and `n` packs of 30."""
    do.mount("Attach", do.wafer("RD-1"))
    do.mount("Attach", do.batch("GLUE"))
    do.mount("Bond 1", do.batch("AG20"))
    lot = do.lot(do.panels(2 * n))
    do.run("Attach", lot)
    load = do.post("/loads", station=do.at["Oven"], recipe="C170")["load"]
    do.post(f"/loads/{load}/start", version=do.post(f"/loads/{load}/put", things=[lot], shelf="1")["version"])
    line = do.post(f"/loads/{load}/end")["lines"][0]["line"]
    do.post(f"/lines/{line}/disposition", what="concession", words="looked at", **do.signed)
    do.run("Plasma", lot)
    do.run("Bond 1", lot, pull=5.0)
    do.run("Scope", lot)
    loose = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
    bins = do.post(f"/runs/{do.start('Tester', loose)}/bins", bins=[{"bin": "B1", "units": 40 * n}])["bins"]
    packs = [do.post("/packs", station=do.at["Taper"], parts=[{"lot": bins[0]["lot"], "units": 30}], line_clear=True)["pack"] for _ in range(n)]
    for pack in packs:
        do.post(f"/packs/{pack}/dry_pack", station=do.at["Bagger"])
    return packs

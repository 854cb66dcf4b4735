"""What was entered wrongly is corrected in the open, over HTTP: what a trace says afterwards, who may, and what the pages show."""

from collections.abc import Iterator

import pytest
from people.signing_in import person, sign_in

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
    exposed = {batch: do.get(f"/exposure?suspect={batch}")["total"]["greatest"] for batch in (wrong, right)}
    assert exposed[wrong] == 0 < exposed[right]
    assert {one["item"] for one in do.get(f"/stations/{do.at['Attach']}")["loaded"]} == {right, wafer}
    refused = do.post(f"/mounts/{mount}/correct", 409, item=wafer, reason="again")
    (reason,) = refused["reasons"]
    assert (refused["kind"], reason["now"]) == ("finished", f"Correct mount {mount + 1}.")
    do.post(f"/mounts/{mount + 1}/correct", never=True, reason="nothing was there")
    (reason,) = do.post(f"/mounts/{mount}/correct", 409, item=wafer, reason="again")["reasons"]
    assert reason["why"] == "It was taken back before, as something that never happened."
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
    refused = do.post(f"/moves/{move}/correct", 409, kind="outside", place="Tolland Slicing", reason="it was right")
    assert refused["now"] == f"Correct move {told[1]['move']}.", "what it said itself is no more what the record says"
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


def test_marks_readings_and_counts_are_corrected(do: Plant) -> None:
    panel = do.panels(1)[0]
    lot = do.lot([panel])
    mark = do.post(f"/panels/{panel}/marks", cells=[{"row": 1, "column": 1}], reason="scratched")["mark"]
    assert do.get(f"/panels/{panel}")["good"] == 19
    assert do.post(f"/marks/{mark}/take_back", 403, who="operator")["kind"] == "duty"
    do.post(f"/marks/{mark}/take_back")
    assert do.get(f"/panels/{panel}")["good"] == 20

    for glue in (do.wafer("RD-1"), do.batch("GLUE")):
        do.mount("Attach", glue)
    run = do.run("Attach", lot)
    do.post(f"/runs/{run}/readings", name="force", value=51.0, unit="gf")
    (reading,) = do.get(f"/runs/{run}")["readings"]
    do.post(f"/readings/{reading['reading']}/correct", value=5.1, reason="the point was left out")
    assert [one["value"] for one in do.get(f"/runs/{run}")["readings"]] == [5.1]
    assert [one["value"] for run in do.get(f"/trace/{panel}")["runs"] for one in run["readings"]] == [5.1]

    count = do.post("/counts", thing=panel, units=12, method="hand")["count"]
    assert do.get(f"/lots/{lot}")["counts"]["closes"]
    assert do.post("/counts/sign", thing=panel, words="?", **do.signed)["done"]
    entry = do.post("/scrap", thing=panel, units=1, reason="dropped")
    assert entry["done"] and do.get(f"/panels/{panel}")["good"] == 11
    do.post(f"/counts/{count}/take_back")
    assert do.post(f"/counts/{count}/take_back", 409)["kind"] == "finished"
    assert do.findings() == []


def test_what_was_scrapped_by_mistake_is_named_to_be_taken_back(do: Plant) -> None:
    one, other = panels = do.panels(2)
    lot = do.lot(panels)
    scrapped = [
        do.post("/scrap", thing=one, units=2, reason="dropped"),
        do.post("/scrap", thing=one, cells=[{"row": 1, "column": 1}], reason="dropped"),
        do.post("/scrap", thing=other, reason="dropped"),
    ]
    counts = do.get(f"/lots/{lot}")["counts"]
    named = [(amount["units"], amount["count"], amount["mark"]) for amount in counts["amounts"] if amount["what"] == "scrapped"]
    assert sorted(named, key=str) == [(1, None, scrapped[1]["mark"]), (2, scrapped[0]["count"], None), (20, None, scrapped[2]["mark"])]
    sign_in(do.client, person(do.house, "Wanda", "operate", "lead"))
    assert f"&amp;count={scrapped[0]['count']}\"" in do.client.get(f"/lots/{lot}").text

    loose = _loose(do, 1)
    scrapped.append(do.post("/scrap", thing=loose, units=3, reason="dropped"))
    do.post("/samples", thing=loose, units=1, purpose="dropped", kept=False)
    amounts = do.get(f"/lots/{loose}")["counts"]["amounts"]
    assert {amount["what"]: amount["count"] for amount in amounts if amount["what"] != "in"} == {"scrapped": scrapped[3]["count"], "sampled": None}

    for one_of, number in ((kind, entry[kind]) for entry in scrapped for kind in ("count", "mark") if entry[kind]):
        do.post(f"/{one_of}s/{number}/take_back")
    assert do.get(f"/lots/{lot}")["counts"]["left"] == 40
    assert do.get(f"/lots/{loose}")["counts"]["left"] == 19
    assert do.findings() == []


def test_a_corrected_placement_file_replaces_the_wrong_one(do: Plant) -> None:
    wafer, other = do.wafer("RD-1"), do.wafer("RD-2")
    do.mount("Attach", wafer)
    do.mount("Attach", do.batch("GLUE"))
    panel = do.panels(1)[0]
    do.run("Attach", do.lot([panel]))

    def log(of: str) -> bytes:
        lines = [f"2026-03-05T14:30:0{n}Z,{of},{n},0,{panel},1,{n + 1}" for n in range(5)]
        return "\n".join(["time,wafer,die x,die y,panel,row,column", *lines]).encode()

    station = do.at["Attach"]
    first = do.post("/placement_logs", station=station, files=[("file", ("b.csv", log(other)))])["evidence"]
    assert other in do.materials(panel)
    do.post("/placement_logs", station=station, replaces=str(first), files=[("file", ("b.csv", log(wafer)))])
    assert other not in do.materials(panel) and wafer in do.materials(panel)
    assert do.findings() == []


def _results(failing: int, units: int = 80) -> dict[str, object]:
    """A tester's file to send: the first so many failed."""
    lines = ["unit,result", *(f"{n},{'E07' if n <= failing else 'pass'}" for n in range(1, units + 1))]
    return {"files": [("file", ("t.csv", "\n".join(lines).encode()))]}


def test_a_corrected_unit_file_books_the_difference_and_holds_what_was_of_another_bin(do: Plant) -> None:
    run = do.start("Tester", _loose(do, 4))

    lots = {one["bin"]: one["lot"] for one in do.post(f"/runs/{run}/unit_results", **_results(0, 78))["bins"]}
    pack = do.post("/packs", station=do.at["Taper"], parts=[{"lot": lots["B1"], "units": 30}], line_clear=True)["pack"]
    assert do.post(f"/runs/{run}/unit_results/correct", 403, who="other operator", reason="x", **_results(10, 78))["kind"] == "duty"
    found = do.post(f"/runs/{run}/unit_results/correct", reason="the file of the lot before", **_results(10, 78))
    assert found == {"differences": {"B1": -10, "R": 10}, "held": [lots["B1"]], "packs": [pack]}
    assert do.get(f"/stops/{pack}")["stopped"]
    assert do.get(f"/lots/{lots['B1']}")["counts"]["left"] == 78 - 10 - 30
    tested = next(run for run in do.get(f"/trace/{pack}")["runs"] if run["operation"] == "test")
    assert (tested["by_bin"], tested["by_failure"]) == ({"B1": 68, "R": 10}, {"E07": 10})
    again = do.post(f"/runs/{run}/unit_results/correct", reason="two units were left out", **_results(12))
    assert again["differences"] == {"R": 2} and not again["held"]
    assert do.post(f"/runs/{run}/unit_results/correct", 409, reason="x", **_results(12))["kind"] == "changed"
    assert do.findings() == []


def test_units_that_left_with_another_bin_are_not_said_to_be_more_than_the_lot_had(do: Plant) -> None:
    run = do.start("Tester", _loose(do, 4))

    lots = {one["bin"]: one["lot"] for one in do.post(f"/runs/{run}/unit_results", **_results(5))["bins"]}
    for units in (30, 30, 15):
        do.post("/packs", station=do.at["Taper"], parts=[{"lot": lots["B1"], "units": units}], line_clear=True, short_reason="the rest")
    do.post(f"/runs/{run}/unit_results/correct", reason="the file of the lot before", **_results(13))
    (why,) = [one["reason"] for one in do.get(f"/stops/{lots['R']}")["holds"]]
    assert why.startswith("The corrected results put 8 units more into bins than are here")
    assert do.findings() == []


def test_results_corrected_back_leave_no_units_that_were_never_there(do: Plant) -> None:
    run = do.start("Tester", tested := _loose(do, 4))

    lots = {one["bin"]: one["lot"] for one in do.post(f"/runs/{run}/unit_results", **_results(5))["bins"]}
    for units in (30, 30, 15):
        do.post("/packs", station=do.at["Taper"], parts=[{"lot": lots["B1"], "units": units}], line_clear=True, short_reason="the rest")
    for failing in (13, 9, 5):  # the last says what the first said, and all that passed has left
        do.post(f"/runs/{run}/unit_results/correct", reason="another file", **_results(failing))
        assert do.get(f"/lots/{lots['B1']}")["counts"]["left"] == 0
        assert do.get(f"/lots/{lots['R']}")["counts"]["left"] == failing
        assert do.get(f"/lots/{tested}")["counts"]["left"] == 0
    assert do.findings() == []


def test_units_that_no_correction_says_any_more_are_in_no_exposure(do: Plant) -> None:
    run = do.start("Tester", tested := _loose(do, 4))

    lots = {one["bin"]: one["lot"] for one in do.post(f"/runs/{run}/unit_results", **_results(10))["bins"]}
    tape = {"station": do.at["Taper"], "line_clear": True}
    packs = [do.post("/packs", **tape, parts=[{"lot": lots["B1"], "units": n}], short_reason="the rest")["pack"] for n in (30, 15)]
    for failing in (50, 20, 10):  # the first says so of 15 units that had left as good ones
        do.post(f"/runs/{run}/unit_results/correct", reason="another file", **_results(failing))
        assert do.get(f"/lots/{tested}")["counts"]["left"] == 0
    exposed = do.get(f"/exposure?suspect={do.get(f'/trace/{tested}')['panels'][0]['code']}")  # one of four
    found = {row["code"]: (row["least"], row["expected"], row["greatest"]) for row in exposed["lots"] + exposed["packs"] if row["least"] == 0}
    assert found == {code: (0, n / 4, min(n, 20)) for code, n in zip((lots["B1"], lots["R"], *packs), (25, 10, 30, 15), strict=True)}
    assert do.findings() == []


def test_what_corrected_results_put_into_a_bin_is_in_its_trace_and_its_exposure(do: Plant) -> None:
    run = do.start("Tester", _loose(do, 4))

    def shares(thing: str) -> dict[str, tuple[int, int, int]]:
        """Of the frames that all units came from, and of the test itself: units, at least and at most."""
        found = do.get(f"/trace/{thing}")
        (frames,) = [(row["code"], row["least"], row["greatest"]) for row in found["batches"] if "FRAME" in row["words"]]
        units = do.get(f"/lots/{thing}")["counts"]["left"]
        rows = {code: row for code in (frames[0], run) for row in do.get(f"/exposure?suspect={code}")["lots"] if row["code"] == thing}
        return {"trace": (units, *frames[1:])} | {code[0]: (row["units"], row["least"], row["greatest"]) for code, row in rows.items()}

    lots = {one["bin"]: one["lot"] for one in do.post(f"/runs/{run}/unit_results", **_results(2))["bins"]}
    assert shares(lots["R"]) == dict.fromkeys(("trace", "B", "R"), (2, 2, 2))
    do.post(f"/runs/{run}/unit_results/correct", reason="the file of the lot before", **_results(12))
    assert shares(lots["R"]) == dict.fromkeys(("trace", "B", "R"), (12, 12, 12))
    assert shares(lots["B1"]) == dict.fromkeys(("trace", "B", "R"), (68, 68, 68))
    do.post(f"/runs/{run}/unit_results/correct", reason="the first was right", **_results(2))
    found = {name: shares(lot) for name, lot in lots.items()}
    assert found["B1"]["B"] == (78, 78, 78) and found["R"]["R"] == (2, 2, 2)
    assert found["R"]["trace"][2] == 2 and found["B1"]["trace"][2] == 78
    assert do.findings() == []


def test_pages_show_what_was_corrected_and_lead_to_the_form(do: Plant) -> None:
    mount, box = do.mount("Attach", do.batch("GLUE")), do.post("/containers", kind="magazine", name="M1")["container"]
    do.post(f"/mounts/{mount}/correct", item=do.batch("GLUE"), reason="the syringe beside it")
    panel = do.panels(1)[0]
    do.post(f"/containers/{box}/put", things=[panel])
    content = do.get(f"/containers/{box}/contents")["contents"][0]["content"]
    do.post(f"/contents/{content}/correct", never=True, reason="another magazine")
    do.post("/moves", thing=panel, kind="stock", place="shelf 1")
    move = do.get(f"/things/{panel}/moves")["moves"][0]["move"]
    do.post(f"/moves/{move}/correct", kind="stock", place="shelf 2", reason="the shelf below")
    badge, other = person(do.house, "Mara", "operate"), person(do.house, "Nils", "operate")
    sign_in(do.client, badge)
    for path, why, form in (
        (f"/stations/{do.at['Attach']}/mounts", "the syringe beside it", f"mount={mount + 1}"),
        (f"/containers/{box}", "another magazine", ""),
        (f"/things/{panel}/moves", "the shelf below", f"move={move + 1}"),
    ):
        page = do.client.get(path).text
        assert why in page and "corrected" in page and form in page
    assert "The batch or wafer that was there" in do.client.get(f"/do/act?call=/mounts/{{mount}}/correct&mount={mount + 1}").text
    assert do.client.get(f"/people/{badge}").status_code == 200
    assert do.client.get(f"/people/{other}").status_code == 403


def _loose(do: Plant, panels: int) -> str:
    """Units of panels that went through the route up to the saw, as a loose lot."""
    do.mount("Attach", do.wafer("RD-1"))
    do.mount("Attach", do.batch("GLUE"))
    do.mount("Bond 1", do.batch("AG20"))
    lot = do.lot(do.panels(panels))
    do.run("Attach", lot)
    load = do.post("/loads", station=do.at["Oven"], recipe="C170")["load"]
    do.post(f"/loads/{load}/start", version=do.post(f"/loads/{load}/put", things=[lot], shelf="1")["version"])
    line = do.post(f"/loads/{load}/end")["lines"][0]["line"]
    do.post(f"/lines/{line}/disposition", what="concession", words="looked at", **do.signed)
    do.run("Plasma", lot)
    do.run("Bond 1", lot, pull=5.0)
    do.run("Scope", lot)
    return str(do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"])


def _packs(do: Plant, n: int) -> list[str]:
    """Packs of 30, dry packed."""
    bins = do.post(f"/runs/{do.start('Tester', _loose(do, 2 * n))}/bins", bins=[{"bin": "B1", "units": 40 * n}])["bins"]
    packs = [do.post("/packs", station=do.at["Taper"], parts=[{"lot": bins[0]["lot"], "units": 30}], line_clear=True)["pack"] for _ in range(n)]
    for pack in packs:
        do.post(f"/packs/{pack}/dry_pack", station=do.at["Bagger"])
    return packs

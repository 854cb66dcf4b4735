"""Calls that a stranger needs beside the main thread: what there is of batches and containers, work outside, and what was done on paper."""

from datetime import UTC, datetime

import pytest

from app.catalogue.definitions import Product, Role, Route, Station, Step
from app.db import House
from tests.machines.plant import plant

SLICED = (
    ("product", Product(part_number="P9", rows=4, columns=5, roles=(Role(role="red", part="WR"),))),
    (
        "route",
        Route(
            product="P9", revision="A",
            steps=(Step(key="slice", name="slicing", operation="outside work"), Step(key="wash", name="wash", operation="clean")),
        ),
    ),
    ("station", Station(name="Tolland Slicing", area="outside", operations=("outside work",))),
    ("station", Station(name="Wash", area="hall", operations=("clean",))),
)  # fmt: skip


def test_batches_are_listed_and_one_says_where_it_is_and_what_stops_it(house: House) -> None:
    with plant(house) as do:
        first, second = do.batch("GLUE"), do.post("/batches", part="GLUE", supplier="Harrow", supplier_batch="HC-1")["batch"]
        mixed = do.post("/batches/mix", part="GLUE", parents=[first, second])["batch"]
        do.mount("Attach", mixed)
        hold = do.post("/holds", subject=first, reason="separated")["hold"]
        page = do.get("/batches?limit=2")
        assert [one["batch"] for one in page["batches"]] == [mixed, second]
        assert page["batches"][1]["numbers"] == ["HC-1"]
        assert [one["batch"] for one in do.get(f"/batches?before={page['next']}")["batches"]] == [first]
        last = do.get(f"/batches?before={page['next']}&limit=1")
        assert ([one["batch"] for one in last["batches"]], last["next"]) == ([first], None), "a last page that is full is the last all the same"
        seen = do.get(f"/batches/{mixed}")
        assert (seen["mixed_from"], seen["stopped_by"], seen["kind"]) == (sorted([first, second]), [hold], "adhesive")
        assert [(one["station"], one["place"]) for one in seen["mounted"]] == [(do.at["Attach"], "adhesive")]


def test_what_was_on_a_station_is_told_page_by_page(house: House) -> None:
    with plant(house) as do:
        told, batches = {}, [do.batch("GLUE") for _ in range(3)]
        for batch in batches:
            do.mount("Attach", batch)
            do.post(f"/stations/{do.at['Attach']}/unmount", item=batch)
        for before in ("", "&before={next}", "&before={next}"):
            told = do.get(f"/stations/{do.at['Attach']}/mounts?limit=1" + before.format(next=told.get("next")))
            assert [one["item"] for one in told["mounts"]] == [batches.pop()]
        assert told["next"] is None


def test_containers_are_listed_with_how_much_is_in_them(house: House) -> None:
    with plant(house) as do:
        full, empty = (do.post("/containers", kind="magazine", name=name)["container"] for name in ("M1", "M2"))
        do.post(f"/containers/{full}/put", things=do.panels(3))
        rows = do.get("/containers")["containers"]
        assert [(one["container"], one["panels"], one["items"]) for one in rows] == [(empty, 0, 0), (full, 3, 0)]


def test_outside_work_is_a_move_out_a_run_there_and_a_move_back(house: House) -> None:
    with plant(house, *SLICED) as do:
        lot = do.lot(do.panels(2), product="P9")
        do.post("/moves", thing=lot, kind="outside", place="Tolland Slicing")
        loose = do.post(f"/runs/{do.start('Tolland Slicing', lot)}/singulate")
        assert loose["units"] == 40
        assert do.get(f"/lots/{loose['lot']}")["where"] == "outside: Tolland Slicing"
        assert do.post("/runs", 409, station=do.at["Wash"], things=[loose["lot"]])["kind"] == "not_here"
        do.post("/moves", thing=loose["lot"], kind="floor")
        assert not do.post("/counts", thing=loose["lot"], units=37, method="counter")["within"]
        do.post("/counts/sign", thing=loose["lot"], words="lost at the firm", **do.signed)
        do.run("Wash", loose["lot"])
        counts = do.get(f"/lots/{loose['lot']}")["counts"]
        assert (counts["left"], counts["difference"], counts["closes"]) == (37, 3, True)


def test_what_was_done_on_paper_is_entered_line_by_line(house: House) -> None:
    with plant(house) as do:
        do.mount("Attach", do.wafer("RD-1"))
        glue, lot = do.batch("GLUE"), do.lot(do.panels(1))
        at = datetime.now(UTC).replace(microsecond=0).isoformat()

        def line(verb: str, thing: str, expect: int = 200, who: str = "all") -> dict[str, object]:
            return dict(do.post("/back_entry", expect, who, happened_at=at, verb=verb, thing=thing, station=do.at["Attach"]))

        assert line("mount", glue, 403, "operator")["kind"] == "duty"
        assert line("mount", glue)["mounted"] == glue
        run = line("start", lot)["run"]
        line("finish", lot)
        seen = do.get(f"/runs/{run}")
        assert (seen["outcome"], datetime.fromisoformat(seen["ended_at"])) == ("done", datetime.fromisoformat(at))
        assert {one["fact"] for one in do.get("/journal?limit=2")["entries"]} == {True}


@pytest.mark.parametrize(("kind", "name"), [("jar", "J1"), ("magazine", "M1")])
def test_a_split_sent_again_by_the_container_gets_its_first_answer(house: House, kind: str, name: str) -> None:
    with plant(house, *SLICED) as do:
        panels = do.panels(2)
        thing = do.lot(panels, product="P9")
        box = do.post("/containers", kind=kind, name=name)["container"]
        how: dict[str, object] = {"panels": panels[:1]}
        if kind == "jar":
            do.post("/moves", thing=thing, kind="outside", place="Tolland Slicing")
            thing = do.post(f"/runs/{do.start('Tolland Slicing', thing)}/singulate")["lot"]
            how = {"units": 7}
        do.post(f"/containers/{box}/put", things=[thing])
        headers = {"Authorization": f"Bearer {do.tokens['all']}", "Idempotency-Key": "once"}
        first = do.client.post(f"/api/v1/lots/{box}/split", json=how, headers=headers)
        do.post(f"/containers/{box}/take_out")
        again = do.client.post(f"/api/v1/lots/{box}/split", json=how, headers=headers)
        assert first.status_code == again.status_code == 200, again.text
        assert first.json() == again.json()


def test_a_wafer_goes_to_stock_and_outside_and_is_on_no_station_meanwhile(house: House) -> None:
    with plant(house) as do:
        wafer, glue = do.wafer("W1"), do.batch("GLUE")
        station = do.at["Attach"]
        do.post("/moves", thing=glue, kind="stock", place="freezer 2")
        do.mount("Attach", wafer)
        refused = do.post("/moves", 409, thing=wafer, kind="stock", place="cabinet 4")
        assert (refused["kind"], refused["now"]) == ("in_work", "Take it off there first.")
        do.post(f"/stations/{station}/unmount", item=wafer)
        do.post("/moves", thing=wafer, kind="outside", place="Tolland Slicing")
        assert do.post(f"/stations/{station}/mount", 409, item=wafer)["kind"] == "not_here"
        do.post("/moves", thing=wafer, kind="stock", place="cabinet 4")
        do.mount("Attach", wafer)
        moves = [(one["kind"], one["place"]) for one in do.get(f"/things/{wafer}/moves")["moves"]]
        assert moves == [("outside", "Tolland Slicing"), ("stock", "cabinet 4"), ("floor", "")], "from stock it came to the station"
        assert do.findings() == []

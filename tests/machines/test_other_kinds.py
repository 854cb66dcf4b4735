"""Ids count by kind: a run, a container and a panel may have the same one. What is named of a kind that is not meant reaches nothing else."""

from app.db import House
from tests.machines.plant import plant


def test_a_release_names_items_and_nothing_of_another_kind(house: House) -> None:
    """Run 1 and item 1, the held batch, share a number: naming the run must not free the batch."""
    with plant(house) as do:
        glue = do.batch("GLUE")
        do.mount("Attach", glue)
        do.mount("Attach", do.wafer("W-1"))
        run = do.run("Attach", do.lot(do.panels(1)))
        hold = do.post("/holds", subject=glue, reason="wrong alloy")["hold"]
        release = {"disposition": "concession", "words": "tested"} | do.signed
        for other in (run, do.at["Attach"], hold):
            assert do.post(f"/holds/{hold}/release", 404, items=[other], **release)["kind"] == "unknown_code"
        assert do.get(f"/stops/{glue}")["stopped"]


def test_a_release_of_what_is_empty_is_refused(house: House) -> None:
    with plant(house) as do:
        hold = do.post("/holds", subject=do.batch("GLUE"), reason="wrong alloy")["hold"]
        box = do.post("/containers", kind="magazine", name="M 1")["container"]
        refused = do.post(f"/holds/{hold}/release", 409, items=[box], disposition="concession", words="tested", **do.signed)
        assert refused["kind"] == "not_here" and do.get(f"/holds/{hold}")["in_force"]


def test_cells_are_scrapped_of_a_panel_alone(house: House) -> None:
    with plant(house) as do:
        panels = do.panels(3)
        lot = do.lot(panels)
        boxes = [do.post("/containers", kind="magazine", name=f"M {n}")["container"] for n in range(5)]
        for other in (lot, *boxes):
            assert do.post("/scrap", 422, thing=other, cells=[{"row": 1, "column": 1}], reason="missing die")["kind"] == "bad_input"
        assert {do.get(f"/panels/{panel}")["good"] for panel in panels} == {20}


def test_a_span_of_time_is_held_from_its_begin_to_its_end(house: House) -> None:
    with plant(house) as do:
        begin, end = "2026-03-01T06:00:00Z", "2026-03-01T14:00:00Z"
        for span in ({"span_to": end}, {"span_from": end, "span_to": begin}):
            assert do.post("/holds", 422, subject=do.at["Attach"], reason="odd noise", **span)["kind"] == "bad_input"
        assert do.post("/holds", subject=do.at["Attach"], reason="odd noise", span_from=begin, span_to=end)["kind"] == "span"

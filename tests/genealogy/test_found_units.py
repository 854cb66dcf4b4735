"""Units that a count found and the book did not have: nobody knows where they came from, and an exposure says no less than that."""

from app.db import House
from tests.machines.plant import Plant, plant
from tests.machines.test_corrections import _loose


def _bins(do: Plant, good: int) -> dict[str, str]:
    run = do.start("Tester", _loose(do, 4))
    bins = [{"bin": "B1", "units": good}, {"bin": "R", "units": 80 - good}]
    return {one["bin"]: one["lot"] for one in do.post(f"/runs/{run}/bins", bins=bins)["bins"]}


def _signed(do: Plant, lot: str, units: int) -> None:
    assert do.post("/counts", thing=lot, units=units, method="hand")["within"] is False
    do.post("/counts/sign", thing=lot, words="counted twice", **do.signed)


def test_what_was_found_may_be_of_any_suspect_and_is_no_more_than_its_cells(house: House) -> None:
    with plant(house) as do:
        lots = _bins(do, 60)
        panels = do.get(f"/trace/{lots['B1']}")["panels"]
        _signed(do, lots["B1"], 70)  # ten of what was said to be rejects lie with the good ones

        def exposed(suspect: str) -> dict[str, tuple[int, int, int]]:
            found = do.get(f"/exposure?suspect={suspect}")
            assert any(line.startswith("Where more was counted") for line in found["assumes"])
            rows = {row["code"]: (row["units"], row["least"], row["greatest"]) for row in found["lots"]}
            total = found["total"]
            return {name: rows[lot] for name, lot in lots.items()} | {"all": (total["units"], total["least"], total["greatest"])}

        (frames,) = [row["code"] for row in do.get(f"/trace/{lots['B1']}")["batches"] if "FRAME" in row["words"]]
        assert exposed(frames) == {"B1": (70, 60, 70), "R": (20, 20, 20), "all": (90, 80, 80)}
        assert exposed(panels[0]["code"]) == {"B1": (70, 0, 20), "R": (20, 0, 20), "all": (90, 20, 20)}
        _signed(do, lots["R"], 10)
        assert exposed(frames) == {"B1": (70, 60, 70), "R": (10, 10, 10), "all": (90, 80, 80)}
        pack = do.post("/packs", station=do.at["Taper"], parts=[{"lot": lots["B1"], "units": 30}], line_clear=True)["pack"]
        (row,) = do.get(f"/exposure?suspect={frames}")["packs"]
        assert (row["code"], row["units"], row["least"], row["greatest"]) == (pack, 30, 20, 30)
        back, there = do.get(f"/trace/{pack}"), do.get(f"/trace/{frames}?direction=forward")
        assert [(one["least"], one["greatest"]) for one in back["batches"] if one["code"] == frames] == [(20, 30)]
        assert [(one["least"], one["greatest"]) for one in there["packs"]] == [(20, 30)]
        assert {one["code"]: (one["least"], one["greatest"]) for one in back["lots"] if one["code"] == lots["B1"]} == {lots["B1"]: (30, 30)}
        assert [(line["least"], line["greatest"]) for run in back["runs"] if run["operation"] == "tape" for line in run["lines"]] == [(30, 30)]
        whole = do.get(f"/trace/{lots['B1']}")
        assert [(one["least"], one["greatest"]) for one in whole["batches"] if one["code"] == frames] == [(30, 40)]
        assert do.findings() == []

"""Paper that is entered in another order than things happened in: no trace leaves out what may have been there, or is sure of what may not."""

from datetime import timedelta
from typing import Any

import pytest

from app import clock
from app.db import House
from tests.machines.plant import Plant, plant


class Paper:
    """A bond run of two panels, its wires, and minutes of an afternoon long ago."""

    def __init__(self, do: Plant) -> None:
        self.do, self.at, self.begin = do, do.at["Attach"], clock.now() - timedelta(days=2)
        do.post(f"/stations/{self.at}/mount", item=do.wafer("RD-1"), **self.time(-60))
        self.first, self.second = do.batch("GLUE"), do.batch("GLUE")
        self.panels = do.panels(2)
        self.lot = do.lot(self.panels)

    def time(self, minutes: int) -> dict[str, Any]:
        return {"happened_at": (self.begin + timedelta(minutes=minutes)).isoformat()}

    def enter(self, verb: str, thing: str, minutes: int) -> list[str]:
        return list(self.do.post("/back_entry", verb=verb, thing=thing, station=self.at, **self.time(minutes))["held"])

    def run(self) -> None:
        """With the first batch, for forty minutes."""
        self.do.post(f"/stations/{self.at}/mount", item=self.first, **self.time(-50))
        self.enter("start", self.lot, 0)
        self.enter("finish", self.lot, 40)

    def run_and_then_the_mount_before(self) -> None:
        """As paper in the wrong order tells of the second batch."""
        self.run()
        self.enter("mount", self.second, -10)

    def glue(self) -> dict[str, tuple[int, int]]:
        found = self.do.get(f"/trace/{self.panels[0]}")["batches"]
        return {one["code"]: (one["least"], one["greatest"]) for one in found if one["code"] in (self.first, self.second)}

    def either(self) -> dict[str, tuple[int, int]]:
        units = self.do.get(f"/panels/{self.panels[0]}")["good"]
        return {self.first: (0, units), self.second: (0, units)}

    def all_of(self, glue: str) -> dict[str, tuple[int, int]]:
        return {glue: (units := self.do.get(f"/panels/{self.panels[0]}")["good"], units)}


@pytest.mark.parametrize("verb", ["mount", "change over"])
@pytest.mark.parametrize("minutes", [-10, 20])
def test_material_that_is_told_after_the_run_may_be_in_it(house: House, verb: str, minutes: int) -> None:
    with plant(house) as do:
        paper = Paper(do)
        do.post(f"/stations/{paper.at}/mount", item=paper.first, **paper.time(-50))
        paper.enter("start", paper.lot, 0)
        assert paper.enter("finish", paper.lot, 40) == []
        assert paper.glue() == paper.all_of(paper.first)
        assert [paper.second in why for why in paper.enter(verb, paper.second, minutes)] == [True]
        assert paper.glue() == paper.either()
        assert do.get(f"/stops/{paper.lot}")["stopped"]
        assert do.findings() == []


def test_material_that_came_after_the_run_by_time_is_not_in_it(house: House) -> None:
    with plant(house) as do:
        paper = Paper(do)
        paper.run()
        assert paper.enter("mount", paper.second, 41) == []
        assert paper.glue() == paper.all_of(paper.first)


def test_a_run_that_is_told_after_its_material_was_changed_may_have_had_what_lay_there_then(house: House) -> None:
    with plant(house) as do:
        paper = Paper(do)
        do.post(f"/stations/{paper.at}/mount", item=paper.first, **paper.time(-50))
        do.post(f"/stations/{paper.at}/unmount", item=paper.first, **paper.time(60))
        do.post(f"/stations/{paper.at}/mount", item=paper.second, **paper.time(61))
        assert any(paper.first in why for why in paper.enter("start", paper.lot, 0))
        paper.enter("finish", paper.lot, 40)
        assert paper.glue() == paper.either()
        assert do.findings() == []


def test_what_was_changed_within_a_run_that_is_told_later_may_be_in_it(house: House) -> None:
    with plant(house) as do:
        paper = Paper(do)
        third = do.batch("GLUE")
        for glue, on, off in ((paper.first, -50, 20), (paper.second, 20, 60)):
            do.post(f"/stations/{paper.at}/mount", item=glue, **paper.time(on))
            do.post(f"/stations/{paper.at}/unmount", item=glue, **paper.time(off))
        do.post(f"/stations/{paper.at}/mount", item=third, **paper.time(61))
        paper.enter("start", paper.lot, 0)
        assert any(paper.second in why for why in paper.enter("finish", paper.lot, 40))
        assert paper.glue() == paper.either()


def test_a_correction_of_what_was_told_late_is_told_to_the_run(house: House) -> None:
    with plant(house) as do:
        paper = Paper(do)
        paper.run_and_then_the_mount_before()
        late, early = do.get(f"/stations/{paper.at}/mounts")["mounts"][:2]
        assert (late["item"], early["item"]) == (paper.second, paper.first)
        do.post(f"/mounts/{early['mount']}/correct", item=paper.second, reason="the label was misread")
        assert paper.glue() == paper.all_of(paper.second)
        do.post(f"/mounts/{late['mount']}/correct", never=True, reason="it was another station")
        assert paper.glue() == paper.all_of(paper.second)
        assert do.findings() == []


def test_a_correction_of_something_else_leaves_a_run_what_was_told_late(house: House) -> None:
    with plant(house) as do:
        paper = Paper(do)
        paper.run_and_then_the_mount_before()
        red = next(one for one in do.get(f"/stations/{paper.at}/mounts")["mounts"] if one["item"].startswith("W"))
        do.post(f"/mounts/{red['mount']}/correct", item=do.wafer("RD-2"), reason="the label was misread")
        assert paper.glue() == paper.either()
        assert do.findings() == []


def test_a_late_mount_that_never_was_is_in_no_run(house: House) -> None:
    with plant(house) as do:
        paper = Paper(do)
        paper.run_and_then_the_mount_before()
        late = do.get(f"/stations/{paper.at}/mounts")["mounts"][0]
        do.post(f"/mounts/{late['mount']}/correct", never=True, reason="it was another station")
        assert paper.glue() == paper.all_of(paper.first)

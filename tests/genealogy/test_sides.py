"""A cell was on one side of a change-over, so suspects that must all hold do not hold together where they are on different sides."""

from typing import Any

from app.db import House
from tests.machines.plant import Plant, plant


def _bounds(do: Plant, *suspects: str, join: str = "all") -> tuple[int, int]:
    asked = "&".join(f"suspect={one}" for one in suspects)
    total: dict[str, Any] = do.get(f"/exposure?{asked}&join={join}")["total"]
    return total["least"], total["greatest"]


def test_two_sides_of_a_change_over_are_never_on_one_cell(house: House) -> None:
    with plant(house) as do:
        first, second = do.batch("GLUE"), do.batch("GLUE")
        wafer, panels = do.wafer("W1"), do.panels(3)
        do.mount("Attach", first)
        do.mount("Attach", wafer)
        lot = do.lot(panels)
        run = do.start("Attach", lot)
        do.post(f"/stations/{do.at['Attach']}/change_over", item=second, panels_done=panels[:1], panels_in_work=[panels[1]])
        do.post(f"/runs/{run}/finish")
        sides = _bounds(do, first), _bounds(do, second)
        assert sides == ((20, 40), (20, 40)), "the panel in work has cells on either side"
        assert _bounds(do, first, second, join="any") == (60, 60)
        assert _bounds(do, first, second) == (0, 0)
        assert _bounds(do, first, wafer) == (20, 40)
        assert _bounds(do, first, run, panels[1]) == (0, 20)
        assert _bounds(do, first, second, panels[1]) == (0, 0)

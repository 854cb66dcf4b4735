"""A cell was on one side of a change-over, so suspects that must all hold do not hold together where they are on different sides."""

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.db import House
from app.floor.change_overs import change_over
from app.floor.ends import Said
from app.genealogy.suspect_cells import SuspectCells
from app.genealogy.suspects import Suspect, any_of, suspected
from app.ledger.walk import NEVER
from tests.conftest import FreshHouse
from tests.machines.plant import Plant, plant
from tests.small_factory import Factory


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


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_of_wafers_side_by_side_without_a_log_each_cell_has_one(fresh_house: FreshHouse, data: st.DataObject) -> None:
    """Against every way in which a cell can have had its die: by one of two lines, of a wafer that was mounted then."""
    numbers = st.integers(0, 3)
    first = data.draw(st.lists(numbers, min_size=1, max_size=3, unique=True))
    changed = data.draw(st.booleans())
    asked = data.draw(st.lists(st.sets(numbers, min_size=1, max_size=3), min_size=1, max_size=3))
    with TemporaryDirectory() as folder, fresh_house(Path(folder)) as house:
        factory = Factory(house).load()
        wafers, (panel,) = [factory.wafer() for _ in range(4)], factory.panels(1)
        factory.mount("Attach", factory.batch("GLUE"))
        for n in first:
            factory.mount("Attach", wafers[n], place=f"wafer {n}")
        ways = list(first)
        run = factory.start("Attach", factory.lot([panel]))
        if changed:
            new = next(n for n in range(4) if n not in first)
            at, place = factory.things["Attach"], f"wafer {first[0]}"
            factory.do("change_over", lambda s, by: len(change_over(s, by, at, wafers[new], place, Said())))
            ways += [new, *first[1:]]
        factory.finish(run)
        held = [all(wafer in suspects for suspects in asked) for wafer in ways]
        with house.reading() as session:
            suspicions = [any_of([suspected(session, Suspect(wafers[n])) for n in sorted(suspects)]) for suspects in asked]
            cells = SuspectCells(session, suspicions)
            found = cells.at(panel.id, NEVER).within((1 << 20) - 1) if panel.id in cells.panels else (0, 0)
    assert found == (20 if all(held) else 0, 20 if any(held) else 0), (ways, asked)


def test_without_a_log_traces_and_exposure_are_alike_sure_of_a_wafer(house: House) -> None:
    """Alone on the station it is in every cell; beside another, or on one side of a change-over, perhaps in all and surely in none."""
    with plant(house) as do:
        glue, sole, one, other, after = do.batch("GLUE"), *(do.wafer(f"W{n}") for n in range(4))
        do.mount("Attach", glue)
        do.mount("Attach", sole)
        lots = [do.lot(do.panels(2)) for _ in range(3)]
        do.run("Attach", lots[0])
        do.post(f"/stations/{do.at['Attach']}/unmount", item=sole)
        for n, wafer in enumerate((one, other)):
            do.post(f"/stations/{do.at['Attach']}/mount", item=wafer, place=f"wafer {n}")
        do.run("Attach", lots[1])
        do.post(f"/stations/{do.at['Attach']}/unmount", item=other)
        run = do.start("Attach", lots[2])
        do.post(f"/stations/{do.at['Attach']}/change_over", item=after, place="wafer 0")
        do.post(f"/runs/{run}/finish")
        for wafer, expected in ((sole, (40, 40)), (one, (0, 80)), (other, (0, 40)), (after, (0, 40))):
            assert _bounds(do, wafer) == expected, wafer
            forward = [(row["least"], row["greatest"]) for row in do.get(f"/trace/{wafer}?direction=forward")["panels"]]
            back = [
                (row["least"], row["greatest"])
                for lot in lots for panel in do.get(f"/lots/{lot}")["panels"]
                for row in do.get(f"/trace/{panel}")["wafers"] if row["code"] == wafer
            ]  # fmt: skip
            assert sorted(forward) == sorted(back)
            assert (sum(least for least, _ in back), sum(greatest for _, greatest in back)) == expected, wafer

"""An exposure of a wafer never tells of more cells than the wafer has dies for: an empty cell beside its dies is no die too many."""

from datetime import UTC, datetime

import pytest

from app.db import House
from app.genealogy.exposure_network import network
from app.genealogy.suspects import Suspect, suspected
from app.naming.resolve import resolve
from tests.machines.plant import Plant, plant

HEAD = "time,wafer,die x,die y,panel,row,column\n"


def _wafer(do: Plant, number: str, dies: int) -> str:
    """All in one row, all passing."""
    text = f"wafer: {number}\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n" + "1" * dies
    return str(do.post("/wafers", files=[("files", ("map.txt", text.encode()))], part="WR", passing="1")["wafers"][0]["wafer"])


def _placed(do: Plant, dies: int, lost: int = 0, *, scraps: bool = True) -> tuple[str, list[str]]:
    """Two panels of twenty cells: the last cell of the second is empty by the log, and `scraps`: that panel is scrapped."""
    wafer, panels = _wafer(do, "RD-1", dies), do.panels(2)
    do.mount("Attach", wafer)
    do.mount("Attach", do.batch("GLUE"))
    do.run("Attach", do.lot(panels))
    at = datetime.now(UTC).isoformat()
    lines = [f"{at},{wafer},{n},0,{panels[n // 20]},{n % 20 // 5 + 1},{n % 5 + 1}" for n in range(39)]
    lines += [f"{at},{wafer},{39 + n},0,,," for n in range(lost)]
    do.post("/placement_logs", station=do.at["Attach"], files={"file": ("log.csv", (HEAD + "\n".join(lines)).encode())})
    if scraps:
        do.post("/scrap", thing=panels[1], reason="bent")
    return wafer, panels


@pytest.mark.parametrize(("dies", "lost", "greatest"), [(39, 0, 39), (40, 0, 40), (60, 0, 40), (41, 2, 39)])
def test_an_empty_cell_counts_as_long_as_a_die_is_left_for_it(house: House, dies: int, lost: int, greatest: int) -> None:
    with plant(house) as do:
        wafer, panels = _placed(do, dies, lost)
        told = do.get(f"/exposure?suspect={wafer}")
        assert (told["total"]["least"], told["total"]["greatest"]) == (39, greatest)
        assert 39 <= told["total"]["expected"] <= greatest
        assert [(row["least"], row["greatest"]) for row in told["lots"]] == [(39, greatest)]
        assert {row["code"]: row["greatest"] for row in told["panels"]} == {panels[0]: 20, panels[1]: 20}
        with house.reading() as session:
            mixing = network(session, [suspected(session, Suspect(resolve(session, wafer)))]).mixing
            names = list(mixing.network.outlets)
            assert mixing.bounds(names) == mixing.bounds_by_flow(names) == (39, greatest)


def test_of_a_region_only_its_own_dies_count(house: House) -> None:
    with plant(house) as do:
        wafer, _ = _placed(do, 60)
        assert [
            (one["least"], one["greatest"])
            for region in ("0,0,2,0", "0,0,2,5", "37,0,41,0") for one in [do.get(f"/exposure?suspect={wafer}&rectangle={region}")["total"]]
        ] == [(3, 3), (3, 3), (2, 3)]  # fmt: skip


@pytest.mark.parametrize(("dies", "lost", "greatest"), [(39, 0, 39), (40, 0, 40), (60, 0, 40), (41, 2, 39)])
def test_a_trace_tells_of_no_more_than_an_exposure(house: House, dies: int, lost: int, greatest: int) -> None:
    with plant(house) as do:
        wafer, panels = _placed(do, dies, lost, scraps=False)
        forward = do.get(f"/trace/{wafer}?direction=forward")
        told = do.get(f"/exposure?suspect={wafer}")
        lot = next(row for row in forward["lots"])
        back = next(row for row in do.get(f"/trace/{lot['code']}?direction=back")["wafers"] if row["code"] == wafer)
        assert (lot["least"], lot["greatest"]) == (back["least"], back["greatest"]) == (39, greatest)
        assert (forward["subject"]["units"], told["total"]["greatest"]) == (greatest, greatest)
        assert {row["code"]: row["greatest"] for row in forward["panels"]} == dict.fromkeys(panels, 20)

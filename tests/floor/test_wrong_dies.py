"""Each row's share of the dies that were wrongly used, against a loop over dies."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from app.floor.packed_dies import die_numbers, pack_dies
from app.floor.wrong_dies import DieUse, WrongDies, wrong_dies
from app.receiving.die_maps import Stated, read_maps

ROWS = ("11.", "121", "112")  # a failing die in the middle and one at a corner; none at the upper right
(MAP,) = read_maps(("wafer: A\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n" + "\n".join(ROWS)).encode(), "a.txt", Stated(passing=("1",)))
places = st.tuples(st.integers(-1, 4), st.integers(-1, 3))  # some beyond the map


@given(st.lists(st.tuples(st.lists(places, min_size=1, max_size=8), st.booleans()), max_size=6))
def test_each_row_has_its_share(rows: list[tuple[list[tuple[int, int]], bool]]) -> None:
    uses = [DieUse(e, 1, pack_dies(die_numbers(*np.array(dies).T)), lost) for e, (dies, lost) in enumerate(rows)]
    assert wrong_dies(MAP, uses) == list(_by_loop(rows))


def _by_loop(rows: list[tuple[list[tuple[int, int]], bool]]):  # type: ignore[no-untyped-def]
    used = set()
    for dies, lost in rows:
        failing = not_on_map = again = 0
        for x, y in dies:
            there = ROWS[y][x] if 0 <= x < 3 and 0 <= y < 3 else "."
            if (x, y) in used:
                again += not lost
            elif there == ".":
                not_on_map += 1
            elif there == "2":
                failing += not lost
            used.add((x, y))
        yield WrongDies(failing, not_on_map, again)

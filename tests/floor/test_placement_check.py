"""The placement check against a loop over lines, packed dies, and the counts of a wafer."""

from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.floor.packed_dies import bitmap_of_dies, die_coordinates, die_numbers, flags_of, pack_dies, unpack_coordinates, unpack_dies, unpack_many
from app.floor.placement_check import (
    FAILED,
    FILLED_TWICE,
    NO_CELL,
    NO_DIE,
    USED_BEFORE,
    Checked,
    PanelBefore,
    WaferBefore,
    check_placements,
    count_wafer,
)
from app.floor.placement_logs import LOST, PlacementLog
from app.receiving.die_maps import DieMap, Stated, read_maps

ROWS, COLUMNS = 3, 4
Line = tuple[str, int, int, str | None, int, int]  # wafer, x, y, panel or lost, row, column


def map_of(lines: str) -> DieMap:
    (found,) = read_maps(lines.encode(), "test", Stated(origin="LowerLeft", null=".", passing=("1",)))
    return found


MAPS = {"W1": map_of(".111.\n11211\n11111\n.121.\n"), "W2": map_of("1112\n.111\n")}


def log_of(lines: Iterable[Line]) -> PlacementLog:
    rows = list(lines)
    wafers = tuple(dict.fromkeys(row[0] for row in rows))
    panels = tuple(dict.fromkeys(row[3] for row in rows if row[3] is not None))

    def ints(values: Iterable[int]) -> np.ndarray:  # type: ignore[type-arg]
        return np.array(list(values), dtype=np.int64)

    return PlacementLog(
        "test", wafers, panels,
        ints(wafers.index(r[0]) for r in rows), ints(LOST if r[3] is None else panels.index(r[3]) for r in rows),
        ints(r[1] for r in rows), ints(r[2] for r in rows), ints(r[4] for r in rows), ints(r[5] for r in rows),
        np.full(len(rows), np.datetime64("NaT", "us")), ints(range(2, len(rows) + 2)),
    )  # fmt: skip


def check(lines: Iterable[Line], before: Checked | None = None) -> Checked:
    """Checks lines after what an earlier check left."""
    wafers = {name: WaferBefore(die_map) for name, die_map in MAPS.items()}
    panels = {name: PanelBefore(ROWS, COLUMNS) for name in ("P1", "P2")}
    if before is not None:
        wafers |= {w.wafer: WaferBefore(MAPS[w.wafer], w.used, w.lost) for w in before.wafers}
        for each in before.panels:
            occupied = np.zeros(2, dtype=np.uint8)
            for layer in each.layers:
                occupied |= np.frombuffer(layer.cells, dtype=np.uint8)
            panels[each.panel] = PanelBefore(ROWS, COLUMNS, occupied.tobytes(), each.layers)
    return check_placements(log_of(lines), wafers, panels)


def placements(checked: Checked) -> list[Line]:
    """What the layers say, unpacked."""
    found: list[Line] = []
    for panel in checked.panels:
        for layer in panel.layers:
            cells = np.flatnonzero(np.unpackbits(np.frombuffer(layer.cells, dtype=np.uint8), bitorder="little"))
            x, y = die_coordinates(unpack_dies(layer.dies))
            assert len(cells) == layer.n == len(x)
            found += [
                (layer.wafer, int(a), int(b), layer.panel, int(cell) // COLUMNS + 1, int(cell) % COLUMNS + 1)
                for a, b, cell in zip(x, y, cells, strict=True)
            ]
    return found


def by_hand(lines: list[Line], earlier: list[Line]) -> tuple[list[Line], dict[str, set[int]], set[tuple[str, int, int, str]], int]:
    """Line by line: placements on cells, lines at fault by reason, marks (panel, row, column, reason), repeated lines."""
    placed: list[Line] = []
    at_fault: dict[str, set[int]] = {reason: set() for reason in (NO_DIE, FAILED, USED_BEFORE, NO_CELL, FILLED_TWICE)}
    marks = set()
    said, used, filled, gone, repeated = set(), set(), set(), set(), 0
    for number, (wafer, x, y, panel, row, column) in enumerate(earlier + lines, start=2 - len(earlier)):
        on_cell = panel is not None and 1 <= row <= ROWS and 1 <= column <= COLUMNS
        place = (panel, row, column) if panel is not None else None
        new = number > 1
        entry = MAPS[wafer].bin_at(x, y)
        if (wafer, x, y, place) in said or (new and not on_cell and (wafer, x, y) in gone):
            repeated += new
            continue
        if new or on_cell:  # an earlier log leaves layers and lost dies, and no other lines
            said.add((wafer, x, y, place))
        faults = set()
        if entry is None:
            faults.add(NO_DIE)
        else:
            if entry.quality != "pass" and panel is not None:
                faults.add(FAILED)
            if (wafer, x, y) in used:
                faults.add(USED_BEFORE)
        if panel is not None and not on_cell:
            faults.add(NO_CELL)
        if on_cell and place in filled:
            faults.add(FILLED_TWICE)
        inside = MAPS[wafer].index_of(x, y) >= 0
        if not new and not on_cell and inside and (wafer, x, y) not in used:
            gone.add((wafer, x, y))
        used.add((wafer, x, y))
        if on_cell:
            filled.add(place)
        if not new:
            continue
        if on_cell:
            placed.append((wafer, x, y, panel, row, column))
            marks |= {(str(panel), row, column, reason) for reason in faults}
        for reason in faults:
            at_fault[reason].add(number)
    return placed, {reason: found for reason, found in at_fault.items() if found}, marks, repeated


any_line = st.tuples(
    st.sampled_from(("W1", "W2")),
    st.integers(-1, 5),
    st.integers(-1, 4),
    st.sampled_from(("P1", "P1", "P2", None)),
    st.integers(0, 4),
    st.integers(0, 5),
)


@settings(max_examples=300)
@given(st.lists(any_line, min_size=1, max_size=25), st.lists(any_line, max_size=15))
def test_the_check_equals_a_loop_over_lines(lines: list[Line], earlier: list[Line]) -> None:
    before = check(earlier) if earlier else None
    checked = check(lines, before)
    placed, at_fault, marks, repeated = by_hand(lines, earlier)
    assert sorted(placements(checked)) == sorted(placed)
    assert {reason: set(numbers) for reason, numbers in checked.lines.items()} == at_fault
    shown = {
        (panel.panel, int(cell) // COLUMNS + 1, int(cell) % COLUMNS + 1, mark.reason)
        for panel in checked.panels
        for mark in panel.marks
        for cell in np.flatnonzero(np.unpackbits(np.frombuffer(mark.cells, dtype=np.uint8), bitorder="little"))
    }
    assert shown == marks
    assert checked.repeated == repeated
    assert checked.placed == len(placed) == sum(wafer.placed for wafer in checked.wafers)
    assert checked.wrong == len(set().union(*at_fault.values()))


@given(st.lists(any_line, min_size=1, max_size=25))
def test_passing_dies_are_placed_lost_or_left(lines: list[Line]) -> None:
    for wafer in check(lines).wafers:
        count = count_wafer(WaferBefore(MAPS[wafer.wafer], wafer.used, wafer.lost))
        assert count.passing == MAPS[wafer.wafer].passing == count.placed + count.lost + count.left


@given(st.lists(any_line, min_size=1, max_size=20), st.integers(0, 20))
def test_a_cumulative_log_says_nothing_twice(lines: list[Line], cut: int) -> None:
    earlier = lines[:cut]
    before = check(earlier) if earlier else None
    after = check(lines, before)
    assert sorted(placements(after) + (placements(before) if before else [])) == sorted(placements(check(lines)))


def test_a_good_log_has_no_faults() -> None:
    checked = check([("W1", 1, 3, "P1", 1, 1), ("W1", 2, 3, "P1", 1, 2), ("W1", 3, 3, None, 0, 0), ("W2", 1, 0, "P1", 1, 3)])
    (panel,) = checked.panels
    assert (panel.placed, panel.wrong, panel.failing, panel.marks, checked.lines) == (3, 0, 0, (), {})
    assert [(layer.wafer, layer.n, layer.cells) for layer in panel.layers] == [("W1", 2, b"\x03\x00"), ("W2", 1, b"\x04\x00")]
    first, second = checked.wafers
    assert (first.placed, first.wrong, second.placed) == (2, 0, 1)


def test_a_die_on_a_cell_that_does_not_exist_is_lost() -> None:
    checked = check([("W1", 1, 3, "P1", 9, 1)])
    assert checked.lines == {NO_CELL: (2,)}
    assert (checked.panels[0].wrong, checked.panels[0].layers) == (1, ())
    wafer = checked.wafers[0]
    assert count_wafer(WaferBefore(MAPS["W1"], wafer.used, wafer.lost)).lost == 1


def test_two_dies_on_one_cell_are_two_layers_and_one_mark() -> None:
    (panel,) = check([("W1", 1, 3, "P1", 1, 1), ("W1", 2, 3, "P1", 1, 1)]).panels
    assert [layer.n for layer in panel.layers] == [1, 1]
    assert [(mark.reason, mark.n) for mark in panel.marks] == [(FILLED_TWICE, 1)]


def test_lines_of_other_wafers_and_panels_are_left_to_the_caller() -> None:
    log = log_of([("W1", 1, 3, "P1", 1, 1), ("W9", 1, 3, "P1", 1, 2), ("W1", 2, 3, "P9", 1, 1)])
    checked = check_placements(log, {"W1": WaferBefore(MAPS["W1"])}, {"P1": PanelBefore(ROWS, COLUMNS)})
    assert (checked.placed, checked.wrong) == (1, 0)
    assert [name for name in log.wafers if name not in MAPS] == ["W9"]


coordinates = st.tuples(st.integers(-32767, 32767), st.integers(-32767, 32767))
near = st.tuples(st.integers(-3, 3), st.integers(-1, 1))


@given(st.lists(st.lists(st.one_of(coordinates, near), max_size=30), max_size=6))
def test_packed_dies_come_back_alone_and_together(panels: list[list[tuple[int, int]]]) -> None:
    packed = []
    for dies in panels:
        x, y = [die[0] for die in dies], [die[1] for die in dies]
        packed.append(pack_dies(die_numbers(x, y)))
        assert list(zip(*(each.tolist() for each in die_coordinates(unpack_dies(packed[-1]))), strict=True)) == dies
    numbers, counts = unpack_many(packed)
    assert list(zip(*(each.tolist() for each in unpack_coordinates(packed)), strict=True)) == [die for dies in panels for die in dies]
    assert counts.tolist() == [len(dies) for dies in panels]
    assert list(zip(*(each.tolist() for each in die_coordinates(numbers)), strict=True)) == [die for dies in panels for die in dies]


def test_a_panel_of_400_dies_picked_along_rows_takes_little_room() -> None:
    x, y = np.arange(400) % 150, np.arange(400) // 150
    assert len(pack_dies(die_numbers(np.where(y % 2, 149 - x, x), y))) == 12 + 2 * 8 + 399


@pytest.mark.parametrize("wafer", sorted(MAPS))
def test_bitmaps_of_dies_go_by_index(wafer: str) -> None:
    die_map = MAPS[wafer]
    x, y = die_map.coordinates_of(np.flatnonzero(die_map.exists()))
    bitmap = bitmap_of_dies(die_map, die_numbers([*x, 999], [*y, 999]))
    assert (flags_of(die_map, bitmap) == die_map.exists()).all()
    assert not flags_of(die_map, b"").any()

"""Bins against Shapely's `covers` on points that often lie on edges and corners; coordinates are whole numbers of 0.001 there."""

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point
from shapely import Polygon as Area

from app.catalogue.definitions import BinEntry, BinTableBody, Polygon, Rank
from app.errors import BadInput
from app.final_test.bins import FARTHEST, binned_sql, needed_columns

Corners = list[tuple[int, int]]
STAR: Corners = [(20, 0), (24, 16), (40, 20), (24, 24), (20, 40), (16, 24), (0, 20), (16, 16)]
ELL: Corners = [(0, 0), (40, 0), (40, 10), (10, 10), (10, 40), (0, 40)]
COMB: Corners = [(0, 0), (40, 0), (40, 40), (32, 7), (30, 40), (21, 3), (11, 38), (7, 5), (0, 29)]
UNBINNED, FAILED = BinEntry(name="U", grade="reject"), BinEntry(name="F", grade="reject")

corners = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=3, max_size=7)
areas = corners.filter(lambda ring: Area(ring).is_valid and Area(ring).area > 0)


def table_of(*bins: BinEntry) -> BinTableBody:
    return BinTableBody(name="T", unbinned="U", failed="F", bins=(*bins, UNBINNED, FAILED))


def area_bin(name: str, *rings: Corners, pair: str = "red") -> BinEntry:
    polygons = [Polygon(x=f"x_{pair}", y=f"y_{pair}", points=tuple((x / 1000, y / 1000) for x, y in ring)) for ring in rings]
    return BinEntry(name=name, grade="prime", polygons=tuple(polygons))


def bins_of(table: BinTableBody, rows: list[dict[str, object]], odd: tuple[str, str] = ("false", "")) -> list[str]:
    """What DuckDB says, row by row."""
    names = [*needed_columns(table), "failure"]
    values = ", ".join("(" + ", ".join(f"?::{'VARCHAR' if name == 'failure' else 'DOUBLE'}" for name in names) + ")" for _ in rows)
    source = f"(SELECT * FROM (VALUES {values}) AS t({', '.join(names)}))"
    statement = f"SELECT bin FROM ({binned_sql(table, source, {name: name for name in names}, odd)})"
    return [row[0] for row in duckdb.connect().execute(statement, [row.get(name) for row in rows for name in names]).fetchall()]


def grid_bins(table: BinTableBody, points: Corners) -> list[str]:
    return bins_of(table, [{"x_red": x / 1000, "y_red": y / 1000} for x, y in points])


def by_shapely(rings: dict[str, Corners], point: tuple[int, int]) -> str:
    return next((name for name, ring in rings.items() if Area(ring).covers(Point(point))), "U")


EVERY_POINT = [(x, y) for x in range(-1, 42) for y in range(-1, 42)]


@pytest.mark.parametrize("ring", [STAR, ELL, COMB, STAR[::-1], [*ELL, ELL[0]]], ids=["star", "ell", "comb", "turned", "closed"])
def test_a_polygon_holds_what_shapely_says_edges_and_corners_too(ring: Corners) -> None:
    found = grid_bins(table_of(area_bin("A", ring)), EVERY_POINT)
    assert found == [by_shapely({"A": ring}, point) for point in EVERY_POINT]
    assert "A" in found and "U" in found


@settings(max_examples=60, deadline=None)
@given(st.lists(areas, min_size=1, max_size=4), st.data())
def test_bins_that_overlap_or_touch_give_a_point_to_the_first(rings: list[Corners], data: st.DataObject) -> None:
    named = {f"B{n}": ring for n, ring in enumerate(rings)}
    on_corners = [corner for ring in rings for corner in ring]
    points = on_corners + data.draw(st.lists(st.tuples(st.integers(-1, 41), st.integers(-1, 41)), min_size=20, max_size=60))
    table = table_of(*(area_bin(name, ring) for name, ring in named.items()))
    assert grid_bins(table, points) == [by_shapely(named, point) for point in points]


# ANSI C78.377 quadrangles of 2700 K and 3000 K (corners from memory, recomputed from their definition): they share an edge
Q2700 = ((0.4813, 0.4319), (0.4562, 0.4260), (0.4373, 0.3893), (0.4593, 0.3944))
Q3000 = ((0.4562, 0.4260), (0.4299, 0.4165), (0.4147, 0.3814), (0.4373, 0.3893))


def test_a_point_on_a_shared_edge_is_of_exactly_one_bin() -> None:
    """On the edge in decimals is on the edge: 0.4562, 0.4260 to 0.4373, 0.3893; as doubles nine of these eleven lie beside it."""
    named = (("W27", Q2700), ("W30", Q3000))
    bins = [BinEntry(name=name, grade="prime", polygons=(Polygon(x="x_red", y="y_red", points=points),)) for name, points in named]
    steps = [(4562 * 10 - 189 * n, 4260 * 10 - 367 * n) for n in range(11)]
    rows: list[dict[str, object]] = [{"x_red": float(f"{x / 1e5:.5f}"), "y_red": float(f"{y / 1e5:.5f}")} for x, y in steps]
    assert set(bins_of(table_of(*bins), rows)) == {"W27"}
    assert set(bins_of(table_of(*bins[::-1]), rows)) == {"W30"}


def test_a_cut_through_a_concave_polygon_leaves_no_gap() -> None:
    """Points of seven decimals along every line between two corners, where triangles meet."""
    inside = []
    for ax, ay in STAR:
        for bx, by in STAR:
            for n in range(1, 97):
                point = round(ax * 1e4 + (bx - ax) * 1e4 * n / 97), round(ay * 1e4 + (by - ay) * 1e4 * n / 97)
                if Area([(x * 10**4, y * 10**4) for x, y in STAR]).covers(Point(point)):
                    inside.append(point)
    found = bins_of(table_of(area_bin("A", STAR)), [{"x_red": x / 1e7, "y_red": y / 1e7} for x, y in inside])
    assert len(inside) > 500 and set(found) == {"A"}


def test_a_bin_may_ask_for_every_colour_and_for_ranks() -> None:
    square: Corners = [(0, 0), (40, 0), (40, 40), (0, 40)]
    red, green = area_bin("A", square, pair="red"), area_bin("A", square, pair="green")
    bright = BinEntry(name="A1", grade="prime", polygons=red.polygons + green.polygons, ranks=(Rank(column="iv_red", low=300.1, high=400.2),))
    dim = bright.model_copy(update={"name": "A2", "ranks": (Rank(column="iv_red", low=200.3, high=300.1),)})
    table = table_of(bright, dim)
    assert needed_columns(table) == ("x_red", "y_red", "x_green", "y_green", "iv_red")
    good: dict[str, object] = {"x_red": 0.01, "y_red": 0.01, "x_green": 0.02, "y_green": 0.02, "iv_red": 350.0}
    rows = [good, good | {"x_green": 0.05}, good | {"iv_red": 250.0}, good | {"iv_red": 300.1}, good | {"iv_red": 400.2}, good | {"iv_red": 200.2}]
    assert bins_of(table, rows) == ["A1", "U", "A2", "A1", "A1", "U"]


def test_bins_that_share_a_polygon_differ_by_the_rest() -> None:
    square: Corners = [(0, 0), (40, 0), (40, 40), (0, 40)]
    left, right = area_bin("A", ELL, pair="green"), area_bin("B", STAR, pair="green")
    table = table_of(*(one.model_copy(update={"polygons": (*area_bin("square", square).polygons, *one.polygons)}) for one in (left, right)))
    rows: list[dict[str, object]] = [{"x_red": x / 1000, "y_red": 0.04, "x_green": 0.02, "y_green": y / 1000} for x in (40, 41) for y in (5, 20)]
    assert bins_of(table, rows) == ["A", "B", "U", "U"]


def test_two_polygons_of_one_colour_are_one_area_in_two_parts() -> None:
    table = table_of(area_bin("A", [(0, 0), (10, 0), (10, 10), (0, 10)], [(30, 30), (40, 30), (40, 40), (30, 40)]))
    assert grid_bins(table, [(5, 5), (35, 35), (20, 20)]) == ["A", "A", "U"]


def test_a_failed_unit_goes_by_its_code_whatever_was_measured() -> None:
    short = BinEntry(name="SHORT", grade="reject", fail_codes=("S1", "it's"))
    table = table_of(area_bin("A", [(0, 0), (40, 0), (40, 40), (0, 40)]), short)
    rows: list[dict[str, object]] = [{"x_red": 0.01, "y_red": 0.01, "failure": code} for code in (None, "S1", "it's", "s1", "other")]
    assert bins_of(table, rows) == ["A", "SHORT", "SHORT", "F", "F"]


def test_a_passing_unit_without_a_value_is_unbinned() -> None:
    table = table_of(area_bin("A", [(0, 0), (40, 0), (40, 40), (0, 40)]))
    assert bins_of(table, [{"x_red": 0.01, "y_red": None}, {"x_red": None, "y_red": None}]) == ["U", "U"]


def test_a_bin_that_asks_nothing_takes_the_rest_of_what_passed() -> None:
    rest = BinEntry(name="REST", grade="second")
    table = table_of(area_bin("A", [(0, 0), (10, 0), (10, 10), (0, 10)]), rest)
    assert bins_of(table, [{"x_red": 0.005, "y_red": 0.005}, {"x_red": 0.5}, {"x_red": 0.5, "failure": "X"}]) == ["A", "REST", "F"]


@pytest.mark.parametrize("size", [4.5, 60.0, 3e6])
def test_greater_numbers_are_compared_exactly_too(size: float) -> None:
    """A slanted square of that size: its edge's middle is inside, one step of its decimals further out is not."""
    diamond = Polygon(x="p", y="q", points=((size, 0.0), (0.0, size), (-size, 0.0), (0.0, -size)))
    table = table_of(BinEntry(name="A", grade="prime", polygons=(diamond,)))
    half = size / 2
    rows: list[dict[str, object]] = [{"p": half, "q": half}, {"p": half + size * 1e-6, "q": half}, {"p": 1e11, "q": -1e11}]
    assert bins_of(table, rows) == ["A", "U", "U"]


@pytest.mark.parametrize("ring", [[(0, 0), (40, 40), (40, 0), (0, 40)], [(0, 0), (20, 20), (40, 40)]], ids=["crossed", "a line"])
def test_what_is_no_polygon_is_refused(ring: Corners) -> None:
    with pytest.raises(BadInput, match="enclose no area"):
        binned_sql(table_of(area_bin("A", ring)), "t", {"x_red": "x", "y_red": "y", "failure": "f"})


def test_a_column_that_was_not_measured_is_named() -> None:
    with pytest.raises(BadInput) as refusal:
        binned_sql(table_of(area_bin("A", STAR)), "t", {"x_red": "x", "failure": "f"})
    assert refusal.value.reasons[0].where == "column y_red"


def test_what_is_no_number_lies_in_no_area() -> None:
    """With one edge above, one beside and one slanted, NaN was above, beside and behind all three."""
    table = table_of(area_bin("A", [(0, 0), (40, 40), (0, 40)]))
    rows: list[dict[str, object]] = [{"x_red": float(x), "y_red": float(y)} for x in ("nan", "-inf", "0.01") for y in ("nan", "-inf", "inf", "0.02")]
    assert bins_of(table, rows) == [*"UUUUUUUUUUU", "A"]


FAR = [float("nan"), float("inf"), float("-inf"), 1e300, -1e300, 1e15, FARTHEST, -FARTHEST]
values = st.sampled_from([*FAR, None, 0.0, 0.005, 0.02, 0.04, 9e11])
RANKS = [Rank(column="iv_red", low=0.0, high=1.0), Rank(column="iv_red", low=0.0, high=1e13), Rank(column="iv_red", low=-1e13, high=1e12)]


@settings(max_examples=60, deadline=None)
@given(
    ring=areas, rank=st.sampled_from(RANKS), codes=st.sampled_from([(), ("F1",)]), failed=st.sampled_from(["A", "F"]),
    rows=st.lists(st.tuples(values, values, values, st.sampled_from([None, None, "", "F1", "F2"])), min_size=8, max_size=40),
)  # fmt: skip
def test_no_value_that_is_no_number_has_a_bin(
    ring: Corners, rank: Rank, codes: tuple[str, ...], failed: str, rows: list[tuple[float | None, float | None, float | None, str | None]]
) -> None:
    """Asked only where no bin's bounds have answered it, the same as asked of every row."""
    first = BinEntry(name="A", grade="prime", polygons=area_bin("A", ring).polygons, ranks=(rank,), fail_codes=codes)
    table = BinTableBody(name="T", unbinned="U", failed=failed, bins=(first, area_bin("B", ring), UNBINNED, FAILED))
    asked = [dict(zip(("x_red", "y_red", "iv_red", "failure"), row, strict=True)) for row in rows]
    odd = " OR ".join(["failure = ''", *(f"NOT abs({name}) < {FARTHEST}" for name in ("x_red", "y_red", "iv_red"))])
    plain = bins_of(table, asked)
    senseless = [failure == "" or any(v is not None and not abs(v) < FARTHEST for v in (x, y, iv)) for x, y, iv, failure in rows]
    assert bins_of(table, asked, (odd, "")) == ["" if none else name for none, name in zip(senseless, plain, strict=True)]

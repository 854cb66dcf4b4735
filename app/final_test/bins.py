"""Which bin a tested unit belongs to, as SQL made from the product's bin table. Pure.

A failed unit goes to the bin that names its failure code, else to the table's bin for failures. A passing unit goes to the first
bin of the table that takes it: one of the bin's polygons for each pair of columns must hold it, and every rank; edges and limits
belong to a polygon and a rank, so that a point on a shared edge belongs to the earlier bin alone. A bin without polygons, ranks and
failure codes takes every passing unit that comes so far. What no bin takes, or lacks a value that is asked for, is unbinned.

Points and corners are compared as whole numbers of their seventh decimal (fewer where corners are greater than 4): all sums stay
below 2**53, so double arithmetic is exact, and a point that lies on an edge in decimals lies on it here.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from math import floor, log10
from typing import TYPE_CHECKING

from app.catalogue.definitions import BinEntry, BinTableBody, Polygon, Rank
from app.errors import bad_input

if TYPE_CHECKING:
    from shapely import Polygon as Area

FAILURE = "failure"  # the key of the failure code among columns; NULL there: the unit passed
FARTHEST = 1e12  # a greater number is no measurement, and past what bins compare exactly
_FINEST = 7
Corner = tuple[int, int]


def needed_columns(table: BinTableBody) -> tuple[str, ...]:
    """The measured columns that the table asks for, each once, in its order."""
    of_bins = ([*(name for polygon in one.polygons for name in (polygon.x, polygon.y)), *(rank.column for rank in one.ranks)] for one in table.bins)
    return tuple(dict.fromkeys(name for names in of_bins for name in names))


def binned_sql(table: BinTableBody, source: str, columns: Mapping[str, str], odd: tuple[str, str] = ("false", "")) -> str:
    """`source` (what may stand after FROM) with the name of each unit's bin beside, in a column `bin`, as a SELECT of DuckDB.

    `columns`: the name in `source` of each needed column, and of FAILURE. What more than one bin asks is worked out once a row.
    `odd`: on which condition something else stands in `bin`, and what. It may ask for the failure, and whether needed values are numbers
    nearer than FARTHEST: where a unit fits within the bounds of a bin that needs them all, they are, and it is not asked.
    """
    missing = [name for name in needed_columns(table) if name not in columns]
    if missing:
        raise bad_input("These results can't be binned.", f"column {missing[0]}", f"{table.name} asks for it.", "Measure it, or change the table.")
    scales = _scales(table)
    points = {name: f"point_{n}" for n, name in enumerate(scales)}
    asked = Counter(_inside(polygon, points, scales) for one in table.bins for polygon in one.polygons)
    shared = {condition: f"area_{n}" for n, condition in enumerate(condition for condition, times in asked.items() if times > 1)}
    conditions = {one.name: _takes(one, table, columns, points, scales, shared) for one in table.bins}
    bounded = {one.name for one in table.bins if _bounds_all(one, needed_columns(table))}
    told = {name: text_sql(name) if name in bounded else _unless(odd, text_sql(name)) for name in conditions}
    passing = [f"WHEN {condition} THEN {told[name]}" for name, condition in conditions.items() if condition]
    failed = f"WHEN {columns[FAILURE]} IS NOT NULL THEN {_unless(odd, _failed(table, columns[FAILURE]))}"
    with_points = _with(source, {points[name]: f"round({columns[name]} * 1e{decimals})" for name, decimals in scales.items()})
    with_areas = _with(with_points, {name: condition for condition, name in shared.items()})
    return f"SELECT *, CASE {failed} {' '.join(passing)} ELSE {_unless(odd, text_sql(table.unbinned))} END AS bin FROM {with_areas}"


def _bounds_all(one: BinEntry, needed: Sequence[str]) -> bool:
    """Takes only units with a measured number in every needed column."""
    limits = [(rank.column, limit) for rank in one.ranks for limit in (rank.low, rank.high)]
    corners = [place for polygon in one.polygons for x, y in polygon.points for place in ((polygon.x, x), (polygon.y, y))]
    near: dict[str, bool] = {}
    for name, value in [*limits, *corners]:
        near[name] = near.get(name, True) and abs(value) < FARTHEST / 2
    return all(near.get(name, False) for name in needed)


def _unless(odd: tuple[str, str], bin_sql: str) -> str:
    return f"CASE WHEN {odd[0]} THEN {text_sql(odd[1])} ELSE {bin_sql} END"


def _with(source: str, worked_out: Mapping[str, str]) -> str:
    columns = "".join(f", {sql} AS {name}" for name, sql in worked_out.items())
    return f"(SELECT *{columns} FROM {source})" if worked_out else source


def text_sql(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def name_sql(name: str) -> str:
    """Of a column, whatever quotes a catalogue or a file has in it."""
    return '"' + name.replace('"', '""') + '"'


def _failed(table: BinTableBody, failure: str) -> str:
    named = [f"WHEN {text_sql(code)} THEN {text_sql(one.name)}" for one in table.bins for code in one.fail_codes]
    return f"CASE {failure} {' '.join(named)} ELSE {text_sql(table.failed)} END" if named else text_sql(table.failed)


def _takes(
    one: BinEntry, table: BinTableBody, columns: Mapping[str, str], points: Mapping[str, str], scales: Mapping[str, int], shared: Mapping[str, str]
) -> str:
    """The condition on which a passing unit is of this bin; empty when it takes none."""
    areas: dict[tuple[str, str], list[str]] = {}
    for polygon in one.polygons:
        condition = _inside(polygon, points, scales)
        areas.setdefault((polygon.x, polygon.y), []).append(shared.get(condition, condition))
    conditions = [_between(rank, columns[rank.column]) for rank in one.ranks] + [_any(parts) for parts in areas.values()]
    if not conditions:
        for_the_rest = not one.fail_codes and one.name not in (table.unbinned, table.failed)
        return "true" if for_the_rest else ""
    return " AND ".join(conditions)


def _between(rank: Rank, value: str) -> str:
    return f"{value} BETWEEN '{rank.low!r}'::DOUBLE AND '{rank.high!r}'::DOUBLE"  # not decimals: the file's numbers are read so too


def _inside(polygon: Polygon, points: Mapping[str, str], scales: Mapping[str, int]) -> str:
    pieces = _convex_pieces(polygon, scales)
    return _any([" AND ".join(_bounded(piece, points[polygon.x], points[polygon.y])) for piece in pieces])


def _bounded(piece: Sequence[Corner], x: str, y: str) -> Iterator[str]:
    """Beside slanted edges the bounds of the piece: DuckDB takes NaN for greater than any number, so it lies above every edge."""
    if any(ax != bx and ay != by for (ax, ay), (bx, by) in pairwise([*piece, piece[0]])):
        for name, places in ((x, [place for place, _ in piece]), (y, [place for _, place in piece])):
            yield f"{name} BETWEEN {min(places)} AND {max(places)}"
    yield from _half_planes(piece, x, y)


def _half_planes(piece: Sequence[Corner], x: str, y: str) -> Iterator[str]:
    """A convex piece, its corners counter-clockwise, as one comparison an edge.

    An edge is written the same from both its sides, so nothing falls between two pieces that share it.
    """
    for begin, end in pairwise([*piece, piece[0]]):
        (ax, ay), (bx, by) = sorted((begin, end))
        sign = ">=" if begin < end else "<="
        across, along = bx - ax, by - ay  # the left side of a -> b: across * (y - ay) - along * (x - ax) >= 0
        if across == 0:
            yield f"{x} {'<=' if sign == '>=' else '>='} {ax}"
        elif along == 0:
            yield f"{y} {sign} {ay}"
        else:
            yield f"{across} * {y} + {-along} * {x} {sign} {across * ay - along * ax}"


def _convex_pieces(polygon: Polygon, scales: Mapping[str, int]) -> list[list[Corner]]:
    """The polygon itself, or its triangles where it is not convex; corners as whole numbers, counter-clockwise."""
    from shapely import Polygon as Area  # a server starts without it
    from shapely import constrained_delaunay_triangles

    corners = [(round(x * 10 ** scales[polygon.x]), round(y * 10 ** scales[polygon.y])) for x, y in polygon.points]
    area = Area(corners)
    if not area.is_valid or area.area == 0:
        why = f"In {polygon.x} and {polygon.y} the corners {list(polygon.points)} enclose no area, or their lines cross."
        raise bad_input("This is not a polygon.", "polygons", why, "Give its corners in order around it.")
    if area.convex_hull.area == area.area:
        return [_around(area)]
    return [_around(triangle) for triangle in constrained_delaunay_triangles(area).geoms]


def _around(area: "Area") -> list[Corner]:
    closed = [(round(x), round(y)) for x, y in area.exterior.coords]
    ring = [corner for corner, after in pairwise(closed) if corner != after]
    return ring if area.exterior.is_ccw else ring[::-1]


def _scales(table: BinTableBody) -> dict[str, int]:
    """For each column the decimals that keep the sums of `_half_planes` below 2**53, over all bins alike."""
    greatest: dict[str, float] = {}
    for polygon in (polygon for one in table.bins for polygon in one.polygons):
        for name, values in zip((polygon.x, polygon.y), zip(*polygon.points, strict=True), strict=True):
            greatest[name] = max(greatest.get(name, 0.0), *(abs(value) for value in values))
    return {name: min(_FINEST, floor(log10(4.7e7 / value))) if value else _FINEST for name, value in greatest.items()}


def _any(conditions: Sequence[str]) -> str:
    return conditions[0] if len(conditions) == 1 else "(" + " OR ".join(f"({condition})" for condition in conditions) + ")"

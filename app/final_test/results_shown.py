"""What the unit results of a test run show: chromaticities against the bins' polygons, counts by bin, failures ranked.

The Parquet file is asked for counts in cells of the diagram, never for its rows; few units come one by one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import BinTableBody
from app.db import House
from app.drawing.bars import Amount, bars
from app.drawing.chromaticity_chart import Area, Cloud, chromaticity_chart, view_of
from app.final_test.bins import name_sql, text_sql
from app.final_test.chromaticity import spectral_locus
from app.final_test.columnar import columnar
from app.final_test.models import UnitFile
from app.final_test.results_in import parquet_path
from app.ledger.flows import Flow
from app.ledger.items import Lot

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

ONE_BY_ONE = 300  # as many units are drawn as points
_CELLS = 84  # across the picture


@dataclass(frozen=True)
class BinCount:
    name: str
    grade: str
    units: int
    share: float


@dataclass(frozen=True)
class FailureCount:
    name: str
    units: int
    share: float  # of all that were tested
    so_far: float  # with all above it, of all that failed


@dataclass(frozen=True)
class Chromaticities:
    """One pair of columns. `cells`: (x, y of a cell's middle, units), for the table and the CSV."""

    axes: tuple[str, str]
    svg: str
    units: int  # in the view
    elsewhere: int
    without: int  # that have no value
    cells: tuple[tuple[float, float, int], ...]


@dataclass(frozen=True)
class ResultsShown:
    table: str  # the bin table's name
    rows: int
    tester_bin_differs: int
    bins: tuple[BinCount, ...]
    failures: tuple[FailureCount, ...]
    bin_svg: str
    failure_svg: str
    chosen: str  # the bin that the points are of; empty: all
    pairs: tuple[Chromaticities, ...]
    is_kept: bool  # the file of unit results is there


def tested_in(session: Session, lot: Lot) -> int | None:
    """The test run that a loose lot came out of, where its results were imported; none before test, or where bins were only counted."""
    query = select(UnitFile.run).join(Flow, Flow.run == UnitFile.run).where(Flow.child == lot.item, Flow.kind == "bin")
    return session.scalar(query.order_by(UnitFile.id.desc()).limit(1))


def results_shown(session: Session, house: House, file: UnitFile, chosen: str = "", within: str = "") -> ResultsShown:
    """`chosen`: only units of this bin as points; a bin that the table does not have is none. `within`: sets ids apart on a page of several."""
    table: BinTableBody = catalogue.definition(session, file.bin_table).body
    chosen = chosen if chosen in file.by_bin else ""
    path = parquet_path(house, file.parquet)
    counted = _bins(table, file)
    failures = _failures(table, file)
    return ResultsShown(
        table.name, file.rows, file.tester_bin_differs, counted, failures,
        bars([_bin_bar(one) for one in counted], "Units by bin", f"{within}by-bin"),
        bars([_failure_bar(one) for one in failures], "Failures, the commonest first", f"{within}failures"),
        chosen, _pairs(path, table, chosen, within) if path.is_file() else (), path.is_file(),
    )  # fmt: skip


def _bins(table: BinTableBody, file: UnitFile) -> tuple[BinCount, ...]:
    """In the table's order."""
    counted = ((one, int(file.by_bin.get(one.name, 0))) for one in table.bins)
    return tuple(BinCount(one.name, one.grade, units, units / file.rows if file.rows else 0.0) for one, units in counted)


def _bin_bar(one: BinCount) -> Amount:
    return Amount(f"{one.name}, {one.grade}", one.units, f"{100 * one.share:.1f} %", one.grade)


def _failure_bar(one: FailureCount) -> Amount:
    return Amount(one.name, one.units, f"{100 * one.so_far:.1f} % so far", "reject")


def _failures(table: BinTableBody, file: UnitFile) -> tuple[FailureCount, ...]:
    """Failure codes, and passing units that no bin takes, by their number."""
    found = {name: int(units) for name, units in file.by_failure.items()}
    codes = {code for one in table.bins for code in one.fail_codes}
    unnamed = sum(units for name, units in found.items() if name not in codes)
    outside = file.by_bin.get(table.unbinned, 0) - (unnamed if table.unbinned == table.failed else 0)
    if outside > 0:
        found["fits no bin"] = outside
    ranked = sorted(found.items(), key=lambda one: (-one[1], one[0]))
    total, so_far, rows = sum(found.values()), 0, []
    for name, units in ranked:
        so_far += units
        rows.append(FailureCount(name, units, units / file.rows if file.rows else 0.0, so_far / total))
    return tuple(rows)


@lru_cache(maxsize=64)  # the file is named by its digest: the same one shows the same
def _pairs(path: Path, table: BinTableBody, chosen: str, within: str) -> tuple[Chromaticities, ...]:
    areas: dict[tuple[str, str], dict[tuple[tuple[float, float], ...], list[str]]] = {}
    for one in table.bins:
        for polygon in one.polygons:
            names = areas.setdefault((polygon.x, polygon.y), {}).setdefault(polygon.points, [])
            if one.name not in names:
                names.append(one.name)
    with columnar(path) as connection:
        return tuple(
            _pair(connection, path, axes, [Area(", ".join(names), points) for points, names in found.items()], chosen, f"{within}xy{n}")
            for n, (axes, found) in enumerate(areas.items())
        )


def _pair(
    connection: "DuckDBPyConnection", path: Path, axes: tuple[str, str], areas: Sequence[Area], chosen: str, name: str
) -> Chromaticities:
    view = view_of(areas)
    cell = view.width / _CELLS
    x, y = map(name_sql, axes)
    source = f"read_parquet({text_sql(str(path))})" + (f" WHERE bin = {text_sql(chosen)}" if chosen else "")
    column, row = (f"TRY_CAST(floor(({name} - {low!r}) / {cell!r}) AS BIGINT)" for name, low in ((x, view.x), (y, view.y)))
    counted = connection.execute(f"SELECT {column} AS c, {row} AS r, count(*) FROM {source} GROUP BY ALL ORDER BY ALL").fetchall()
    rows = round(view.height / cell)
    inside = {(c, r): units for c, r, units in counted if c is not None and r is not None and 0 <= c < _CELLS and 0 <= r < rows}
    without = sum(units for c, r, units in counted if c is None or r is None)
    units = sum(inside.values())
    given = f"{source} {'AND' if chosen else 'WHERE'} {x} IS NOT NULL AND {y} IS NOT NULL"
    cloud = Cloud(cell, inside)
    if sum(many for _, _, many in counted) <= ONE_BY_ONE:
        cloud = Cloud(cell, {}, connection.execute(f"SELECT {x}, {y} FROM {given} ORDER BY ALL").fetchall())
    title = f"{axes[0]} and {axes[1]}{f' of bin {chosen}' if chosen else ''}"
    svg = chromaticity_chart(view, cloud, areas, spectral_locus(), axes, title, name)
    middles = tuple((round(view.x + (c + 0.5) * cell, 5), round(view.y + (r + 0.5) * cell, 5), many) for (c, r), many in inside.items())
    return Chromaticities(axes, svg, units, sum(many for _, _, many in counted) - units - without, without, middles)

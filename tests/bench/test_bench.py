"""The bench runs: a tiny history, each measure once. Nothing is timed here; the plans of the walks are read on that history."""

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Select, TextClause, TextualSelect, create_engine, delete, event, select, text

from app import clock
from app.db import Moment
from app.floor import amounts, ends, exits, gates, marks, moves, open_judgements, progress, station_states, whereabouts
from app.genealogy import exposure_rows, item_rows, marked_panels, origins, panel_origins, reach, run_rows, suspect_cells, suspects, trace
from app.genealogy.checks import check
from app.holds import probe, stopped
from app.journal.models import Settled
from app.ledger import sets, travels, used, walk
from app.ledger.runs import Cover, Line
from app.ledger.sets import Member
from app.listed import Ids
from app.naming import resolve
from app.scan import choose, last_done, stations
from benchmarks.bench import MEASURES, as_document, bench
from benchmarks.history import open_history, seal_history
from tests import postgres

BLOCKS, LOTS = 3, 2
WITHOUT_A_DATABASE = {"placements", "unit-results", "start"}
SMALL = {"thing", "definition", "person", "hold", "release", "use_void", "run_void"}  # or nearly empty


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("bench")
    house, _ = open_history(where, 1, "", _quiet, BLOCKS, LOTS)
    house.dispose()
    return where


@pytest.fixture(scope="module")
def on_postgresql(cluster_owner: postgres.Owner, folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, str]]:
    """A folder, and a database with a tiny history; a measure that wants a tenth of it makes another beside it."""
    where = tmp_path_factory.mktemp("bench-postgresql")
    shutil.copytree(folder / "block", where / "block")
    with postgres.database(cluster_owner) as url:
        yield where, url
        cluster_owner.execute(f"drop database if exists {postgres.name_in(url)}_tenth with (force)")


@pytest.mark.parametrize("name", MEASURES)
def test_each_measure_runs_and_says_what_it_found(folder: Path, name: str) -> None:
    _runs(folder, "", name)


@pytest.mark.only_on("postgresql")
@pytest.mark.parametrize("name", [name for name in MEASURES if name not in WITHOUT_A_DATABASE])
def test_each_measure_runs_on_postgresql(database: str, on_postgresql: tuple[Path, str], name: str) -> None:
    _runs(*on_postgresql, name)


def _runs(folder: Path, url: str, name: str) -> None:
    found = list(bench(folder, 1, url, name, 1, _quiet, BLOCKS, LOTS))
    assert found
    for one in as_document(1, "postgresql" if url else "sqlite", found)["measures"]:
        assert one["name"].startswith(name) and one["bound"] > 0
        assert one["ratio"] > 0 and one["ours_ms"] > 0 and one["yardstick_ms"] > 0 and one["rows"] > 0


@pytest.mark.only_on("postgresql")
def test_each_database_has_a_history_of_its_own_and_gets_it_anew_when_it_was_emptied(
    database: str, cluster_owner: postgres.Owner, on_postgresql: tuple[Path, str]
) -> None:
    folder, url = on_postgresql
    before = _reels_of(folder, url)
    with postgres.database(cluster_owner) as other:
        assert _reels_of(folder, other) == before > 0
        with create_engine(other).begin() as emptied:
            emptied.execute(text("drop schema public cascade; create schema public"))
        assert _reels_of(folder, other) == before


def _reels_of(folder: Path, url: str) -> int:
    house, _ = open_history(folder, 1, url, _quiet, BLOCKS, LOTS)
    with house.reading() as session:
        reels = int(session.scalar(text("select count(*) from pack")) or 0)
    house.dispose()
    return reels


def test_the_built_history_is_a_right_record(folder: Path) -> None:
    house, _ = open_history(folder, 1, "", _quiet, BLOCKS, LOTS)
    seal_history(house, _quiet)
    assert [str(finding) for finding in check(house)] == []
    with house.write_engine.begin() as target:
        target.execute(delete(Settled))  # as one that was kept from before there were any
    house.dispose()
    house, _ = open_history(folder, 1, "", _quiet, BLOCKS, LOTS)
    seal_history(house, _quiet)
    assert [str(finding) for finding in check(house)] == []
    house.dispose()


WALKS = [
    walk, travels, used, sets, origins, panel_origins, reach, amounts, exits, moves, whereabouts, probe, stopped, trace, item_rows, run_rows, resolve,
]  # fmt: skip
ACTS = [choose, ends, gates, marks, open_judgements, progress]
BASES = {"_LOADED"}  # no statement by itself
STATEMENTS = [
    pytest.param(statement, id=f"{module.__name__.rpartition('.')[2]}{name}")
    for module in [*WALKS, *ACTS, suspects, suspect_cells, marked_panels, exposure_rows, station_states, stations, last_done]
    for name, statement in vars(module).items()
    if isinstance(statement, TextClause | TextualSelect | (Select if module in ACTS else TextClause)) and name not in BASES
]


@pytest.fixture(scope="module")
def large(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The tiny history, told to the planner as a thousand times as large."""
    copy = tmp_path_factory.mktemp("large")
    shutil.copytree(folder / "sqlite-1", copy / "sqlite-1")
    with closing(sqlite3.connect(copy / "sqlite-1" / "reelroot.db")) as raw:
        small = ", ".join(f"'{name}'" for name in SMALL)
        raw.execute(f"update sqlite_stat1 set stat = cast(stat as integer) || '000' || substr(stat, instr(stat, ' ')) where tbl not in ({small})")
        raw.commit()
    return copy


@pytest.mark.parametrize("statement", STATEMENTS)
def test_no_walk_reads_the_whole_of_a_large_table(large: Path, statement: Any) -> None:
    plan, sql, tables = plan_of(large, statement)
    assert not any("BLOOM" in line for line in plan), plan  # such a filter is made by reading all of a table
    assert [line for line in plan if line.startswith("SCAN ") and _table_of(line, sql) in tables] == [], plan


def test_the_newest_runs_of_a_station_are_found_by_their_starts_and_not_sorted(large: Path) -> None:
    plan, _, _ = plan_of(large, last_done._LAST)
    assert "SEARCH run USING INDEX ix_run_station_started_at (station=? AND started_at>?)" in plan, plan


def test_what_is_open_of_panels_costs_no_more_a_panel_where_many_are_asked(large: Path, tmp_path: Path) -> None:
    """A list of lots asks of thousands of panels. To look each of them up in the sets of each line would be their product."""
    shutil.copytree(large / "sqlite-1", tmp_path / "sqlite-1")
    with closing(sqlite3.connect(tmp_path / "sqlite-1" / "reelroot.db")) as unjudged:
        unjudged.execute("delete from judgement")
        unjudged.commit()
    house, _ = open_history(tmp_path, 1, "", _quiet, BLOCKS, LOTS)
    with house.reading() as session:
        statement = select(Member.panel).join(Cover, Cover.set == Member.set).join(Line, Line.id == Cover.line).where(Line.judged.is_not(None))
        panels = list(session.scalars(statement.distinct().order_by(Member.panel)))
        raw: Any = session.connection().connection.driver_connection
        assert len(panels) >= 64 and open_judgements.open_judgements(session, panels)
        few, many = (_steps(raw, partial(open_judgements.open_judgements, session, asked)) for asked in (panels[: len(panels) // 8], panels))
    house.dispose()
    assert many < 12 * few


def _steps(raw: Any, what: Callable[[], object]) -> int:
    """Of SQLite's machine."""
    taken = 0

    def count() -> int:
        nonlocal taken
        taken += 1
        return 0

    raw.set_progress_handler(count, 10)
    try:
        what()
    finally:
        raw.set_progress_handler(None, 0)
    return taken


def plan_of(large: Path, statement: Any) -> tuple[list[str], str, set[str]]:
    """SQLite's plan of a statement, what was sent, and which tables are large."""
    house, _ = open_history(large, 1, "", _quiet, BLOCKS, LOTS)
    sent: list[tuple[str, Any]] = []
    event.listen(house.walk_engine, "before_cursor_execute", lambda _c, _cursor, sql, values, *_: sent.append((sql, values)))
    with house.walking() as session:
        binds = statement.compile(dialect=house.walk_engine.dialect).binds.values()
        session.execute(statement, {one.key: _some(one.type) for one in binds if one.required}).all()
        sql, values = sent[-1]
        raw: Any = session.connection().connection.driver_connection
        plan = [row[3] for row in raw.execute(f"explain query plan {sql}", values)]
        tables = {name for (name,) in raw.execute("select name from sqlite_master where type = 'table'")} - SMALL
    house.dispose()
    return plan, sql, tables


def _some(kind: Any) -> Any:
    return [1, 2, 3] if isinstance(kind, Ids) else clock.now() if isinstance(kind, Moment) else 1


def test_a_scan_would_be_seen(folder: Path) -> None:
    raw = sqlite3.connect(folder / "sqlite-1" / "reelroot.db")
    plan = [row[3] for row in raw.execute("explain query plan select f.child from flow f where f.units > 3")]
    raw.close()
    assert [_table_of(line, "select f.child from flow f where f.units > 3") for line in plan if line.startswith("SCAN ")] == ["flow"]


def _table_of(line: str, statement: str) -> str:
    """The table that a plan's line names by its alias."""
    alias, words = line.split()[1], statement.replace(",", " ").replace("(", " ").replace(")", " ").split()
    return next((words[i - 1] for i, word in enumerate(words) if word == alias and i and words[i - 1] not in ("from", "join", "cross")), alias)


def _quiet(_: str) -> None:
    pass

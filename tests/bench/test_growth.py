"""No page costs more in a record that is four times as long: SQLite's own steps are counted, without its statistics and without a clock."""

import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from urllib.parse import parse_qsl, quote

import pytest
from fastapi.routing import APIRoute
from sqlalchemy import event, func, or_, select

from app.db import House
from app.desk import listing
from app.desk.listing import Filter
from app.desk.pages import LISTINGS
from app.ledger.runs import Run
from app.main import _PAGES, make_app
from app.naming.models import Code
from app.naming.resolve import resolve
from app.ovens.judging import cures_in
from app.people.people import DUTIES, everyone
from app.people.sign_in import begin_session
from benchmarks import history
from benchmarks.history import History, open_history
from benchmarks.in_process import Wire, no_threads

BLOCKS, TIMES, LOTS = 10, 4, 2
KINDS = ("pack", "lot", "panel", "wafer", "batch", "run", "load", "station", "container", "person", "order")
# what they show is of the days that are asked for, here of all; the newest fifty of a station that has fewer
ALL_OF_IT = {"/counts", "/counts/csv", "/counts/stations.csv", "/stations/{code}/mounts"}
CROWD = 50  # ended holds, later logger files of each oven, batches, packs and runs a block, beside its own
A_STEP = 100


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, int]]:
    """Steps in hundreds of each page that shows something, by its route: of the short history and of the long one."""
    folder = tmp_path_factory.mktemp("growth")
    with pytest.MonkeyPatch.context() as patch:  # a block in four days, so that both are longer than what the board looks back on
        patch.setattr(history, "BLOCKS_A_DAY", 0.25)
        patch.setattr(history, "BLOCKS_A_WEEK", 2)
        patch.setattr(listing, "LOOKS_AT", 20)  # fewer rows than the short history has of anything
        return [_asked(folder, blocks) for blocks in (BLOCKS, TIMES * BLOCKS)]


def test_a_page_reads_what_it_shows_and_not_the_history(asked: list[dict[str, int]]) -> None:
    short, long = asked
    assert len(short) > 60, "most pages show something"
    grown = {path: (short[path], n) for path, n in long.items() if path in short and path not in ALL_OF_IT and n > 1.8 * short[path] + 10}
    assert grown == {}


def _asked(folder: Path, blocks: int) -> dict[str, int]:
    found = {}
    with _history(folder, blocks) as (house, built), no_threads():
        steps, wires = _Steps(house), _wires(house)
        for path in _paths(house):
            for filled in _filled(house, built, path):
                if (n := steps.of(wires, filled)) is not None:
                    found[path] = n
                    break
        found["cures of one time"] = steps.of_cures(house)
    return found


class _Steps:
    """Counts what SQLite's machine does, a hundred steps at a time."""

    def __init__(self, house: House) -> None:
        self.n = 0
        event.listen(house.write_engine, "checkout", lambda raw, *_: raw.set_progress_handler(self._count, A_STEP))

    def _count(self) -> int:
        self.n += 1
        return 0

    def of(self, wires: list[Wire], path: str) -> int | None:
        path, _, query = path.partition("?")
        for wire in wires:
            before = self.n
            if wire.ask("GET", path, parse_qsl(query)).status in (200, 303):
                return self.n - before
        return None

    def of_cures(self, house: House) -> int:
        """What judging an oven's first cure again looks at, with all the later ones; and its last, with all the earlier ones."""
        edges = [select(edge(Run.started_at)).where(Run.operation == "cure").group_by(Run.station) for edge in (func.min, func.max)]
        with house.reading() as session:
            runs = session.scalars(select(Run).where(Run.operation == "cure", or_(*(Run.started_at.in_(some) for some in edges)))).all()
            before = self.n
            for run in runs:
                assert run.ended_at is not None
                assert run in cures_in(session, run.station, run.started_at, run.ended_at)
            return self.n - before


@contextmanager
def _history(folder: Path, blocks: int) -> Iterator[tuple[House, History]]:
    """Without what the planner was told of it: no plant's database is told anything."""
    house, _ = open_history(folder, blocks, "", _quiet, blocks, LOTS)
    house.dispose()
    with closing(sqlite3.connect(house.data_dir / "reelroot.db")) as raw:
        raw.execute("delete from sqlite_stat1")
        _crowd(raw, CROWD * blocks)
        raw.commit()
    house, built = open_history(folder, blocks, "", _quiet, blocks, LOTS)
    yield house, built
    house.dispose()


def _crowd(raw: sqlite3.Connection, n: int) -> None:
    """What no page that is asked shows, unless it is a list: a block alone has too few of each to be seen."""
    raw.execute("create temp table times as with recursive t(k) as (select 1 union all select k + 1 from t where k < ?) select k from t", (n,))
    raw.execute("""
        insert into hold (id, e, closed_e, kind, subject, reason, automatic)
        select k, e, e, 'panel', panel, 'scratched', 0 from times, (select max(item) as panel from panel), (select min(id) as e from entry)
    """)
    raw.execute("insert into code (code, kind, thing, e) select 'H26-' || id, 'hold', id, e from hold")
    for table, key in (("batch", "item"), ("pack", "item"), ("run", "id")):
        one = raw.execute(f"select min({key}) from {table}").fetchone()[0]
        if key == "item":
            _again(raw, "item", f"id = {one}", id="id + k * 1000000000")
        _again(raw, table, f"{key} = {one}", **{key: f"{key} + k * 1000000000"})
        _again(raw, "code", f"thing = {one} and kind = '{table}'", thing="thing + k * 1000000000", code="code || '-' || k")
    later = {name: f"(2100 + k) || '-01-0{day} 00:00:00.000000'" for name, day in (("first_at", 1), ("last_at", 2))}
    ends = {name: f"datetime('1900-01-0{day}', (2 * k) || ' days') || '.000000'" for name, day in (("started_at", 1), ("ended_at", 2))}
    _again(raw, "run", "id in (select max(id) from run where operation = 'cure' group by station)", id="id + k * 1000000000 + 1", **ends)
    _again(raw, "cure_trace", "id in (select max(id) from cure_trace group by station)", id="id + k * 1000000000", **later)


def _again(raw: sqlite3.Connection, table: str, which: str, **other: str) -> None:
    """The same rows time after time, but for what is said."""
    columns = [name for _, name, *_ in raw.execute(f"pragma table_info({table})")]
    names, values = ", ".join(f'"{name}"' for name in columns), ", ".join(other.get(name, f'"{name}"') for name in columns)
    raw.execute(f'insert into "{table}" ({names}) select {values} from "{table}", times where {which}')


def _wires(house: House) -> list[Wire]:
    """Someone of each duty."""
    app = make_app(house.settings, house)
    with house.reading() as session:
        people = {duty: resolve(session, one.badge, "person").id for one in everyone(session) for duty in one.duties}
    headers = [{"cookie": f"reelroot_session={begin_session(house, people[duty], None)}"} for duty in DUTIES if duty in people]
    return [Wire(app, one) for one in headers]


def _paths(house: House) -> list[str]:
    """Every page; each order of each list, what is sought in vain in it, and each of its filters by a value that little meets or nothing."""
    found = [one.path for router in _PAGES for one in router.routes if isinstance(one, APIRoute) and "GET" in one.methods]
    found += [f"/{one.name}?sort={sort.name}" for one in LISTINGS for sort in one.sorts[1:]]
    found += [f"/{one.name}?q=ZZQ9" for one in LISTINGS if one.kind]
    found += [f"/{one.name}?{filtered.name}={quote(value)}" for one in LISTINGS for filtered in one.filters for value in _little_met(house, filtered)]
    return [path for path in dict.fromkeys(found) if path != "/board/changes"]  # its events come as long as someone watches


def _little_met(house: House, filtered: Filter) -> list[str]:
    if filtered.choices is None:
        return ["2020-01-01" if filtered.kind == "date" else "ZZQ9"]
    with house.reading() as session:
        choices = list(filtered.choices(session) if callable(filtered.choices) else filtered.choices)
    return list(dict.fromkeys([choices[0], choices[-1]])) if choices else []


def _filled(house: House, built: History, path: str) -> Iterator[str]:
    """With the first things of a block in the middle, or of the set-up."""
    if "{" not in path:
        yield path
        return
    begin = built.step * (built.blocks // 2)
    with house.reading() as session:
        for kind in KINDS:
            after = begin if kind in KINDS[:7] else 0
            row = session.execute(select(Code.code, Code.thing).where(Code.kind == kind, Code.thing > after).order_by(Code.thing).limit(1)).first()
            if row is not None:
                yield re.sub(r"{(\w+)}", lambda name, row=row: str(row.thing if name[1] in ("thing", "n") else row.code), path)  # type: ignore[misc]


def _quiet(_: str) -> None: ...

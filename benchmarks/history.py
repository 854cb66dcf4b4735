"""A factory's history of so many days, 2 million units a day, straight into tables: one block (see `block.py`) repeated, shifted in time and ids.

Every row is as the program's own acts write it. A week's blocks share one adhesive batch, as floors do; wafers, oven loads, reels and customers
are each block's own. The newest blocks are cut off in their middle, so that lots are open as on a working day. Entries' digests are counted
and sealed only for `check`; until then each has a seal without a chain.
"""

import json
import random
import shutil
import sqlite3
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import BigInteger, Column, Connection, Table, bindparam, delete, insert, make_url, select, text, update

from app import clock
from app.backup import set_counters
from app.codes import dated
from app.db import House, Moment
from app.errors import refuse
from app.journal.models import Entry, Seal, Settled
from app.journal.record import Recorded, closing_hash, combined, insert_hash, recorded_classes
from app.journal.sealing import seal, settled
from app.ledger.sets import digest_of
from app.migrate import upgrade
from app.tables import Base
from benchmarks.block import LOTS, UNITS, make_block
from benchmarks.quick import QuickSettings

UNITS_A_DAY = 2_000_000
BLOCKS_A_DAY = UNITS_A_DAY / UNITS
BLOCKS_A_WEEK = round(7 * BLOCKS_A_DAY)
OPEN_LOTS = 1500
_SHARED = {  # what every block refers to and none repeats
    "thing", "definition", "approval", "evidence", "request", "container", "attendance", "station_state", "content", "seal", "settled",
    *(one.local_table.name for one in Base.registry.mappers if one.class_.__module__.startswith("app.people.")),  # type: ignore[attr-defined]
}  # fmt: skip
_BLOBS = {"placement", "lost_die", "cure_trace", "wafer_map"}  # left out of all but the last days of a history longer than a year
_BLOB_DAYS = 36
_BYTES, _BLOB_BYTES = 480_000, 720_000  # that a block takes in a database with its indexes, without those and of those (measured)
_CODED = ("wafer", "batch", "panel", "lot", "sample", "pack", "run", "load", "shipment")
_AT_ONCE = 100  # blocks
Say = Callable[[str], None]


@dataclass(frozen=True)
class History:
    """What a measure must know of it. `step`: how far ids of one block are from those of the next; `weekly`: the batch that blocks share."""

    days: int
    blocks: int  # whole ones
    cut: int  # and those that were cut off
    step: int
    weekly: int
    open_lots: int
    blobs_from: int  # the first block with placements and maps
    built_seconds: float

    def id_in(self, of_block: int, block: int) -> int:
        return of_block + self.step * block


@dataclass(frozen=True)
class _Block:
    """How a block is shifted. `week`: as the first one of its week; `cut`: its last entry, as the block numbers them."""

    n: int
    shift: int
    week: int
    seconds: int
    cut: int


def open_history(folder: Path, days: int, url: str, say: Say, blocks: int = 0, lots: int = LOTS) -> tuple[House, History]:
    """The history as it was kept, or a new one. `url`: of a PostgreSQL database that is empty or has it; else SQLite in the folder."""
    home = folder / f"{_kept_as(url)}-{days}"
    known = home / "history.json"
    if not url and not known.exists():
        shutil.rmtree(home, ignore_errors=True)  # a build that was cut short
    home.mkdir(parents=True, exist_ok=True)
    house = House(QuickSettings(data_dir=home, database_url=url))
    if known.exists():
        if _is_still_there(house):
            return house, History(**json.loads(known.read_text()))
        say("The database of that history is gone, or was emptied: it is built anew.")
        house.dispose()
        shutil.rmtree(home)
        home.mkdir()
    say(f"Building {days} days of history in {make_url(url) if url else home}: kept for the next run.")
    whole = blocks or round(days * BLOCKS_A_DAY)
    with_blobs = min(whole, round(_BLOB_DAYS * BLOCKS_A_DAY)) if days > 365 else whole
    if with_blobs < whole:
        say(f"Placements, maps and cure traces are written for the last {_BLOB_DAYS} days only: all of them would not fit on most disks.")
    if not url:
        _ask_for_room(home, whole * _BYTES + with_blobs * _BLOB_BYTES)
    history = _build(house, folder, days, whole, whole - with_blobs, lots, say)
    known.write_text(json.dumps(asdict(history)))
    return house, history


def _kept_as(url: str) -> str:
    """Each database has a history of its own."""
    return f"postgresql-{make_url(url).database}" if url else "sqlite"


def _is_still_there(house: House) -> bool:
    """Brought to the newest schema, and given the seals that histories of before do not have."""
    upgrade(house)
    with house.reading() as session:
        if session.scalar(select(Entry.id).limit(1)) is None:
            return False
        is_of_before = settled(session) == 0
    if is_of_before:
        (seal if (house.data_dir / "sealed").exists() else _seal_without_chain)(house)
    return True


def block_of(folder: Path, say: Say, lots: int = LOTS) -> House:
    """The one block, made once and kept. It begins at a fixed time; a history shifts it."""
    home = folder / "block"
    if not (home / "done").exists():
        shutil.rmtree(home, ignore_errors=True)
        say("Making one block of history by the program's own acts: about a minute, once.")
        house = House(QuickSettings(data_dir=home, database_url=""))
        make_block(house, datetime(2020, 1, 6, tzinfo=UTC), lots)
        house.dispose()
        (home / "done").touch()
    block = House(QuickSettings(data_dir=home, database_url=""))
    upgrade(block)
    block.dispose()
    with closing(sqlite3.connect(home / "reelroot.db", isolation_level=None)) as raw:
        raw.execute("pragma wal_checkpoint(truncate)")  # the file is copied
    return block


def _ask_for_room(home: Path, needed: int) -> None:
    free = shutil.disk_usage(home).free
    if free < needed:
        why = f"It would take about {needed / 1e9:.0f} GB; {free / 1e9:.0f} GB are free."
        raise refuse("changed", "There is no room for that history.", why, "Make room, name another folder by --data, or ask for fewer days.")


def _build(house: House, folder: Path, days: int, whole: int, blobs_from: int, lots: int, say: Say) -> History:
    began = time.monotonic()
    if house.kind == "postgresql":
        _must_be_empty(house)
    block = block_of(folder, say, lots)
    _take_block_in(house, block)
    with block.write_engine.connect() as source:
        step = -(-_greatest_id(source) // 10_000) * 10_000
        weekly = _weekly_batch(source)
        blocks, open_lots = _blocks(source, whole, step, OPEN_LOTS if whole > 40 else 4)
        _fill(house, source, blocks, weekly, blobs_from, say)
    block.dispose()
    _seal_without_chain(house)
    _finish(house, say)
    cut = sum(one.cut < step for one in blocks)
    return History(
        days, len(blocks) - cut, cut, step, weekly, open_lots, blobs_from, round(time.monotonic() - began, 1)
    )


def _must_be_empty(house: House) -> None:
    """Looked at first: to make a block takes a minute."""
    upgrade(house)
    with house.write_engine.connect() as target:
        if target.execute(text("select count(*) from entry")).scalar():
            raise refuse("changed", "That database is in use.", "It has journal entries, and no history of mine.", "Name an empty one.")


def _take_block_in(house: House, block: House) -> None:
    """The tables, and what all blocks share."""
    if house.kind == "sqlite":
        house.dispose()
        shutil.copy(block.data_dir / "reelroot.db", house.data_dir / "reelroot.db")
        with closing(sqlite3.connect(house.data_dir / "reelroot.db")) as target:  # by itself it asks no foreign keys
            for table in reversed(_repeated()):  # the entries last: the others ask them where the set-up ends
                target.execute(f'delete from "{table.name}" where {_of_blocks(table)}')
            target.commit()
    else:
        with block.write_engine.connect() as source, house.write_engine.begin() as target:
            target.exec_driver_sql("set session_replication_role = replica")
            for table in Base.metadata.sorted_tables:
                keep = "true" if table not in _repeated() else f"not ({_of_blocks(table)})"
                rows = [dict(row) for row in source.execute(select(table).where(text(keep))).mappings()]
                if rows:
                    target.execute(insert(table), rows)
    for name in ("evidence", "unit_results"):
        if (block.data_dir / name).exists():
            shutil.copytree(block.data_dir / name, house.data_dir / name, dirs_exist_ok=True)


def _of_blocks(table: Table) -> str:
    """Which rows of the block's database belong to the block; the others to the set-up."""
    if table.name in ("code", "alias"):
        return "kind in ({})".format(", ".join(f"'{kind}'" for kind in _CODED))
    if table.name == "entry":
        return "id > (select max(e) from approval)"
    return "1 = 1"


def _repeated() -> list[Table]:
    return [table for table in Base.metadata.sorted_tables if table.name not in _SHARED]


def _greatest_id(source: Connection) -> int:
    keys = [(table.name, column.name) for table in _repeated() for column in table.primary_key if isinstance(column.type, BigInteger)]
    return max(source.exec_driver_sql(f'select coalesce(max("{column}"), 0) from "{table}"').scalar() or 0 for table, column in keys)


def _weekly_batch(source: Connection) -> int:
    return int(source.exec_driver_sql("""
        select u.item from use u join batch b on b.item = u.item join line l on l.id = u.line join run r on r.id = l.run
        where r.operation = 'die attach' group by u.item order by count(*) desc, u.item limit 1
    """).scalar_one())  # fmt: skip


def _blocks(source: Connection, whole: int, step: int, wanted: int) -> tuple[list[_Block], int]:
    """Whole blocks, one after another, the last one done three days ago; then those cut off now, in the middle of their work."""
    now, rng = clock.now(), random.Random(20_170)
    entry: Any = Entry.__table__
    times = {n: at for n, at in source.execute(select(entry.c.id, entry.c.happened_at).where(text(_of_blocks(entry))).order_by(entry.c.id))}
    numbers, last = list(times), max(times.values())
    every = timedelta(days=1) / BLOCKS_A_DAY

    def block(n: int, moved: timedelta, cut: int) -> _Block:
        return _Block(n, n * step, (n - n % BLOCKS_A_WEEK) * step, round(moved.total_seconds()), cut)

    blocks = [block(n, now - timedelta(days=3) - (whole - n) * every - last, step) for n in range(whole)]
    open_lots = 0
    while open_lots < wanted:
        cut = numbers[rng.randrange(len(numbers) // 5, len(numbers) * 2 // 3)]
        blocks.append(block(len(blocks), now - timedelta(minutes=rng.randrange(5, 60)) - times[cut], cut))
        open_lots += source.execute(text(_OPEN_AT), {"cut": cut}).scalar() or 0
    return blocks, open_lots


_OPEN_AT = """
    select (select count(*) from lot_holding where e <= :cut and (closed_e is null or closed_e > :cut))
         + (select count(*) from loose_stock s join lot l on l.item = s.lot where l.e <= :cut and (s.emptied_e is null or s.emptied_e > :cut))
"""


def _fill(house: House, source: Connection, blocks: list[_Block], weekly: int, blobs_from: int, say: Say) -> None:
    """One INSERT ... SELECT a table and some hundred blocks, from the block's tables beside it, in the order of keys."""
    with house.write_engine.connect() as target:
        raw: Any = target.connection.driver_connection
        if house.kind == "sqlite":
            for pragma in ("synchronous=off", "journal_mode=off", "foreign_keys=off", "cache_size=-1000000"):
                raw.execute(f"pragma {pragma}")
            raw.execute("attach database ? as block", (str(source.engine.url.database),))
            raw.create_function("coded", 2, partial(_coded, clock.now().year), deterministic=True)
            raw.create_function("digest_of", 1, lambda ids: digest_of([int(one) for one in ids.split(",")]), deterministic=True)
            raw.execute("create temp table blocks (n integer primary key, shift integer, week integer, seconds integer, cut integer)")
            raw.executemany("insert into blocks values (?, ?, ?, ?, ?)", [(one.n, one.shift, one.week, one.seconds, one.cut) for one in blocks])
        else:
            _postgres_side(raw, source, blocks)
        greatest = _greatest_id(source)
        for first in range(0, len(blocks), _AT_ONCE):
            some = blocks[first : first + _AT_ONCE]
            if first % (20 * _AT_ONCE) == 0:
                say(f"{first} of {len(blocks)} blocks")
            raw.execute("begin") if house.kind == "sqlite" else None
            for table in _repeated():
                for is_cut in (False, True):
                    wanted = [one.n for one in some if (one.cut <= greatest) == is_cut and not (table.name in _BLOBS and one.n < blobs_from)]
                    if wanted:
                        raw.execute(_statement(house.kind, table, weekly, min(wanted), max(wanted), is_cut=is_cut))
            raw.execute("commit") if house.kind == "sqlite" else raw.commit()
        if house.kind == "sqlite":
            raw.execute("pragma journal_mode=wal")
        target.invalidate()
    house.dispose()


def _coded(year: int, kind: str, thing: int) -> str:
    return dated(kind, year, thing)


def _postgres_side(raw: Any, source: Connection, blocks: list[_Block]) -> None:
    """The block's tables in a schema of their own, and what SQLite has as functions of Python."""
    raw.execute("set session_replication_role = replica")
    raw.execute("set synchronous_commit = off")
    raw.execute("create schema if not exists block")
    for table in _repeated():
        raw.execute(f'drop table if exists block."{table.name}"')
        raw.execute(f'create table block."{table.name}" as select * from "{table.name}" limit 0')
        names = [f'"{column.name}"' for column in table.columns]
        with raw.cursor() as cursor, cursor.copy(f'copy block."{table.name}" ({", ".join(names)}) from stdin') as copy:
            for row in source.execute(select(table).where(text(_of_blocks(table)))):
                copy.write_row([json.dumps(value) if isinstance(value, list | dict) else value for value in row])
    raw.execute("create temp table blocks (n bigint primary key, shift bigint, week bigint, seconds bigint, cut bigint)")
    with raw.cursor() as cursor, cursor.copy("copy blocks from stdin") as copy:
        for one in blocks:
            copy.write_row((one.n, one.shift, one.week, one.seconds, one.cut))
    for table in _repeated():
        if len(table.primary_key) == 1:
            raw.execute(f'create unique index on block."{table.name}" ("{next(iter(table.primary_key)).name}")')
    raw.execute('create index on block.member ("set")')
    raw.execute(_CODED_IN_POSTGRES.replace("YEAR", f"{clock.now().year % 100:02d}"))
    raw.execute("analyze")
    raw.commit()
    raw.execute("set session_replication_role = replica")


def _statement(kind: str, table: Table, weekly: int, first: int, last: int, *, is_cut: bool) -> str:
    columns = ", ".join(_shifted(kind, table, column, weekly) for column in table.columns)
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    where = [f"b.n between {first} and {last}"]
    if table.name in ("code", "alias"):
        where.append(_of_blocks(table).replace("kind", "t.kind"))
    if table.name == "entry":
        where.append("t.id > (select max(a.e) from approval a)")
    if item := _item_column(table):
        other = " or t.kind <> 'batch'" if item == "thing" else ""
        where.append(f"(t.{item} <> {weekly} or b.shift = b.week{other})")  # the shared batch is received once a week
    if is_cut:
        where += _before_the_cut(table)
    schema, order = ("main", "") if kind == "sqlite" else ("public", " order by b.n")
    there = f'blocks b cross join block."{table.name}" t'
    return f'insert into {schema}."{table.name}" ({names}) select {columns} from {there} where {" and ".join(where)}{order}'


def _item_column(table: Table) -> str:
    """The column by which a table tells of an item itself, where that may be the shared batch."""
    return {"item": "id", "batch": "item", "opening": "batch", "code": "thing", "alias": "thing", "move": "item"}.get(table.name, "")


def _shifted(kind: str, table: Table, column: Column[Any], weekly: int) -> str:
    """A column's value in another block."""
    value = _value(kind, table, column, weekly)
    if column.name == "emptied_e" or column.name in _closing(table):
        return f"case when {'t.emptied_e' if table.name == 'loose_stock' else 't.closed_e'} <= b.cut then {value} end"
    return value


def _value(kind: str, table: Table, column: Column[Any], weekly: int) -> str:
    name, of = f't."{column.name}"', (table.name, column.name)
    to = {key.column.table.name for key in column.foreign_keys}
    is_weekly = f"{name} = {weekly}" if to else f"t.kind = 'batch' and t.thing = {weekly}"
    shifted_item = f"{name} + case when {is_weekly} then b.week else b.shift end"
    if of == ("code", "code"):
        return f"coded(t.kind, t.thing + case when {is_weekly} then b.week else b.shift end)"
    if of == ("panel_set", "digest"):
        return _SET_DIGEST[kind]
    if of == ("pack_content", "was_in"):
        return _WAS_IN[kind]
    if isinstance(column.type, Moment):
        return _LATER[kind].format(name)
    if to & {"item", "batch"} or of in {("code", "thing"), ("alias", "thing")}:
        return shifted_item
    if of == ("item", "id"):
        return f"t.id + case when t.id = {weekly} then b.week else b.shift end"
    is_number = bool(to & _numbered()) or of == ("loose_stock", "emptied_e") or (column.primary_key and column.name == "id")
    return f"{name} + b.shift" if is_number else name


def _numbered() -> set[str]:
    return {table.name for table in _repeated()}


def _closing(table: Table) -> tuple[str, ...]:
    cls = next((one for one in recorded_classes() if one.__table__ is table), None)  # type: ignore[attr-defined]
    return cls.closing if cls else ()


_LATER = {
    "sqlite": "strftime('%Y-%m-%d %H:%M:%f', {}, b.seconds || ' seconds') || '000'", "postgresql": "{} + b.seconds * interval '1 second'"
}  # fmt: skip
_IDS = 'select m.panel + b.shift as p from block.member m where m."set" = t.id order by m.panel'
_SET_DIGEST = {
    "sqlite": f"digest_of((select group_concat(p) from ({_IDS})))",
    "postgresql": f"sha256(convert_to((select string_agg(p::text, ',' order by p) from ({_IDS}) x), 'UTF8'))",
}
_WAS_IN = {
    "sqlite": """(select json_group_array(json_array(json_extract(value, '$[0]') + b.shift, json_extract(value, '$[1]') + b.shift))
        from json_each(t.was_in))""",
    "postgresql": """(select coalesce(json_agg(json_build_array((x->>0)::bigint + b.shift, (x->>1)::bigint + b.shift)), '[]'::json)
        from json_array_elements(t.was_in) x)""",
}


def _before_the_cut(table: Table) -> Iterator[str]:
    """What was there at the cut: without what was running, which would have to go on."""
    born = {
        "entry": "t.id", "member": '(select p.e from block.panel_set p where p.id = t."set")',
        "loose_stock": "(select l.e from block.lot l where l.item = t.lot)",
        "dead_origin": "(select i.e from block.item i where i.id = t.child)", "bare_exit": "(select i.e from block.item i where i.id = t.child)",
    }  # fmt: skip
    if table.name != "claim":
        yield f"{born.get(table.name, 't.e')} <= b.cut"
    if table.name == "code":  # of what was running neither
        for kind in ("run", "load"):
            yield f"(t.kind <> '{kind}' or (select r.closed_e from block.{kind} r where r.id = t.thing) <= b.cut)"
    if table.name in ("mount", "run", "line", "load", "load_place"):
        yield "t.closed_e <= b.cut"
    if "run" in table.columns and table.name not in ("claim", "load"):
        yield "(t.run is null or (select r.closed_e from block.run r where r.id = t.run) <= b.cut)"
    if "line" in table.columns:
        ended = "l.closed_e <= b.cut and r.closed_e <= b.cut"
        yield f"exists (select 1 from block.line l join block.run r on r.id = l.run where l.id = t.line and {ended})"


def _seal_without_chain(house: House) -> None:
    """As if a server had sealed each round's entries: one that finds them all without a seal would be busy with them while it is measured."""
    with house.write_engine.begin() as target:
        target.execute(delete(Seal))
        target.execute(text("insert into seal (n, entry, chain) select row_number() over (order by id), id, :none from entry"), {"none": b""})
        target.execute(delete(Settled))
        target.execute(text("insert into settled (id, entry) select 1, max(id) from entry"))


def seal_history(house: House, say: Say) -> None:
    """What `check` compares, once: some minutes for a month."""
    done = house.data_dir / "sealed"
    if not done.exists():
        say("Counting the entries' digests and sealing them: some minutes, once.")
        with house.write_engine.begin() as target:
            target.execute(delete(Seal))
            target.execute(delete(Settled))
        (house.data_dir / "seals.log").unlink(missing_ok=True)
        _digest(house)
        seal(house)
        done.touch()


def _digest(house: House) -> None:
    """Each entry's digest, from the rows that carry its number, as `journal/verify.py` will compare it."""
    sums: defaultdict[int, list[int]] = defaultdict(list)
    with house.snapshot() as session:
        for cls in recorded_classes():
            _add_hashes(session, cls, sums)
    table: Any = Entry.__table__
    with house.write_engine.begin() as target:
        numbers = list(target.scalars(select(Entry.id)))
        target.execute(
            update(table).where(table.c.id == bindparam("n")), [{"n": n, "digest": combined([sum(sums.get(n, ()))])} for n in numbers]
        )


def _add_hashes(session: Any, cls: type[Recorded], sums: defaultdict[int, list[int]]) -> None:
    table: Any = cls.__table__  # type: ignore[attr-defined]
    for row in session.execute(select(table).execution_options(yield_per=2000)).mappings():
        values = dict(row)
        sums[values["e"]].append(insert_hash(cls, tuple(values.values())))
        if cls.closing and values["closed_e"] is not None:
            sums[values["closed_e"]].append(closing_hash(cls, tuple(values.values())))


def _finish(house: House, say: Say) -> None:
    say("Collecting statistics for the planner")
    if house.kind == "sqlite":
        house.dispose()
        with closing(sqlite3.connect(house.data_dir / "reelroot.db", isolation_level=None)) as raw:
            for statement in ("pragma analysis_limit = 1000", "analyze", "pragma wal_checkpoint(truncate)"):
                raw.execute(statement)
    else:
        with house.write_engine.connect().execution_options(isolation_level="AUTOCOMMIT") as target:
            for statement in ("vacuum analyze", "checkpoint"):  # else PostgreSQL writes for minutes after it what was loaded, beside what is measured
                target.exec_driver_sql(statement)
    with house.writing() as session:
        set_counters(house, session)


# ISO/IEC 7064 MOD 37,36, as `app/codes.py` has it; `coded` differs from it by nothing
_CODED_IN_POSTGRES = """
create or replace function public.coded(kind text, thing bigint) returns text immutable language plpgsql as $$
declare
    letters constant text := '0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ';
    body text := (case kind when 'wafer' then 'W' when 'batch' then 'B' when 'panel' then 'P' when 'lot' then 'L' when 'sample' then 'X'
        when 'pack' then 'K' when 'run' then 'R' when 'load' then 'V' when 'shipment' then 'D' end)
        || 'YEAR-' || lpad(thing::text, greatest(6, length(thing::text)), '0');
    p int := 36;
    q int;
    c text;
begin
    foreach c in array string_to_array(replace(body, '-', ''), null) loop
        q := (p + strpos(letters, c) - 1) % 36;
        if q = 0 then q := 36; end if;
        p := 2 * q % 37;
    end loop;
    return body || '-' || substr(letters, (37 - p) % 36 + 1, 1);
end $$;
"""

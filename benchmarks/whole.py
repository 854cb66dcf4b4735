"""The board, a pack's record, `check` and the start, each against the least that could fetch the same."""

import sys
from collections.abc import Iterator
from functools import partial

from app import clock
from app.board.remembered import Remembered
from app.board.whole import board
from app.db import House
from app.genealogy.checks import check
from app.genealogy.record import record_of
from app.journal.act import SYSTEM, act
from app.journal.sealing import seal
from app.machines.record import record_json
from app.naming.resolve import resolve
from app.tables import Base
from benchmarks import bare_record
from benchmarks.history import seal_history
from benchmarks.measuring import Measure, Timed, interleaved
from benchmarks.replay import Replay
from benchmarks.server import free_port, running
from benchmarks.site import Site


def board_measure(site: Site) -> Iterator[Measure]:
    memory, now = Remembered(), clock.now()
    with site.house.walking() as session:
        replay = Replay(site)
        board(session, memory, now)
        with replay.recording():
            board(session, memory, now)
        timed = interleaved([(partial(board, session, memory, now), replay.rows)], max(1, site.rounds // 3))
        yield timed.measure("board", 3.0, f"{site.history.open_lots} open lots; the yardstick is its own statements on the driver's connection")


def pack_record_measure(site: Site) -> Iterator[Measure]:
    """The whole record of a reel as the JSON that the API answers."""
    now = clock.now()

    def ours(code: str) -> None:
        with site.walking() as session:
            found = record_of(session, site.house, resolve(session, code, "pack"), now, "UTC")
            record_json(found)

    pairs = [(partial(ours, one.code), partial(bare_record.record, site.bare, one.id)) for one in site.subjects("pack")]
    yield interleaved(pairs, site.rounds).measure("pack-record", 3.0, "as JSON, everything behind a reel")


def seal_growth_measure(site: Site) -> Iterator[Measure]:
    """An act and the round of sealing after it, as the server makes one every few seconds; on SQLite every scan waits for it."""
    with site.tenth() as tenth:
        timed = interleaved([(partial(_acted_and_sealed, site.house), partial(_acted_and_sealed, tenth.house))], site.rounds)
    yield timed.measure("seal-growth", 1.15, f"{site.history.days} days against {tenth.history.days}, an act and its seal; 1.3 with noise")


def _acted_and_sealed(house: House) -> int:
    act(house, SYSTEM, "mark_cells", {}, lambda *_: {})
    return seal(house)


def check_measure(site: Site) -> Iterator[Measure]:
    seal_history(site.house, site.say)
    found, tables = 0, list(Base.metadata.tables)

    def read_once() -> int:
        return sum(_read(site, table) for table in tables)

    def ours() -> None:
        nonlocal found
        found = len(list(check(site.house)))

    timed = interleaved([(ours, read_once)], 1, warm=0)
    yield timed.measure("check", 5.0, f"{found} found; the yardstick reads every table once")


def _read(site: Site, table: str) -> int:
    """All rows of a table, some thousand at a time."""
    cursor = site.bare.raw.cursor() if site.kind == "sqlite" else site.bare.raw.cursor(name="all", withhold=True)
    cursor.execute(f'select * from "{table}"')
    n = 0
    while rows := cursor.fetchmany(5000):
        n += len(rows)
    cursor.close()
    return n


def start_measure(site: Site) -> Iterator[Measure]:
    """From command to the first answered page."""
    timed = Timed(rows=1)
    warm = int(site.rounds > 1)
    for n in range(warm + max(1, min(5, site.rounds // 3))):
        ours, bare_app = free_port(), free_port()
        with running([sys.executable, "-m", "benchmarks.server", str(site.house.data_dir), str(ours), *_url(site)], ours) as taken:
            a = taken
        with running([sys.executable, "-m", "benchmarks.bare_app", site.house.settings.url, str(bare_app)], bare_app) as taken:
            b = taken
        if n >= warm:
            timed.ours.append(a)
            timed.yardstick.append(b)
    yield timed.measure("start", 2.0, "against a bare app on the same libraries")


def _url(site: Site) -> list[str]:
    return [] if site.kind == "sqlite" else [site.house.settings.url]

"""Traces against the bare statements, over HTTP, and at ten times the history."""

import statistics
from collections.abc import Iterator
from datetime import timedelta
from functools import partial
from typing import Any

from sqlalchemy import event, text
from sqlalchemy.orm import Session

from app import clock
from app.genealogy.trace import trace_back, trace_forward
from app.journal.act import SYSTEM, By, act
from app.naming.resolve import Named
from app.people.tokens import make_token
from benchmarks import bare
from benchmarks.growth import picture, points, rows_of
from benchmarks.measuring import Measure, Timed, interleaved, once
from benchmarks.server import Client, free_port, serving
from benchmarks.site import Site

FUNCTION = {"sqlite": 2.5, "postgresql": 1.7}
MANY = 1.5


_ROWS_READ = text("select coalesce(sum(seq_tup_read + idx_tup_fetch), 0) from pg_stat_xact_user_tables")


def trace_back_measure(site: Site) -> Iterator[Measure]:
    with site.walking() as session:
        pairs = [(partial(trace_back, session, one), partial(bare.back, site.bare, one.id)) for one in site.subjects("pack")]
        yield interleaved(pairs, site.rounds).measure("trace-back", FUNCTION[site.kind])


def rows_read_measure(site: Site) -> Iterator[Measure]:
    """Rows that were read for a reel back against those that the bare statements answer: PostgreSQL's counters tell what was read of tables.

    SQLite counts nothing: there it is what the statements answered, and `tests/bench` reads in their plans that no large table is scanned.
    """
    read, note = (_read_by_counters, "by PostgreSQL's counters") if site.kind == "postgresql" else (_read_by_statements, "answered to our statements")
    timed = Timed()
    for one in site.subjects("pack"):
        timed.ours.append(float(read(site, one)))
        timed.rows = max(timed.rows, bare.back(site.bare, one.id))
        timed.yardstick.append(float(site.bare.read))
    yield timed.measure("trace-rows-read", 5.0, f"rows, not milliseconds: {note} against answered to the bare ones")


def _read_by_counters(site: Site, one: Named) -> int:
    engine = site.house.walk_engine.execution_options(isolation_level="REPEATABLE READ")  # these counters are those of a transaction
    with Session(engine, autoflush=False) as session:
        trace_back(session, one)  # so that the schema and the catalogue are read before
        before = session.scalar(_ROWS_READ) or 0
        trace_back(session, one)
        return int((session.scalar(_ROWS_READ) or 0) - before)


def _read_by_statements(site: Site, one: Named) -> int:
    sent: list[tuple[str, Any]] = []
    event.listen(site.house.walk_engine, "before_cursor_execute", note := lambda _c, _cursor, sql, values, *_: sent.append((sql, values)))
    try:
        with site.walking() as session:
            trace_back(session, one)
    finally:
        event.remove(site.house.walk_engine, "before_cursor_execute", note)
    return sum(len(site.bare.raw.execute(sql, values).fetchall()) for sql, values in sent if sql.lstrip().lower().startswith(("select", "with")))


def trace_http_measure(site: Site) -> Iterator[Measure]:
    """The same answer as JSON through the server, less what a small answer costs there."""
    token = _token(site)
    with serving(site.house, free_port()) as port:
        client = Client(port, token=token)
        empty = statistics.median(once(lambda: _got(client, "/api/v1/nothing"))[0] for _ in range(30))
        subjects = site.subjects("pack")
        pairs = [(partial(_got, client, f"/api/v1/trace/{one.code}"), partial(bare.back, site.bare, one.id)) for one in subjects]
        timed = interleaved(pairs, site.rounds)
        batch = site.weekly()
        pairs = [(partial(_got, client, f"/api/v1/trace/{batch.code}?direction=forward"), partial(bare.forward, site.bare, batch=batch.id))]
        large = interleaved(pairs, max(1, site.rounds // 5), warm=0)
    timed.ours = [max(0.001, taken - empty) for taken in timed.ours]
    yield timed.measure("trace-http", 4.0, f"a reel back; an empty GET of {empty:.2f} ms is taken off")
    yield large.measure("trace-http-large", 2.0, "a week's batch forward, as JSON")


def trace_growth_measure(site: Site) -> Iterator[Measure]:
    """A reel back on this history, against the same on a tenth of it; and a picture of traces of every size on both."""
    with site.tenth() as tenth, site.walking() as here, tenth.walking() as there:
        both = zip(site.subjects("pack"), tenth.subjects("pack"), strict=False)
        pairs = [(partial(_items, here, one), partial(_items, there, other)) for one, other in both]
        timed = interleaved(pairs, site.rounds, warm=0)
        first = len(pairs)
        touched = Timed(timed.ours[:first], timed.yardstick[:first], timed.rows)
        timed = interleaved(pairs, site.rounds)
        drawn = picture("Traces of every size on two histories", [(f"{one.history.days} days", points(one)) for one in (tenth, site)])
    yield timed.measure("trace-growth", 1.15, f"{site.history.days} days against {tenth.history.days}, warm; 1.3 with noise")
    yield touched.measure("trace-growth-first-touch", 1.3, "the same, each the first time in this process")
    (site.folder / "growth.svg").write_text(drawn)
    site.say(f"Drawn: {site.folder / 'growth.svg'}")


def _items(session: Session, one: Named) -> int:
    return rows_of(trace_back(session, one))


def _got(client: Client, path: str) -> bytes:
    status, body = client.get(path)
    if status not in (200, 404):
        raise RuntimeError(f"{path} answered {status}: {body[:500]!r}")
    return body


def _token(site: Site) -> str:
    kept: list[str] = []

    def verb(session: Session, by: By) -> dict[str, int]:
        token, secret = make_token(session, by, "bench", ("quality",), clock.now() + timedelta(hours=2))
        kept[:] = [secret]
        return {"token": token.id}

    act(site.house, SYSTEM, "make_token", {"name": "bench"}, verb)
    return kept[0]


def trace_forward_measure(site: Site) -> Iterator[Measure]:
    with site.walking() as session:
        subjects = [*site.subjects("wafer"), *site.subjects("run")]
        pairs = [(partial(trace_forward, session, one), partial(bare.forward, site.bare, **{one.kind: one.id})) for one in subjects]
        yield interleaved(pairs, site.rounds).measure("trace-forward", FUNCTION[site.kind], "wafers and oven loads")
        batch = site.weekly()
        pairs = [(partial(trace_forward, session, batch), partial(bare.forward, site.bare, batch=batch.id))]
        yield interleaved(pairs, max(1, site.rounds // 5), warm=0).measure("trace-forward-batch", MANY, "a week's batch, to dataclasses")

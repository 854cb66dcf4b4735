"""Two acts that cross, the same way every time: the second goes as far as it can before the first commits. On PostgreSQL; SQLite has one writer."""

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

from sqlalchemy import text
from sqlalchemy.orm import Session

from app.db import House
from app.errors import Refused
from app.journal.act import By
from tests.small_factory import Factory


def crossing(factory: Factory, first: Callable[[Session, By], Any], action: str, second: Callable[[], Any]) -> Any:
    """Does `first`, and before its commit lets `second` go as far as it can: to its end, or to where it waits. The answer of `second`, or why not."""
    with ThreadPoolExecutor(1) as pool:
        going: list[Future[Any]] = []

        def verb(session: Session, by: By) -> Any:
            done = first(session, by)
            session.flush()
            going[:] = going or [pool.submit(second)]
            while not going[0].done() and not _somebody_waits(factory.house):
                pass
            return done

        factory.do(action, verb)
        try:
            return going[0].result()
        except Refused as refused:
            return refused.kind


def _somebody_waits(house: House) -> bool:
    with house.reading() as session:
        waiting = text("select count(*) from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'")
        return bool(session.scalar(waiting))

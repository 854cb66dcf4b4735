"""Which logger files say something of a cure, in a database whose planner was told how much is in it."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import event, text
from sqlalchemy.engine import Connection

from app.db import House
from app.ovens.traces import Spell, evidence_told

AT = datetime(2026, 3, 5, 10, tzinfo=UTC)


@pytest.mark.only_on("sqlite")
def test_no_filter_is_made_of_all_files_to_find_the_few_that_are_long(house: House) -> None:
    """An administrator may `analyze`; of 10,000 files it tells as much as here."""
    with house.write_engine.begin() as connection:
        connection.execute(text("analyze"))
        connection.execute(text("delete from sqlite_stat1 where tbl = 'cure_trace'"))
        connection.execute(text("insert into sqlite_stat1 values ('cure_trace', 'ix_cure_trace_station_last_at_first_at', '10368 1001 1 1')"))
    house.dispose()
    plans: list[str] = []

    @event.listens_for(house.write_engine, "before_cursor_execute")
    def _(connection: Connection, cursor: Any, statement: str, values: Any, *_: Any) -> None:
        plans.extend(row[3] for row in connection.connection.driver_connection.execute(f"explain query plan {statement}", values))  # type: ignore[union-attr]

    with house.reading() as session:
        evidence_told(session, [Spell(n, AT, AT + timedelta(hours=3)) for n in range(3)])
    assert any("ix_cure_trace" in step for step in plans)
    assert [step for step in plans if "BLOOM" in step] == []

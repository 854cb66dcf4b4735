"""The numbers alone equal the whole answer, and what is left out to be quick changes none: cells that need no look, panels read some at a time."""

from collections.abc import Sequence
from random import Random
from typing import Any

import pytest
from sqlalchemy import event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from app.db import House
from app.genealogy.exposure import Exposure, exposure
from app.genealogy.exposure_numbers import ExposureNumbers, exposure_numbers
from app.genealogy.marked_panels import MarkedPanels
from app.genealogy.suspects import Suspect, suspected
from app.listed import ask, listed, tuples
from app.naming.resolve import codes_of_items
from tests.genealogy.test_exposure import LONG
from tests.oracle.factory import Factory
from tests.oracle.histories import random_history
from tests.replay.driver import Replay


def test_numbers_alone_equal_the_whole_answer_whatever_is_left_out(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    history = random_history(3100, LONG)
    replay, oracle = Replay(house, history).run(), Factory.replay(history)
    names = sorted([*oracle.wafers, *oracle.batches, *oracle.lots, *(run.name for run in oracle.runs.values() if not run.void)])
    suspects = [Suspect(replay.named(name)) for name in Random(3100).sample(names, min(16, len(names)))]
    unseen: list[int] = []
    by_cells = MarkedPanels._by_cells

    def noted(self: MarkedPanels, panels: Sequence[int], exits: Any) -> set[int]:
        found = by_cells(self, panels, exits)
        unseen.extend(set(panels) - found)
        return found

    monkeypatch.setattr(MarkedPanels, "_by_cells", noted)
    with house.snapshot() as session:
        meant = [suspected(session, one) for one in suspects]
        quick = [exposure_numbers(session, [one]) for one in meant]
        assert [_told(session, one) for one in quick] == [_shown(exposure(session, [one])) for one in suspects]
        assert unseen and any(numbers.things for numbers in quick)
        monkeypatch.setattr("app.genealogy.marked_panels._AT_ONCE", 2)
        assert [exposure_numbers(session, [one]) for one in meant] == quick
        monkeypatch.setattr(MarkedPanels, "_by_cells", lambda _, panels, __: set(panels))  # so that the cells of each are looked at
        assert [exposure_numbers(session, [one]) for one in meant] == quick
        _tuples_are_the_rows_that_are_asked_for(session)


def _told(session: Session, found: ExposureNumbers) -> list[Any]:
    codes = codes_of_items(session, [*found.panels, *(item for _, item in found.things)])
    panels = [("panel", codes[panel], *marked) for panel, marked in found.panels.items()]
    things = [(kind, codes[item], one.least, pytest.approx(one.expected), one.greatest, one.chance) for (kind, item), one in found.things.items()]
    return [*sorted([*panels, *things], key=lambda row: row[:2]), (found.total.units, found.total.least, found.total.greatest)]


def _shown(found: Exposure) -> list[Any]:
    panels = [("panel", row.code, row.exposed.units, row.exposed.least, row.exposed.greatest) for row in found.panels]
    things = [
        (row.kind, row.code, row.exposed.least, row.exposed.expected, row.exposed.greatest, row.exposed.chance)
        for row in (*found.lots, *found.packs) if row.words != "panels"
    ]  # fmt: skip
    total = found.total.exposed
    return [*sorted([*panels, *things], key=lambda row: row[:2]), (total.units, total.least, total.greatest)]


def _tuples_are_the_rows_that_are_asked_for(session: Session) -> None:
    statement = listed("select id, kind from item where id in :items and e in :entries order by id", "items", "entries")
    rows = tuples(session, statement, entries=range(200), items=range(100))
    assert rows and rows == [tuple(row) for row in ask(session, statement, items=range(100), entries=range(200))]
    assert tuples(session, statement, items=[], entries=[1]) == []


def test_tuples_are_seen_by_who_listens_and_fail_as_other_statements_do(house: House) -> None:
    seen: list[str] = []
    with house.reading() as session:
        engine = session.get_bind()
        listen = lambda _c, _cursor, sql, *_: seen.append(sql)  # noqa: E731 - the same object is taken off again
        event.listen(engine, "before_cursor_execute", listen)
        tuples(session, listed("select id from item where id in :items", "items"), items=[1])
        event.remove(engine, "before_cursor_execute", listen)
        assert "from item" in seen[-1]
        with pytest.raises(DBAPIError):
            tuples(session, listed("select no_such_column from item where id in :items", "items"), items=[1])

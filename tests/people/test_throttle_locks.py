"""Counts of tries that two ask for at once. On PostgreSQL; SQLite has one writer."""

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from app import clock
from app.db import House
from app.people import throttle
from app.people.models import Throttle
from app.people.throttle import Try, begin_try, was_right

pytestmark = pytest.mark.only_on("postgresql")

T0 = datetime(2026, 3, 2, 6, tzinfo=UTC)
ONE = Try("brought signature 1", "signing at 10.0.0.1")


def of(who: str | None) -> Select[Throttle]:
    return select(Throttle).where(Throttle.who == who).with_for_update(nowait=True)


def test_a_right_try_waits_for_one_that_begins_and_holds_nothing_meanwhile(house: House) -> None:
    """Both count the person first, then the place: else each would wait for the other, and one was answered that the database is busy."""
    begin_try(house, ONE)
    with ThreadPoolExecutor(1) as pool:
        with house.writing() as beginning:
            beginning.execute(of(ONE.whose))
            right = pool.submit(was_right, house, ONE, None)
            with pytest.raises(TimeoutError):
                right.result(0.3)
            beginning.execute(of(ONE.where))
        right.result(5)


def test_an_old_count_that_another_has_just_now_is_not_waited_for(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clock, "now", lambda: T0)
    begin_try(house, Try("person 2", None))
    monkeypatch.setattr(clock, "now", lambda: T0 + timedelta(hours=8))
    with ThreadPoolExecutor(1) as pool, house.writing() as beginning:
        beginning.execute(of("person 2"))
        pool.submit(was_right, house, ONE, None).result(5)
    with house.reading() as session:
        assert list(session.scalars(select(Throttle.who))) == ["person 2"]


def test_a_count_that_came_while_the_place_was_waited_for_is_not_waited_for(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of three signatures of one person at once the first wiped the count, the second began anew, and the third wanted that, holding the place."""
    begin_try(house, ONE)
    was_right(house, ONE, None)
    locked = throttle._locked
    with ThreadPoolExecutor(1) as pool, house.writing() as beginning:

        def then_another_begins(session: Session, keys: list[str]) -> dict[str, Throttle]:
            rows = locked(session, keys)
            with house.writing() as other:
                other.add(Throttle(who=ONE.whose, failures=1, last_at=T0))
            beginning.execute(of(ONE.whose))
            return rows

        monkeypatch.setattr(throttle, "_locked", then_another_begins)
        pool.submit(was_right, house, ONE, None).result(5)
    with house.reading() as session:
        assert set(session.scalars(select(Throttle.who))) == {ONE.whose, ONE.where}

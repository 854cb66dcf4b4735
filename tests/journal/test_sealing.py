"""Every entry is sealed once, also one that commits after a later number; and none is sought where all are sealed."""

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.orm import Session

from app.db import House
from app.errors import refuse
from app.journal import act as doors
from app.journal import sealing
from app.journal.act import SYSTEM, By, act
from app.journal.models import Entry, Seal
from app.journal.sealing import has_unsealed, seal
from app.journal.verify import verify_journal
from app.ledger.items import Item


def new_item(session: Session, by: By) -> dict[str, Any]:
    item = Item(kind="wafer", e=by.e)
    session.add(item)
    session.flush()
    return {"item": item.id}


def write(house: House, times: int = 1) -> None:
    for _ in range(times):
        act(house, SYSTEM, "receive_wafers", {}, new_item)


def settled(house: House) -> int:
    with house.reading() as session:
        return sealing.settled(session)


def greatest(house: House) -> int:
    with house.reading() as session:
        return session.scalar(select(func.max(Entry.id))) or 0


def unsealed(house: House) -> list[int]:
    with house.reading() as session:
        return list(session.scalars(select(Entry.id).where(~select(Seal.n).where(Seal.entry == Entry.id).exists())))


@contextmanager
def held_open(house: House) -> Iterator[threading.Event]:
    """An act that has drawn its number and does not end before it is told."""
    drawn, end = threading.Event(), threading.Event()

    def slow(session: Session, by: By) -> dict[str, Any]:
        done = new_item(session, by)
        drawn.set()
        end.wait(20)
        return done

    with ThreadPoolExecutor(1) as pool:
        running = pool.submit(act, house, SYSTEM, "receive_wafers", {}, slow)
        assert drawn.wait(20)
        try:
            yield end
        finally:
            end.set()
            running.result()


def test_what_is_sealed_is_settled(house: House) -> None:
    write(house, 3)
    seal(house)
    assert settled(house) == greatest(house) > 0
    write(house)
    with house.reading() as session:
        assert has_unsealed(session)
    seal(house)
    assert settled(house) == greatest(house)
    with house.reading() as session:
        assert not has_unsealed(session)
    assert unsealed(house) == []


def test_a_full_batch_settles_no_more_than_it_sealed(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    seal(house)
    write(house, 5)
    monkeypatch.setattr(sealing, "_AT_ONCE", 2)
    assert sealing._seal_some(house) == 2
    assert settled(house) == greatest(house) - 3
    assert seal(house) == 3
    assert settled(house) == greatest(house)
    assert unsealed(house) == []


@pytest.mark.only_on("postgresql")
def test_who_commits_after_a_later_number_is_sealed_too(house: House) -> None:
    write(house)
    seal(house)
    before = settled(house)
    with held_open(house):
        write(house)
        assert seal(house) == 1
        assert settled(house) == before
    assert len(unsealed(house)) == 1
    assert seal(house) == 1
    assert settled(house) == greatest(house)
    assert unsealed(house) == []
    assert list(verify_journal(house)) == []


@pytest.mark.only_on("postgresql")
def test_a_refusal_that_is_being_written_is_waited_for(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its transaction is another one than that of the verb that refused."""
    write(house)
    seen: list[int] = []
    entry_of = doors._entry

    def looked_at(*given: Any) -> Any:
        question = entry_of(*given)  # its number is drawn now
        seen.append(sealing._complete_until(house))
        return question

    def refusing(_session: Session, _by: By) -> dict[str, Any]:
        raise refuse("not_here", "No.", "It is not here.", "Bring it.")

    monkeypatch.setattr(doors, "_entry", looked_at)
    with pytest.raises(Exception, match="No"):
        act(house, SYSTEM, "receive_wafers", {}, refusing)
    assert seen == [0]
    assert sealing._complete_until(house) == greatest(house)


def test_nothing_is_sought_among_what_is_settled(house: House) -> None:
    """What a round looks at does not grow with the history: a seal that was lost below is not made again, `check` finds it."""
    write(house, 3)
    seal(house)
    with house.owner_engine.begin() as connection:
        connection.execute(text("delete from seal where n = 2"))
    write(house)
    assert seal(house) == 1
    assert len(unsealed(house)) == 1
    assert [one.what for one in verify_journal(house) if "no seal" in one.what]


def test_without_the_mark_all_are_looked_through(house: House) -> None:
    """As in a database that an earlier version wrote, or that was taken back to it and up again."""
    write(house, 3)
    with house.owner_engine.begin() as connection:
        connection.execute(text("delete from settled"))
    assert seal(house) >= 3
    assert settled(house) == greatest(house)


def test_an_entry_that_slips_in_among_the_sealed_ones_is_found(house: House) -> None:
    write(house, 3)
    seal(house)
    with house.owner_engine.begin() as connection:
        columns = ", ".join(column.name for column in Entry.__table__.columns if column.name != "id")
        connection.execute(text(f"insert into entry (id, {columns}) select -7, {columns} from entry where id = (select max(id) from entry)"))
    seal(house)
    assert [(one.where, one.what) for one in verify_journal(house) if "no seal" in one.what] == [
        ("entry -7", "has no seal, and stands among those that were all sealed")
    ]

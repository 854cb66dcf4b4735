"""Who did something and when, of many entries at once: what every list of what was done says of each."""

from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import Boolean
from sqlalchemy.orm import Session

from app.db import Moment
from app.listed import ask, listed


class EntryRow(NamedTuple):
    """`fact`: told after it happened."""

    id: int
    actor_name: str
    happened_at: datetime
    fact: bool


def entry_rows(session: Session, entries: Iterable[int]) -> dict[int, EntryRow]:
    return {row[0]: EntryRow(*row) for row in ask(session, _ENTRIES, entries=set(entries))}


_ENTRIES = listed("select id, actor_name, happened_at, fact from entry where id in :entries", "entries").columns(happened_at=Moment(), fact=Boolean())

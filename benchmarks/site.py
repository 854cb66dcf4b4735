"""One history that is measured: its house, the driver's own connection, and subjects spread over its last weeks."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from sqlalchemy import text
from sqlalchemy.engine import make_url
from sqlalchemy.orm import Session

from app.db import House
from app.naming.resolve import Named, code_of
from benchmarks.bare import Bare
from benchmarks.history import BLOCKS_A_WEEK, History, Say

_ONE_OF = {  # in the block: full reels that were shipped, wafers that were used up, oven runs with several lots
    "pack": "select pack from pack_content where closed_e is null and was_in = '[]' group by pack order by sum(pocket_to) desc, pack limit 4",
    "wafer": "select wafer from placement group by wafer order by count(*) desc, wafer limit 4",
    "run": "select r.id from run r join line l on l.run = r.id where r.operation = 'cure' group by r.id having count(*) > 1 order by r.id limit 4",
    "panel": "select item from panel order by item limit 4",
}


@dataclass
class Site:
    house: House
    history: History
    block: House
    rounds: int
    folder: Path
    say: Say

    @property
    def kind(self) -> str:
        return self.house.kind

    @cached_property
    def bare(self) -> Bare:
        return Bare(self.house)

    @contextmanager
    def walking(self) -> Iterator[Session]:
        """As a trace's page asks, each answer's objects its own."""
        with self.house.walking() as session:
            yield session

    def tenth_url(self) -> str:
        """Where a tenth of this history is kept; on PostgreSQL a database beside this one, made where it is missing."""
        if self.kind == "sqlite":
            return ""
        url = make_url(self.house.settings.url)
        name = f"{url.database}_tenth"
        raw = self.bare.raw
        if raw.execute("select 1 from pg_database where datname = %s", [name]).fetchone() is None:
            raw.execute(f'create database "{name}"')
        return url.set(database=name).render_as_string(hide_password=False)

    def subjects(self, kind: str, blocks: int = 3) -> list[Named]:
        """The same of each history: from blocks one week apart, the last of them a week before now."""
        with self.block.reading() as session:
            ids = list(session.scalars(text(_ONE_OF[kind])))
        last = max(0, self.history.blocks - 1 - BLOCKS_A_WEEK)
        numbers = [max(0, last - n * BLOCKS_A_WEEK) for n in range(blocks)]
        with self.house.reading() as session:
            return [self._named(session, kind, self.history.id_in(one, n)) for n in dict.fromkeys(numbers) for one in ids]

    def weekly(self) -> Named:
        """The batch of a whole week, the last but one."""
        week = max(0, self.history.blocks // BLOCKS_A_WEEK - 2) * BLOCKS_A_WEEK
        with self.house.reading() as session:
            return self._named(session, "batch", self.history.id_in(self.history.weekly, week))

    @staticmethod
    def _named(session: Session, kind: str, thing: int) -> Named:
        return Named(kind, thing, code_of(session, kind, thing))

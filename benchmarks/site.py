"""One history that is measured: its house, the driver's own connection, and subjects spread over its last weeks."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from sqlalchemy import text
from sqlalchemy.engine import make_url
from sqlalchemy.orm import Session

from app.db import House
from app.naming.resolve import Named, code_of
from benchmarks.bare import Bare
from benchmarks.block import LOTS
from benchmarks.history import BLOCKS_A_WEEK, History, Say, open_history

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
    blocks: int = 0  # of a short try
    lots: int = LOTS

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

    @contextmanager
    def tenth(self) -> Iterator["Site"]:
        """The same on a tenth of this history."""
        days = max(1, round(self.history.days / 10))
        house, history = open_history(self.folder, days, self._tenth_url(), self.say, self.blocks, self.lots)
        try:
            yield replace(self, house=house, history=history)
        finally:
            house.dispose()

    def _tenth_url(self) -> str:
        """Where it is kept; on PostgreSQL a database beside this one, made where it is missing."""
        if self.kind == "sqlite":
            return ""
        url = make_url(self.house.settings.url)
        name = f"{url.database}_tenth"
        raw = self.bare.raw
        if raw.execute("select 1 from pg_database where datname = %s", [name]).fetchone() is None:
            raw.execute(f'create database "{name}"')
        return url.set(database=name).render_as_string(hide_password=False)

    def warm(self) -> None:
        """A plant's machine keeps in memory what was written and read there today. Here it may long have given up what a measure is to write into:
        pages that have room for one more row, folders of evidence.
        """
        for folder in self.house.data_dir.glob("evidence/*/"):  # beside them lie halves of files
            os.listdir(folder)
        if self.kind == "sqlite":
            with (self.house.data_dir / "reelroot.db").open("rb", buffering=0) as database:
                while database.read(1 << 22):
                    pass
        else:
            with self.house.write_engine.connect().execution_options(isolation_level="AUTOCOMMIT") as target:
                target.exec_driver_sql("create extension if not exists pg_prewarm")
                target.exec_driver_sql("select pg_prewarm(oid, 'read') from pg_class where relkind in ('r', 'i', 't') and relpersistence = 'p'")

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

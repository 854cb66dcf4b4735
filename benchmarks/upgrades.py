"""A database at every earlier migration, with a factory's work in it, is taken to the newest: is anything lost?

    python -m benchmarks.upgrades                        # a small factory, on both databases
    python -m benchmarks.upgrades --data data/demo       # what a backup of that installation has, on both

The work is done at the newest schema and taken down to each earlier one in turn, which leaves what that one can hold. Then the tables are
read as they stand, the database is taken up, and every row and column must be as it was. What a later schema alone can hold is not there.
"""

import argparse
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import MetaData, select

from app.backup import backup, restore
from app.db import House
from app.genealogy.checks import check
from app.migrate import downgrade, revisions, upgrade
from benchmarks.backups import empty
from benchmarks.installations import opened
from tests.small_factory import Factory


@dataclass
class Found:
    """`taken`: revision -> rows compared."""

    taken: dict[str, int] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)


def take_up_from_each(house: House) -> Found:
    """`house` is at the newest and has work in it; so it is afterwards."""
    found = Found()
    for revision in revisions()[1:]:  # the newest first
        downgrade(house, revision)
        before = _rows(house)
        upgrade(house)
        after = _rows(house)
        for table, rows in before.items():
            if table == "alembic_version":
                continue
            names = sorted(rows[0]) if rows else []
            kept = after.get(table, [])
            if any(name not in row for row in kept for name in names):
                found.faults.append(f"{revision}: {table} lost a column of {names}")
            elif _sorted(rows, names) != _sorted(kept, names):
                found.faults.append(f"{revision}: {table} had {len(rows)} rows, and has {len(kept)}, or others")
        found.taken[revision] = sum(len(rows) for rows in before.values())
        found.faults += [f"{revision}: check: {one}" for one in check(house)]
    return found


def _rows(house: House) -> dict[str, list[dict[str, Any]]]:
    """Every table as it stands in the database, whatever our models say."""
    there = MetaData()
    with house.write_engine.connect() as connection:
        there.reflect(connection)
        return {name: [dict(row) for row in connection.execute(select(table)).mappings()] for name, table in there.tables.items()}


def _sorted(rows: list[dict[str, Any]], names: list[str]) -> list[str]:
    return sorted(repr([row[name] for name in names]) for row in rows)


def small_work(house: House) -> None:
    """A lot from wafer and glue through its first step, one more that is held back in it."""
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    factory.run("Attach", factory.lot(factory.panels(3), order="4712"))
    factory.start("Attach", factory.lot(factory.panels(2)))


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--data", type=Path, help="a data folder with SQLite, at the newest schema; it is only read")
    how = asked.parse_args()
    bad = False
    with tempfile.TemporaryDirectory() as folder:
        fill: Callable[[House], None] = small_work
        if how.data:
            archive = Path(folder) / "all.tar.gz"
            with opened(how.data) as source:
                backup(source, archive)

            def fill(house: House) -> None:
                restore(house, archive)

        for kind in ("sqlite", "postgresql"):
            with empty(kind) as house:
                fill(house)
                found = take_up_from_each(house)
            bad = bad or bool(found.faults)
            for revision, rows in found.taken.items():
                print(f"{kind}: from {revision}: {rows:,} rows kept")
            print(f"{kind}: faults: {len(found.faults)}", *found.faults[:20], sep="\n", flush=True)
    sys.exit(bad)


if __name__ == "__main__":
    main()

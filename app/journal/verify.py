"""Compare the journal with the rows: every digest, the chain, and the seals that were written to the file."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Select, Table, inspect, select
from sqlalchemy.orm import Session

from app.db import Base, House
from app.journal.models import Entry, Seal
from app.journal.record import RecordBroken, Recorded, closing_hashes, insert_hashes, is_digest_of, recorded_classes
from app.journal.sealing import ENTRY, bytes_in_file, chain_after, seals_in_file, settled
from app.journal.spelling import stored_columns, whole
from app.listed import blocks


@dataclass(frozen=True)
class Finding:
    """One thing that is not as it should be: which check, where, and what was found."""

    check: str
    where: str
    what: str


def verify_journal(house: House) -> Iterator[Finding]:
    """Findings, in the order of the record. Reads every recorded table once; memory grows with the number of entries."""
    sealed = bytes_in_file(house)  # before the snapshot: whoever seals meanwhile writes a row and then a line
    with house.snapshot() as session:
        _must_know_all_tables(session)
        sums: defaultdict[int, int] = defaultdict(int)
        for cls in recorded_classes():
            yield from _add_rows(session, cls, sums)
        yield from _compare_entries(session, sums)
        chains: dict[int, bytes] = {}
        yield from _follow_chain(session, chains)
        yield from _without_a_seal(session)
        yield from _compare_file(house, chains, sealed)


def _must_know_all_tables(session: Session) -> None:
    """A program that did not import every room would find the rows of the others missing."""
    unknown = set(inspect(session.connection()).get_table_names()) - set(Base.metadata.tables) - {"alembic_version"}
    if unknown:
        raise RecordBroken(f"these tables are not mapped here: {', '.join(sorted(unknown))}; import app.tables first")


def _add_rows(session: Session, cls: type[Recorded], sums: defaultdict[int, int]) -> Iterator[Finding]:
    table: Any = cls.__table__  # type: ignore[attr-defined]
    places = {column.name: n for n, column in enumerate(table.columns)}
    e, closed_e, closing = places["e"], places.get("closed_e"), [places[name] for name in cls.closing]
    for rows in blocks(session, _rows_of(table)):
        for row, added in zip(rows, insert_hashes(cls, rows, stored=True), strict=True):
            sums[row[e]] += added
        closed = [row for row in rows if row[closed_e] is not None] if closed_e is not None else []
        for row, added in zip(closed, closing_hashes(cls, closed, stored=True), strict=True):
            sums[row[closed_e]] += added
        for row in rows if closing else ():
            if row[closed_e] is None and any(row[n] is not None for n in closing):
                where = " ".join(f"{column.name} {row[places[column.name]]}" for column in table.primary_key)
                yield Finding("journal", f"{table.name} {where}", "has closing values, but no entry closed it")


@cache
def _rows_of(table: Table) -> Select[Any]:
    return select(*stored_columns(table))


def _compare_entries(session: Session, sums: defaultdict[int, int]) -> Iterator[Finding]:
    for rows in blocks(session, select(Entry.id, Entry.digest)):
        for number, digest in rows:
            if not is_digest_of(digest, sums.pop(number, 0)):
                yield Finding("journal", f"entry {number}", "the rows that it wrote are not as it wrote them")
    for number in sorted(sums):
        yield Finding("journal", f"entry {number}", "is missing, and rows name it")


def _follow_chain(session: Session, chains: dict[int, bytes]) -> Iterator[Finding]:
    """Every seal against its entry and the seal before; `chains` has them then, by number."""
    before, chain = 0, b""
    query = select(*stored_columns(ENTRY), Seal.n, Seal.entry, Seal.chain).select_from(Seal).outerjoin(ENTRY, ENTRY.c.id == Seal.entry)
    for rows in blocks(session, query.order_by(Seal.n)):
        spelled = whole(ENTRY, [row[:-3] for row in rows], stored=True)
        for (found, *_, n, number, sealed), entry in zip(rows, spelled, strict=True):
            if n != before + 1:
                yield Finding("seals", f"seal {before + 1}", f"is missing: the next one is {n}")
            if found is None:
                yield Finding("seals", f"seal {n}", f"its entry {number} is missing")
            elif chain_after(chain, entry) != sealed:
                yield Finding("seals", f"entry {number}", f"is not as seal {n} found it, or a seal before it was changed")
            before, chain = n, sealed  # go on from what stands there, so that one change is one finding
            chains[n] = sealed


def _without_a_seal(session: Session) -> Iterator[Finding]:
    """What came in where all were sealed; entries above are still to be sealed."""
    unsealed = ~select(Seal.n).where(Seal.entry == Entry.id).exists()
    late = select(Entry.id).where(Entry.id <= settled(session), unsealed).order_by(Entry.id)
    for number in session.scalars(late):
        yield Finding("seals", f"entry {number}", "has no seal, and stands among those that were all sealed")


def _compare_file(house: House, chains: dict[int, bytes], sealed: int) -> Iterator[Finding]:
    if chains and not sealed:
        what = f"is missing or empty, and the database has {len(chains)} seals: it can't show a cut tail"
        yield Finding("seals", "the file in the data folder", what)
    for n, chain in seals_in_file(house, sealed):
        if n not in chains:
            yield Finding("seals", f"seal {n}", "stands in the file in the data folder, and not in the database: the tail was cut")
            return
        if chains[n].hex() != chain:
            yield Finding("seals", f"seal {n}", "differs from the file in the data folder")

"""Seals: entries are chained right after their commit, so that commits share a flush and no chain lock is held through it."""

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from sqlalchemy import Select, Table, func, insert, select, text
from sqlalchemy.orm import Session

from app.db import House
from app.journal.act import HOLDS_LOCK
from app.journal.models import Entry, Seal, Settled
from app.journal.spelling import whole

ENTRY: Table = Entry.__table__  # type: ignore[assignment]
_SEAL_LOCK = 7202
_AT_ONCE = 5000
_SEALS_FILE = "seals.log"


def seal(house: House) -> int:
    """Chains every entry that has no seal yet, in order, and writes each seal to the file in the data folder."""
    made = batch = _seal_some(house)
    while batch == _AT_ONCE:  # fewer were all there were
        batch = _seal_some(house)
        made += batch
    return made


def newest_digest(session: Session) -> tuple[int, str] | None:
    """Number and chain of the newest seal, as it is printed on the shift report."""
    last = session.execute(select(Seal.n, Seal.chain).order_by(Seal.n.desc()).limit(1)).first()
    return (last.n, last.chain.hex()) if last else None


def chain_after(before: bytes, entry: str) -> bytes:
    """`entry`: all its columns, spelled."""
    return hashlib.sha256(before + entry.encode()).digest()


def bytes_in_file(house: House) -> int:
    """How long the file of seals is now: what a check that begins now may expect in the database."""
    path = _file(house)
    return path.stat().st_size if path.exists() else 0


def seals_in_file(house: House, until: int) -> Iterator[tuple[int, str]]:
    """The seals in the first `until` bytes of the file."""
    if until:
        with _file(house).open() as lines:
            for line in lines:
                if not line.endswith("\n"):
                    return  # the process was killed, or the disk was full, in the middle of it
                n, chain = line.split()
                yield int(n), chain
                until -= len(line)
                if until <= 0:
                    return


def write_file_of_seals(house: House) -> None:
    """In a data folder that is new, as after a restore: what the database has."""
    with house.reading() as session:
        lines = "".join(f"{n} {chain.hex()}\n" for n, chain in session.execute(select(Seal.n, Seal.chain).order_by(Seal.n)))
    if lines and not bytes_in_file(house):
        _append(house, lines)


def settled(session: Session) -> int:
    """Up to this entry every one has its seal, and none is still to come."""
    return session.scalar(select(Settled.entry)) or 0


def has_unsealed(session: Session) -> bool:
    return session.execute(_unsealed(session).limit(1)).first() is not None


def _seal_some(house: House) -> int:
    complete = _complete_until(house)
    with house.writing() as session:
        if house.kind == "postgresql":
            session.execute(text(f"select pg_advisory_xact_lock({_SEAL_LOCK})"))
        last = session.execute(select(Seal.n, Seal.chain).order_by(Seal.n.desc()).limit(1)).first()
        n, chain = (last.n, last.chain) if last else (0, b"")
        new = []
        unsealed = session.execute(_unsealed(session).limit(_AT_ONCE)).all()
        for entry, spelled in zip(unsealed, whole(ENTRY, unsealed), strict=True):
            n, chain = n + 1, chain_after(chain, spelled)
            new.append({"n": n, "entry": entry.id, "chain": chain})
        if new:
            session.execute(insert(Seal), new)
        _settle(session, min(complete, new[-1]["entry"]) if len(new) == _AT_ONCE else complete)
        # the file follows the commit: a line without its row means a cut tail; a row without its line, a lost moment
        lines = "".join(f"{one['n']} {one['chain'].hex()}\n" for one in new)
    if lines:
        _append(house, lines)
    return len(new)


def _complete_until(house: House) -> int:
    """No entry up to this number is still to come; 0 where that can't be told now.

    On SQLite numbers are drawn by the one that writes. On PostgreSQL an act that drew a lower number may commit after one with a higher; each
    shares the lock of holds from before it draws until its entry is seen, so that whoever has it alone finds no act under way.
    """
    greatest = select(func.max(Entry.id))
    if house.kind == "sqlite":
        with house.reading() as session:
            return session.scalar(greatest) or 0
    with house.writing() as session:
        alone = session.scalar(text(f"select pg_try_advisory_xact_lock({HOLDS_LOCK})"))
        return (session.scalar(greatest) or 0) if alone else 0


def _settle(session: Session, until: int) -> None:
    if until > settled(session):
        session.merge(Settled(id=1, entry=until))


def _unsealed(session: Session) -> Select[Any]:
    """Past what is settled: through all of history each round would seek them longer, and on SQLite every scan would wait for it."""
    unsealed = ~select(Seal.n).where(Seal.entry == Entry.id).exists()
    return select(ENTRY).where(Entry.id > settled(session), unsealed).order_by(Entry.id)


def _append(house: House, lines: str) -> None:
    house.data_dir.mkdir(parents=True, exist_ok=True)
    with _file(house).open("a+b") as out:
        _cut_half_line(out)
        out.write(lines.encode())
        out.flush()
        os.fsync(out.fileno())


def _cut_half_line(out: BinaryIO) -> None:
    """What a kill or a full disk left of a line would spoil the next one."""
    end = out.seek(0, os.SEEK_END)
    out.seek(max(0, end - 200))  # longer than any line
    tail = out.read()
    if tail and not tail.endswith(b"\n"):
        out.truncate(end - len(tail) + tail.rfind(b"\n") + 1)


def _file(house: House) -> Path:
    return house.data_dir / _SEALS_FILE

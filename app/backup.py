"""Backup and restore: one archive with every table as lines of JSON, the evidence and the unit results. Either database takes it in.

The rows are read on one snapshot while work goes on; evidence is only ever added, so files kept later do no harm.
"""

import base64
import gzip
import hashlib
import io
import json
import os
import re
import shutil
import tarfile
import tempfile
import zlib
from collections.abc import Callable, Container, Iterator
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import IO, Any

from sqlalchemy import LargeBinary, Table, func, insert, select, text
from sqlalchemy.exc import OperationalError, StatementError
from sqlalchemy.orm import Session

from app import clock
from app.db import House, Moment, canonical_json
from app.errors import BadInput, bad_input, refuse
from app.evidence.keep import path_of
from app.evidence.models import Evidence
from app.final_test.models import UnitFile
from app.final_test.results_in import parquet_path
from app.journal.models import Entry, entry_number
from app.journal.sealing import write_file_of_seals
from app.outages import outage_of
from app.tables import Base  # all of them, or a backup would be of some rooms only
from app.web.words import counted

_AT_ONCE = 2000
_PIECE = 1 << 20
_MANIFEST = "manifest.json"
_LARGEST_HEADER = 1 << 10  # bytes: the size of a part of more than 8 GiB is all that a backup says in one
_PART = re.compile(r"tables/[a-z_]+\.jsonl|(evidence|unit_results)/[0-9a-f]{64}")
Progress = Callable[[str], None]


class _Member(tarfile.TarInfo):
    """Of what an archive says of its members the reader keeps all in memory, and a megabyte of it may be a gigabyte when it is unpacked."""

    def _proc_member(self, archive: tarfile.TarFile) -> tarfile.TarInfo:  # which the library has for such classes
        if not (self.isreg() or (self.type == tarfile.XHDTYPE and self.size <= _LARGEST_HEADER)) or self.type == tarfile.GNUTYPE_SPARSE:
            raise ValueError(f"{self.name[:80]!r} is no part of a backup")
        return super()._proc_member(archive)  # type: ignore[misc, no-any-return]

    def _proc_gnusparse_10(self, *_: object) -> None:
        raise ValueError("a part of it has holes")


def backup(house: House, target: Path, say: Progress = lambda _: None) -> Path:
    """Writes the archive beside `target` first, so that a broken backup never has its name."""
    temporary = _beside(target)
    try:
        _write(house, temporary, say)
        os.replace(temporary, target)
    except BaseException:  # a full disk must not stay full of it
        temporary.unlink()
        raise
    return target


def _beside(target: Path) -> Path:
    """A new file in the same folder. Looked at before all is written: a folder can't be replaced by a file."""
    if target.is_dir():
        raise _no_place(target, "It is a folder")
    try:
        with tempfile.NamedTemporaryFile(dir=target.parent, delete=False) as file:
            return Path(file.name)
    except (FileNotFoundError, NotADirectoryError, PermissionError) as error:
        raise _no_place(target, f"No file can be made in its folder: {error.strerror}") from error


def _no_place(target: Path, why: str) -> BadInput:
    return bad_input("The backup was not begun.", str(target), f"{why}.", "Name a new file in a folder that is there and may be written.")


def _write(house: House, temporary: Path, say: Progress) -> None:
    digests: dict[str, str] = {}
    with temporary.open("wb") as file:
        with tarfile.open(fileobj=file, mode="w:gz", compresslevel=3) as archive, house.snapshot() as session:
            for table in Base.metadata.sorted_tables:
                say(f"table {table.name}")
                _add(archive, digests, f"tables/{table.name}.jsonl", _lines(session, table))
            missing = 0
            for name, path in _files(house, session):
                if path.is_file():
                    _add(archive, digests, name, _pieces(path))
                else:  # one that was lost must not keep all others from being backed up
                    missing += 1
            manifest = {"made_at": clock.now().isoformat(), "revision": _revision(session), "digests": digests}
            _add_bytes(archive, _MANIFEST, canonical_json(manifest).encode())
        file.flush()
        os.fsync(file.fileno())
    if missing:
        say(f"Take care: {counted(missing, 'file')} of evidence or unit results could not be backed up: missing. `reelroot check` names them.")


def _files(house: House, session: Session) -> Iterator[tuple[str, Path]]:
    """Evidence and unit results: their names in the archive, and where they should be."""
    for digest in session.scalars(select(Evidence.digest).distinct()):
        yield f"evidence/{digest}", path_of(house, digest)
    for digest in session.scalars(select(UnitFile.parquet).distinct()):
        yield f"unit_results/{digest}", _results_path(house, digest)


def _results_path(house: House, digest: str) -> Path:
    path_of(house, digest)  # refuses what is no digest
    return parquet_path(house, digest)


def restore(house: House, source: Path, say: Progress = lambda _: None) -> None:
    """Takes an archive into an empty installation whose tables stand. Everything is checked before a row is written."""
    manifest = verify_archive(source)
    try:
        _restore(house, source, manifest, say)
    except (ValueError, RecursionError, StatementError) as error:
        if isinstance(error, OperationalError) or outage_of(error):  # the database is away, the disk full, or the role lacks a right
            raise
        # every part is as its manifest says, and still it is no backup of ours
        raise _damaged(source, str(error).partition("\n")[0]) from error
    write_file_of_seals(house)


def _restore(house: House, source: Path, manifest: dict[str, Any], say: Progress) -> None:
    with house.writing(as_owner=True) as session:
        if session.scalar(select(func.count()).select_from(Entry)):
            raise refuse("changed", "This installation is not empty.", "It has journal entries.", "Restore into an empty data folder and database.")
        if manifest["revision"] != _revision(session):
            raise bad_input(
                "The backup is of another version.", str(source), f"It was made at {manifest['revision']}, here is {_revision(session)}.",
                "Restore it with the version that made it, then upgrade.",
            )  # fmt: skip
        with tarfile.open(source, "r:gz", tarinfo=_Member) as archive:
            for member in archive:
                _take_in(house, session, archive, member, say)
        set_counters(house, session)


def verify_archive(source: Path) -> dict[str, Any]:
    """The manifest of an archive whose every part is as it was written."""
    if not source.is_file():
        raise bad_input("There is no backup.", str(source), "It is not there, or is no file.", "Name the archive that `reelroot backup` wrote.")
    found: dict[str, str] = {}
    manifest: Any = None
    try:
        with gzip.open(source) as unpacked:
            with tarfile.open(fileobj=unpacked, mode="r:", tarinfo=_Member) as archive:
                for member in archive:
                    file = _part(archive, member, found)
                    if member.name == _MANIFEST:
                        manifest = json.load(file)
                    else:
                        found[member.name] = hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
            while unpacked.read(_PIECE):  # to the checksum at the very end: the manifest stands in no digest of its own
                pass
    except (tarfile.TarError, zlib.error, EOFError, OSError, ValueError, RecursionError) as error:
        raise _damaged(source, str(error)) from error
    if not isinstance(manifest, dict) or manifest.get("digests") != found or "revision" not in manifest:
        raise _damaged(source, "its parts are not as its manifest says")
    return manifest


def _part(archive: tarfile.TarFile, member: tarfile.TarInfo, before: Container[str]) -> IO[bytes]:
    """A plain file with one of our names, once: a link or a device is none, and one with holes may be a million times its archive's size."""
    file = archive.extractfile(member) if member.isreg() and not member.issparse() else None
    if file is None or not (member.name == _MANIFEST or _PART.fullmatch(member.name)) or member.name in before:
        raise ValueError(f"{member.name[:80]!r} is no part of a backup")
    return file


def _take_in(house: House, session: Session, archive: tarfile.TarFile, member: tarfile.TarInfo, say: Progress) -> None:
    folder, _, name = member.name.partition("/")
    file = _part(archive, member, ())
    if folder == "evidence":
        _write_file(path_of(house, name), file)
    elif folder == "unit_results":
        _write_file(_results_path(house, name), file)
    elif folder == "tables":
        say(f"table {name.removesuffix('.jsonl')}")
        _insert(session, name.removesuffix(".jsonl"), file)


def _write_file(path: Path, file: IO[bytes]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as out:
        shutil.copyfileobj(file, out, _PIECE)
        out.flush()
        os.fsync(out.fileno())


def _insert(session: Session, name: str, file: IO[bytes]) -> None:
    table = Base.metadata.tables.get(name)
    if table is None:
        raise ValueError(f"there is no table {name}")
    rows = (_row(table, json.loads(line)) for line in io.TextIOWrapper(file, encoding="utf-8"))
    while some := list(islice(rows, _AT_ONCE)):
        session.execute(insert(table), some)


def _pieces(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            yield piece


def _lines(session: Session, table: Table) -> Iterator[bytes]:
    order = list(table.primary_key)
    for row in session.execute(select(table).order_by(*order).execution_options(yield_per=_AT_ONCE)).mappings():
        yield (canonical_json({name: _plain(value) for name, value in row.items()}) + "\n").encode()


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat()
    return base64.b64encode(value).decode() if isinstance(value, bytes) else value


def _row(table: Table, values: Any) -> dict[str, Any]:
    if not isinstance(values, dict):
        raise ValueError(f"a line of the table {table.name} is no row")
    for column in table.columns:
        value = values.get(column.name)
        if value is not None and isinstance(column.type, Moment):
            values[column.name] = datetime.fromisoformat(str(value))
        elif value is not None and isinstance(column.type, LargeBinary):
            values[column.name] = base64.b64decode(str(value))
    return values


def _add(archive: tarfile.TarFile, digests: dict[str, str], name: str, parts: Iterator[bytes]) -> None:
    """A member whose size is known only when all is written: it goes through a temporary file."""
    with tempfile.TemporaryFile() as file:
        sha = hashlib.sha256()
        for part in parts:
            sha.update(part)
            file.write(part)
        info = tarfile.TarInfo(name)
        info.size = file.tell()
        file.seek(0)
        archive.addfile(info, file)
        digests[name] = sha.hexdigest()


def _add_bytes(archive: tarfile.TarFile, name: str, content: bytes) -> None:
    info = tarfile.TarInfo(name)
    info.size = len(content)
    archive.addfile(info, io.BytesIO(content))


def set_counters(house: House, session: Session) -> None:
    """PostgreSQL numbers from where the restored rows end."""
    if house.kind != "postgresql":
        return
    for table in Base.metadata.sorted_tables:
        key = list(table.primary_key)
        name = session.scalar(text("select pg_get_serial_sequence(:t, :c)"), {"t": f'"{table.name}"', "c": key[0].name}) if len(key) == 1 else None
        if name:
            session.execute(text(f"select setval('{name}', (select coalesce(max({key[0].name}), 0) + 1 from \"{table.name}\"), false)"))
    session.execute(text(f"select setval('{entry_number.name}', (select coalesce(max(id), 0) + 1 from entry), false)"))


def _revision(session: Session) -> str:
    return session.scalar(text("select version_num from alembic_version")) or ""


def _damaged(source: Path, why: str) -> BadInput:
    return bad_input("The backup is damaged.", str(source), f"It can't be read whole: {why}.", "Use another backup.")

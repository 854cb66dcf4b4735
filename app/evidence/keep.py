"""Keep a file as it came. The bytes are stored outside any transaction; the act commits the row once the disk has them."""

import hashlib
import os
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, TypeVar

from sqlalchemy.orm import Session

from app.db import House, canonical_json
from app.errors import NotFound, crafted, unknown
from app.evidence.models import Evidence
from app.evidence.scanner import look_at
from app.journal.act import By
from app.journal.record import enter

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

T = TypeVar("T")
_CHUNK = 1 << 20
_FOLDER = "evidence"
_HALF = "half-"
_HALF_KEPT_SECONDS = 86_400
_NAMELESS = getattr(os, "O_TMPFILE", 0)
_OPENED = Path("/proc/self/fd")  # what a process has open, by number
_FLUSHES = ThreadPoolExecutor(8, thread_name_prefix="flush")
_KEEPS = ThreadPoolExecutor(8, thread_name_prefix="keep")
_SIGHTS = ThreadPoolExecutor(os.cpu_count() or 1, thread_name_prefix="see")


@dataclass(frozen=True)
class Kept:
    """A stored file: its SHA-256 as hex, its name as sent, its size, and where its bytes are; the disk may still be writing them."""

    digest: str
    name: str
    size_bytes: int
    path: Path
    flushing: "Future[None] | None" = field(default=None, repr=False, compare=False)

    def wait_for_disk(self) -> None:
        """A power cut from here on finds the bytes under their name."""
        if self.flushing is not None:
            self.flushing.result()


def keep_file(house: House, name: str, source: BinaryIO) -> Kept:
    """Stores the bytes by their digest, while they are read; the same bytes are stored once."""
    sha = hashlib.sha256()
    with _nameless(house, name, source, sha.update) as half:
        return keep_half(house, name, half, sha.hexdigest())


def keep_and_read(house: House, name: str, data: bytes, read: Callable[[], T]) -> tuple[Kept, T]:
    """Keeps a file while `read` reads it, or before that where the site has a scanner. Why it can't be kept goes before why it can't be read."""
    if house.settings.scanner:
        return keep_file(house, name, BytesIO(data)), read()
    keeping = _KEEPS.submit(keep_file, house, name, BytesIO(data))
    try:
        found = read()
    finally:
        kept = keeping.result()
    return kept, found


@contextmanager
def _nameless(house: House, name: str, source: BinaryIO, seen: Callable[[bytes], object]) -> Iterator[Path]:
    """As `half_kept`, without a name to be given and taken again, and without a trace when the process is killed: where the system can."""
    handle = None if house.settings.scanner else _open_nameless(_folder(house))  # another program can only open what has a name
    if handle is None:
        with half_kept(house, source, seen, name) as half:
            yield half
        return
    with os.fdopen(handle, "wb") as out:
        _copy(source, out, seen)
        out.flush()
        yield _OPENED / str(handle)


def _open_nameless(folder: Path) -> int | None:
    if not (_NAMELESS and _OPENED.is_dir()):
        return None
    try:
        return os.open(folder, _NAMELESS | os.O_RDWR, 0o600)
    except OSError:  # the file system has no such files, or the disk has a trouble that the named one will tell
        return None


@contextmanager
def half_kept(house: House, source: BinaryIO, seen: Callable[[bytes], object] = len, name: str = "The file") -> Iterator[Path]:
    """The bytes before they have their name, for who reads them to the end anyway; gone when the block ends, unless `keep_half` named them.

    The site's scanner, if it has one, looks at them first; `name` is what a refusal calls them.
    """
    handle, temporary = tempfile.mkstemp(prefix=_HALF, dir=_folder(house))
    try:
        with os.fdopen(handle, "wb") as out:
            _copy(source, out, seen)
        if house.settings.scanner:
            look_at(house, Path(temporary), name)
        yield Path(temporary)
    finally:  # a full disk must not stay full of what could not be kept
        Path(temporary).unlink(missing_ok=True)


def _copy(source: BinaryIO, out: BinaryIO, seen: Callable[[bytes], object]) -> None:
    """Of a great file each chunk is seen while it is written, one after another."""
    seeing: Future[object] | None = None
    while chunk := source.read(_CHUNK):
        if seeing is not None:
            seeing.result()
        if len(chunk) < _CHUNK:  # a small file, or the end of a great one: a thread would cost more than it saves
            seen(chunk)
            seeing = None
        else:
            seeing = _SIGHTS.submit(seen, chunk)
        out.write(chunk)
    if seeing is not None:
        seeing.result()


def keep_half(house: House, name: str, half: Path, digest: str) -> Kept:
    """Gives the bytes their name: the digest that was counted of them."""
    path = path_of(house, digest)
    folders = [path.parent]
    if not path.parent.is_dir():
        path.parent.mkdir(parents=True, exist_ok=True)
        folders.append(path.parent.parent)  # a new one is a name to be flushed as well
    _give_name(house, half, path)
    return Kept(digest, Path(name).name[:200] or "unnamed", path.stat().st_size, path, flush_beside(path, *folders))


def _give_name(house: House, half: Path, path: Path) -> None:
    """A new file is flushed under its name, while it is read; one that is there already stays, if it is damaged until the next is whole."""
    try:
        _link(half, path)
    except OSError:  # the name is taken, or the file system knows no second names
        if not _are_the_same(half, path):
            _replace(house, half, path)


def _link(half: Path, path: Path) -> None:
    """With the folder open, or Python would link the sign in `_OPENED` instead of the file that it points to."""
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.link(half, path.name, dst_dir_fd=folder)
    finally:
        os.close(folder)


def _replace(house: House, half: Path, path: Path) -> None:
    if half.parent == _OPENED:  # it has no name from which it could be moved
        with half.open("rb") as source, half_kept(house, source) as named:
            _replace(house, named, path)
    else:
        flush(half)
        os.replace(half, path)


def _are_the_same(one: Path, other: Path) -> bool:
    try:
        with one.open("rb") as ours, other.open("rb") as theirs:
            while (chunk := ours.read(_CHUNK)) == theirs.read(_CHUNK):
                if not chunk:
                    return True
            return False
    except OSError:
        return False


def flush_beside(*paths: Path) -> "Future[None]":
    """The disk takes its time, others go on."""
    return _FLUSHES.submit(flush, *paths)


def flush(*paths: str | Path) -> None:
    """The bytes of files and the names in folders. Opened anew: whoever waits for it may be gone by then."""
    for path in paths:
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def forget_half_kept(house: House) -> int:
    """Takes away what a process left behind that was killed while it stored a file; what another is storing now is younger."""
    old = [path for path in _folder(house).glob(f"{_HALF}*") if time.time() - path.stat().st_mtime > _HALF_KEPT_SECONDS]
    for path in old:
        path.unlink(missing_ok=True)
    return len(old)


def said(stated: "DataclassInstance") -> dict[str, Any]:
    """What was said of a file where it is silent, without what nobody said. A null code of nothing was said: no code means no die."""
    return {one.name: value for one in fields(stated) if (value := getattr(stated, one.name)) != one.default}


def record_evidence(session: Session, by: By, kept: Kept, kind: str, stated: dict[str, Any] | None = None) -> Evidence:
    evidence = evidence_of(by, kept, kind, stated)
    evidence.e = by.e
    enter(session, evidence)
    return evidence


def evidence_of(by: By, kept: Kept, kind: str, stated: dict[str, Any] | None = None) -> Evidence:
    """The row of a file, to be numbered and entered with others. It is not committed before the disk has the bytes."""
    by.awaited.append(kept.wait_for_disk)
    return Evidence(digest=kept.digest, name=kept.name, kind=kind, size_bytes=kept.size_bytes, stated=canonical_json(stated or {}))


def path_of(house: House, digest: str) -> Path:
    """Where the bytes of a digest are. Only hexadecimal digests lead anywhere."""
    if len(digest) != 64 or not set(digest) <= set("0123456789abcdef"):
        raise crafted(_no_such(digest))
    return Path(house.data_dir, _FOLDER, digest[:2], digest)


def is_kept(house: House, digest: str) -> bool:
    """Are its bytes there? The digest is one of the record's."""
    return os.path.isfile(f"{house.data_dir}/{_FOLDER}/{digest[:2]}/{digest}")


def read_kept(house: House, digest: str) -> bytes:
    path = path_of(house, digest)
    if not path.is_file():
        raise _no_such(digest)
    return path.read_bytes()


def _no_such(digest: str) -> NotFound:
    return unknown(digest[:80], "the digest of a file that was kept")


def _folder(house: House) -> Path:
    folder = house.data_dir / _FOLDER
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
    return folder

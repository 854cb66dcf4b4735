"""What is away for a while (the database, room on the disk, memory): no refusal and no mistake. It is named with its remedy, and heals by itself."""

import errno
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy.exc import DBAPIError, TimeoutError

_NO_THREAD = "can't start new thread"  # Python's only word for it; nearly always it is the thread's stack that finds no room
AGAIN = "Then send it again: it is done once, however often it is sent with the same key."


@dataclass(frozen=True)
class Outage:
    what: str
    why: str
    now: str


class Away(RuntimeError):
    """Something of the site's that was asked and did not answer. `met` is for the log, without names."""

    def __init__(self, outage: Outage, met: str) -> None:
        super().__init__(met)
        self.outage = outage


FULL = Outage("There is no room left on the disk.", "What was sent could not be written; nothing was changed.", "Make room.")
READ_ONLY = Outage("The data can't be written.", "The disk, the folder or the database takes no writes now.", "Make it writable.")
DISK = Outage("The disk gives errors, or is full.", "What was asked could not be read or written; nothing was changed.", "Look at the disk.")
AWAY = Outage("The database does not answer.", "What was sent is not known to be done.", "Wait for it, or start it.")
SHUT = Outage("The database can't be opened.", "Its folder is not there, or can't be written.", "Look at the folder and its rights.")
BUSY = Outage("The database is busy.", "Others have kept it busy for too long; nothing was changed.", "Wait a moment.")
MEMORY = Outage("There is not enough memory.", "What was asked needs more than there is; nothing was changed.", "Send less at once, or add memory.")
RIGHTS = Outage(
    "The database's role lacks a right.", "Nothing was changed.",
    "Name the role that owns the tables in REELROOT_OWNER_URL: `reelroot upgrade` grants the server's role what it needs; `restore` needs the owner.",
)  # fmt: skip
DAMAGED = Outage("The database is damaged.", "Its file is not as it was written.", "Stop the server, and restore the newest backup.")

# SQLite's result codes and PostgreSQL's SQLSTATE, by their beginnings (sqlite.org/rescode.html; PostgreSQL's appendix A)
_SQLITE = {
    "SQLITE_FULL": FULL, "SQLITE_READONLY": READ_ONLY, "SQLITE_IOERR": DISK, "SQLITE_CANTOPEN": SHUT, "SQLITE_PERM": READ_ONLY,
    "SQLITE_BUSY": BUSY, "SQLITE_LOCKED": BUSY, "SQLITE_NOMEM": MEMORY, "SQLITE_CORRUPT": DAMAGED, "SQLITE_NOTADB": DAMAGED,
}  # fmt: skip
_POSTGRESQL = {
    "08": AWAY, "57P": AWAY, "53100": FULL, "53200": MEMORY, "53": BUSY, "25006": READ_ONLY, "58": DISK, "40": BUSY, "55P03": BUSY,
    "57014": BUSY, "XX001": DAMAGED, "42501": RIGHTS,
}  # fmt: skip
_SYSTEM = {
    errno.ENOSPC: FULL, errno.EDQUOT: FULL, errno.EFBIG: FULL, errno.EROFS: READ_ONLY, errno.EACCES: READ_ONLY, errno.EPERM: READ_ONLY,
    errno.EIO: DISK, errno.EMFILE: BUSY, errno.ENFILE: BUSY, errno.ENOMEM: MEMORY,
}  # fmt: skip


def outage_of(error: BaseException) -> Outage | None:
    """None: it is something else. A rollback that fails after the first error may stand in front of it, so all are asked."""
    return next((found for one in _chain(error) if (found := _of_one(one))), None)


def _of_one(error: BaseException) -> Outage | None:
    if isinstance(error, Away):
        return error.outage
    if isinstance(error, MemoryError) or type(error).__name__ == "OutOfMemoryException":  # the latter is DuckDB's
        return MEMORY
    if isinstance(error, RuntimeError) and str(error) == _NO_THREAD:
        return MEMORY
    if isinstance(error, TimeoutError):  # SQLAlchemy's: no connection of the pool came free
        return BUSY
    if isinstance(error, DBAPIError):
        return _of_database(error)
    return _SYSTEM.get(error.errno or 0) if isinstance(error, OSError) else None


def _of_database(error: DBAPIError) -> Outage | None:
    orig: Any = error.orig
    if name := getattr(orig, "sqlite_errorname", None):
        return next((found for begin, found in _SQLITE.items() if name.startswith(begin)), None)
    state = getattr(orig, "sqlstate", None)
    if state is None:  # the driver's own words: it could not connect, or the connection broke
        return AWAY if error.connection_invalidated or type(orig).__name__ in ("OperationalError", "ConnectionTimeout") else None
    return next((found for begin, found in _POSTGRESQL.items() if state.startswith(begin)), None)


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__

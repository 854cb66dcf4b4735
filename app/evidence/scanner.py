"""The site's own scanner: a program that looks at each file before it is kept. Without one nothing of this is asked.

What it found something in is refused; so is what it could not be asked about, as an outage: sent again it is taken in, once the program works.
"""

import os
import shlex
import shutil
import signal
import subprocess
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from app.db import House
from app.errors import Reason, Refused, short
from app.outages import Away, Outage
from app.settings import THE_FILE, Settings

_FOUND = 1  # how such programs end, by their custom: 0 nothing found, 1 something, more for a trouble of their own
_OF_OURS = ("REELROOT_", "PG")  # of the environment, what may hold the database's password: it is no business of the program's
_WAITS_SECONDS = 2.0


class _Busy(Exception):
    pass


class FoundInFile(Refused):
    """The scanner found something. No input that is not understood, which would be kept as evidence."""

    event = "suspect_file"

    def __init__(self, name: str) -> None:
        why = "The scanner of this site found something in it; nothing of it was kept."
        now = "Open it nowhere, tell who looks after the computers here, and get the file anew from whoever made it."
        super().__init__(f"{short(name)} is not taken in.", Reason("suspect_file", why, now, short(name)))


def look_at(house: House, path: Path, name: str) -> None:
    """Returns when the program found nothing."""
    settings = house.settings
    command = [part.replace(THE_FILE, str(path)) for part in shlex.split(settings.scanner)]
    try:
        with _a_turn(max(1, settings.threads // 2)):
            status = _ended(command, settings.scanner_seconds)
    except subprocess.TimeoutExpired:
        raise _not_looked_at(name, f"the scanner was not done in {settings.scanner_seconds:g} seconds") from None
    except _Busy:
        raise _not_looked_at(name, "the scanner is busy with other files") from None
    except OSError as error:
        raise _not_looked_at(name, f"the scanner can't be started ({error.strerror})") from error
    if status == _FOUND:
        raise FoundInFile(name)
    if status != 0:
        raise _not_looked_at(name, f"the scanner ended with {status} and said nothing of the file")


def missing_scanner(settings: Settings) -> str:
    """What to tell at the start of a server that will refuse every file. It starts all the same: the floor sends no files."""
    program = shlex.split(settings.scanner)[0] if settings.scanner else ""
    if not program or shutil.which(program):
        return ""
    return f"REELROOT_SCANNER: there is no program {program} here that can be run. Each file that is sent is refused until there is."


def _ended(command: Sequence[str], seconds: float) -> int:
    """How it ended. What it prints is nobody's: it tells of the file, and a file could write into our log."""
    nothing, ours = subprocess.DEVNULL, {name: value for name, value in os.environ.items() if not name.startswith(_OF_OURS)}
    with subprocess.Popen(command, stdin=nothing, stdout=nothing, stderr=nothing, env=ours, start_new_session=True) as program:
        try:
            return program.wait(seconds)
        except BaseException:
            os.killpg(program.pid, signal.SIGKILL)  # it is the first of its group: what it started ends as well
            raise


@contextmanager
def _a_turn(most: int) -> Iterator[None]:
    """Of the threads that answer requests one half looks at files: a scanner that hangs must not stop the floor."""
    if not _turns(most).acquire(timeout=_WAITS_SECONDS):
        raise _Busy
    try:
        yield
    finally:
        _turns(most).release()


@cache
def _turns(most: int) -> threading.BoundedSemaphore:
    return threading.BoundedSemaphore(most)


def _not_looked_at(name: str, met: str) -> Away:
    why = f"{short(name)} was to be looked at before it is kept, but {met}. Nothing of it was kept."
    return Away(Outage("The file could not be looked at.", why, "Have the scanner of this site mended (REELROOT_SCANNER)."), met)

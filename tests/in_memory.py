"""A folder in memory for what need not outlive a run: there a flush costs nothing, and the hundreds of files of a copied database next to nothing."""

import os
import tempfile
from pathlib import Path

_MEMORY = Path("/dev/shm")
_ROOM = 4 << 30  # bytes; a container may have 64 MB of it


def folder() -> str:
    """It, where there is room; else the one on disk. A path of a few letters: a socket's may have a hundred."""
    return str(_MEMORY) if _is_roomy() else "/tmp"


def use() -> None:
    """From here on temporary files are there, of this process and of those that it starts; unless TMPDIR says where they should be."""
    if "TMPDIR" not in os.environ:
        os.environ["TMPDIR"] = tempfile.tempdir = folder()


def _is_roomy() -> bool:
    try:
        found = os.statvfs(_MEMORY)
    except OSError:
        return False
    return os.access(_MEMORY, os.W_OK | os.X_OK) and found.f_bavail * found.f_frsize >= _ROOM

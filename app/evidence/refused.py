"""A file that is not understood is refused, and kept all the same: its bytes by digest, and a row that says what was wrong with it."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO

from sqlalchemy.orm import Session

from app.db import House
from app.errors import Refused
from app.evidence.keep import keep_file, record_evidence
from app.journal.act import Actor, By, act, refusal_as_json

_NOT_UNDERSTOOD = {"bad_input", "unknown_code", "ambiguous_code"}


@contextmanager
def kept_when_refused(house: House, actor: Actor, kind: str, files: Sequence[tuple[str, BinaryIO | Path]]) -> Iterator[None]:
    """Around reading and importing `files`: when they are refused as input, they become evidence of that `kind` before the refusal goes on."""
    try:
        yield
    except Refused as refusal:
        if set(refusal.kinds) <= _NOT_UNDERSTOOD:
            _keep(house, actor, kind, files, refusal)
        raise


def _keep(house: House, actor: Actor, kind: str, files: Sequence[tuple[str, BinaryIO | Path]], refusal: Refused) -> None:
    kept = [keep_file(house, name, source) for name, source in _opened(files)]
    if not kept:
        return
    why = refusal_as_json(refusal)

    def verb(session: Session, by: By) -> dict[str, Any]:
        return {"evidence": [record_evidence(session, by, one, kind, {"refused": why}).id for one in kept]}

    act(house, actor, "keep_refused_file", {"files": [[one.name, one.digest] for one in kept], "kind": kind, "what": refusal.what}, verb)


def _opened(files: Sequence[tuple[str, BinaryIO | Path]]) -> Iterator[tuple[str, BinaryIO]]:
    for name, source in files:
        if isinstance(source, Path):
            with suppress(OSError):  # it is refused because it can't be read
                if source.is_file():
                    with source.open("rb") as opened:
                        yield name, opened
        else:
            source.seek(0)
            yield name, source

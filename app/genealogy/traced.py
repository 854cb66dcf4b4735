"""What a trace may be of: page, call and shell take the same codes and numbers."""

from sqlalchemy.orm import Session

from app.naming.resolve import Named, code_of, resolve
from app.ovens.run_of_load import run_of_load

_KINDS = ("wafer", "batch", "panel", "lot", "sample", "pack", "run", "load")


def subject_of(session: Session, code: str) -> Named:
    """What a trace is of: a load is the run that it became. A station or a hold has a code, and is nothing that flows."""
    named = resolve(session, code, *_KINDS)
    if named.kind != "load":
        return named
    run = run_of_load(session, named)
    return Named("run", run, code_of(session, "run", run))

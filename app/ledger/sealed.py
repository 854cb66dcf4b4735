"""Which dry packs count."""

from sqlalchemy import ColumnElement, select

from app.ledger.items import DryPack
from app.ledger.runs import Line, Run, RunVoid


def stands() -> ColumnElement[bool]:
    """Of a dry pack: its run was not voided. A pack has one: who seals it again makes a new pack of it."""
    line = select(Line.id).join(Run, Run.id == Line.run).join(RunVoid, RunVoid.run == Run.id)
    return ~line.where(Line.item == DryPack.pack, Run.operation == "dry pack").exists()

"""Flows: an amount of one item that became part of another; and what a pack's pockets hold."""

from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base
from app.journal.record import Closable, Recorded

# kind -> (counts in the balance of its parent, a walk over ids passes through it)
KINDS = {
    "frame": (False, True),  # lead-frame batch -> panel
    "mix": (False, True),  # batch -> batch
    "cells": (True, True),  # panel -> loose lot or sample: its good cells at that moment
    "merge": (True, True),  # loose lot -> loose lot
    "split": (True, True),
    "carry": (True, True),  # loose lot -> the one that goes on under the same label when the phase went back (rule 4)
    "bin": (True, True),  # loose lot -> its bins at test
    "draw": (True, True),  # loose lot -> sample
    "fill": (True, False),  # loose lot -> pack; a walk enters packs through pack_content
    "repack": (True, False),  # pack -> pack: re-reel, cut, join, the rest that is packed anew
    "untape": (True, False),  # pack -> loose lot or sample
    "through": (False, True),  # loose lot -> loose lot or sample that came off a tape: whose units lay in those pockets
}
COUNTED_IN = ("split", "merge", "carry")  # whose units the lot that took them in counted: its opening count tells how well


class Flow(Recorded, Base):
    """`units` of `parent` became part of `child`. The key and one index are the only indexes: walks read nothing else."""

    __tablename__ = "flow"
    __table_args__ = (
        CheckConstraint("units >= 0", name="units"),
        CheckConstraint("child <> parent", name="not_itself"),
        Index("ix_flow_parent", "parent", "child", "walked", "units", "e"),
        {"sqlite_with_rowid": False},
    )

    child: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False)
    parent: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False)
    e: Mapped[int] = mapped_column(ForeignKey("entry.id", deferrable=True, initially="DEFERRED"), primary_key=True, autoincrement=False)
    kind: Mapped[str] = mapped_column(primary_key=True)
    walked: Mapped[bool]
    run: Mapped[int | None] = mapped_column(ForeignKey("run.id"))
    units: Mapped[int]


class PackContent(Closable, Base):
    """Pockets `pocket_from` to `pocket_to` of a pack, numbered from the hub, hold units of one loose lot.

    Kept flat through every cut and re-reel. A range that leaves closes the row; what stays of it is a new row.
    `was_in` lists the packs that these units lay in before, each with the entry at which they left it.
    """

    __tablename__ = "pack_content"
    __table_args__ = (
        CheckConstraint("pocket_from >= 1 and pocket_to >= pocket_from", name="pockets"),
        Index("ix_pack_content_pack", "pack"),
        Index("ix_pack_content_loose", "loose"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    pack: Mapped[int] = mapped_column(ForeignKey("pack.item"))
    pocket_from: Mapped[int]
    pocket_to: Mapped[int]
    loose: Mapped[int] = mapped_column(ForeignKey("lot.item"))
    was_in: Mapped[list[Any]]


class DeadOrigin(Base):
    """A wafer whose only dies on a panel sat on marked cells when units left it for `child`. Derived; `check` rebuilds it."""

    __tablename__ = "dead_origin"
    __table_args__ = ({"sqlite_with_rowid": False},)
    deletes = True

    child: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False)
    panel: Mapped[int] = mapped_column(ForeignKey("panel.item"), primary_key=True, autoincrement=False)
    wafer: Mapped[int] = mapped_column(ForeignKey("wafer.item"), primary_key=True, autoincrement=False)


class BareExit(Base):
    """Good cells without a logged die of a step's round left for `child`, though logs tell of other cells of that panel. Derived, as above.

    What was mounted at that step can be in these cells. `step` is empty where the run had none.
    """

    __tablename__ = "bare_exit"
    __table_args__ = ({"sqlite_with_rowid": False},)
    deletes = True

    child: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False)
    panel: Mapped[int] = mapped_column(ForeignKey("panel.item"), primary_key=True, autoincrement=False)
    step: Mapped[str] = mapped_column(primary_key=True)
    round: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)

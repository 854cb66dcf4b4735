"""Runs: one doing of work at one station; their lines, what the lines covered and used; readings; who has what in work."""

from datetime import datetime

from sqlalchemy import CheckConstraint, Exists, ForeignKey, Index, select, text
from sqlalchemy.orm import InstrumentedAttribute, Mapped, mapped_column

from app.db import Base
from app.journal.record import Closable, Recorded, open_only

_HAS_ENDED = text("ended_at is not null")
# more than a week: few runs are, so that these are looked for apart, and the others among those that began soon before a time
LASTED_LONG = {"sqlite": "julianday(ended_at) - julianday(started_at) > 7", "postgresql": "ended_at - started_at > interval '7 days'"}


class Run(Closable, Base):
    """From, to, by whom, with whose word for the times. An oven load that has started is a run."""

    __tablename__ = "run"
    __table_args__ = (
        CheckConstraint("outcome is null or outcome in ('done', 'interrupted', 'aborted')", name="outcome"),
        Index("ix_run_started_at", "started_at"),
        Index("ix_run_station_started_at", "station", "started_at"),
        # for what a station was since a time: few have ended since. Open runs are not in it: of those SQLite would read all that ever were
        Index("ix_run_ended_station", "station", "ended_at", sqlite_where=_HAS_ENDED, postgresql_where=_HAS_ENDED),
        Index("ix_run_long", "station", "ended_at", sqlite_where=text(LASTED_LONG["sqlite"]), postgresql_where=text(LASTED_LONG["postgresql"])),
        open_only("run", "station"),
    )
    closing = ("closed_e", "ended_at", "ended_source", "ended_by", "outcome")

    id: Mapped[int] = mapped_column(primary_key=True)
    operation: Mapped[str]
    station: Mapped[int] = mapped_column(ForeignKey("thing.id"))
    recipe: Mapped[int | None] = mapped_column(ForeignKey("definition.id"))  # the very revision
    person: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    started_at: Mapped[datetime]
    source: Mapped[str]
    ended_at: Mapped[datetime | None]
    ended_source: Mapped[str | None]
    ended_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    outcome: Mapped[str | None]


class RunVoid(Recorded, Base):
    """A run that was entered wrongly. It is in no trace and gates nothing."""

    __tablename__ = "run_void"

    run: Mapped[int] = mapped_column(ForeignKey("run.id"), primary_key=True, autoincrement=False)
    reason: Mapped[str]


def is_void(run: InstrumentedAttribute[int]) -> Exists:
    """Condition: the run that this column names was entered wrongly."""
    return select(RunVoid.run).where(RunVoid.run == run).exists()


class Line(Closable, Base):
    """One spell of a run with unchanged material, over one panel set, loose lot or pack, at one step of its route."""

    __tablename__ = "line"
    __table_args__ = (
        CheckConstraint('("set" is null) <> (item is null)', name="set_or_item"),
        Index("ix_line_run", "run"),
        Index("ix_line_set", "set"),
        Index("ix_line_item", "item"),
    )
    closing = ("closed_e", "ended_at")

    id: Mapped[int] = mapped_column(primary_key=True)
    run: Mapped[int] = mapped_column(ForeignKey("run.id"))
    set: Mapped[int | None] = mapped_column(ForeignKey("panel_set.id"))
    item: Mapped[int | None] = mapped_column(ForeignKey("item.id"))
    lot: Mapped[int | None] = mapped_column(ForeignKey("lot.item"), index=True)  # that it travelled in
    route: Mapped[int | None] = mapped_column(ForeignKey("thing.id"))
    step: Mapped[str | None]  # key of the route's step
    round: Mapped[int]
    shelf: Mapped[str | None]
    units: Mapped[int | None]  # good units at the start
    judged: Mapped[str | None]  # cure, readings, placements: open until a judgement conforms
    started_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]


class Cover(Recorded, Base):
    """Which panels a closed line did: for certain (`whole`), or possibly, on either side of a change-over (`either`)."""

    __tablename__ = "cover"
    __table_args__ = (CheckConstraint("extent in ('whole', 'either')", name="extent"), Index("ix_cover_set", "set", "line"))

    line: Mapped[int] = mapped_column(ForeignKey("line.id"), primary_key=True, autoincrement=False)
    extent: Mapped[str] = mapped_column(primary_key=True)
    set: Mapped[int] = mapped_column(ForeignKey("panel_set.id"))
    done: Mapped[bool] = mapped_column(primary_key=True)  # the step is done for these panels when this line closed


class Use(Recorded, Base):
    """A batch or wafer that a line had, written when the line opens."""

    __tablename__ = "use"
    __table_args__ = (Index("ix_use_item", "item", "line"), {"sqlite_with_rowid": False})

    line: Mapped[int] = mapped_column(ForeignKey("line.id"), primary_key=True, autoincrement=False)
    item: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False)
    place: Mapped[str | None]


class Reading(Closable, Base):
    """A value recorded at a run or a line, with unit and limits. A correction closes it and is a row of its own."""

    __tablename__ = "reading"

    id: Mapped[int] = mapped_column(primary_key=True)
    run: Mapped[int] = mapped_column(ForeignKey("run.id"), index=True)
    line: Mapped[int | None] = mapped_column(ForeignKey("line.id"), index=True)
    name: Mapped[str]
    value: Mapped[float]
    unit: Mapped[str]
    low: Mapped[float | None]
    high: Mapped[float | None]
    within: Mapped[bool]


class Claim(Base):
    """What is in work now: the loser of two starts meets this key. Not on the record; `check` compares it with open lines."""

    __tablename__ = "claim"
    deletes = True

    item: Mapped[int] = mapped_column(ForeignKey("item.id"), primary_key=True, autoincrement=False)
    run: Mapped[int] = mapped_column(ForeignKey("run.id"), index=True)


class StationState(Closable, Base):
    """The state of a station by SEMI E10's six, with its reason."""

    __tablename__ = "station_state"
    __table_args__ = (Index("ix_station_state_station_since", "station", "since"), open_only("station_state", "station"))

    id: Mapped[int] = mapped_column(primary_key=True)
    station: Mapped[int] = mapped_column(ForeignKey("thing.id"))
    state: Mapped[str]  # productive, standby, engineering, scheduled_down, unscheduled_down, non_scheduled
    reason: Mapped[str]
    since: Mapped[datetime]


class Attendance(Closable, Base):
    """Who has which station."""

    __tablename__ = "attendance"
    __table_args__ = (open_only("attendance", "person"), open_only("attendance", "station"))

    id: Mapped[int] = mapped_column(primary_key=True)
    person: Mapped[int] = mapped_column(ForeignKey("person.id"))
    station: Mapped[int] = mapped_column(ForeignKey("thing.id"))

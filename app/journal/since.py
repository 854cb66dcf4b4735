"""Which entry was the first that was recorded since a time: numbers and times run the same way, so that a few looks find it among millions."""

from datetime import datetime

from sqlalchemy.orm import Session

from app.db import Moment
from app.listed import listed, tuples


def first_since(session: Session, at: datetime) -> int:
    """Its number, or one more than the newest. Where a clock was set back, it may be one of the hour around it."""
    return int(tuples(session, _FIRST, at=at)[0][0])


# halved until nothing is left between: `low` is then the first that is not before
_BEFORE = "(select e.recorded_at from entry e where e.id >= (low + high) / 2 order by e.id limit 1) < :at"
_FIRST = listed(
    f"""
    with recursive halved(low, high) as (
        select cast(1 as bigint), coalesce(max(id), 0) + 1 from entry
        union all
        select case when {_BEFORE} then (low + high) / 2 + 1 else low end, case when {_BEFORE} then high else (low + high) / 2 end
        from halved where low < high
    )
    select low from halved where low = high
    """,
    at=Moment(),
)

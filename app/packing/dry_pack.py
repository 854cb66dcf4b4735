"""What a dry pack allows: how long units may stay out of their bag, and until when the closed bag keeps them dry.

Source of the levels: IPC/JEDEC J-STD-020 and J-STD-033, floor life at no more than 30 degC and 60 % relative humidity.
"""

from calendar import monthrange
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from app.errors import bad_input

# None: unlimited (at no more than 30 degC and 85 %). Level 6 is not here: it is baked before use and has the time on its label.
FLOOR_LIFE = {
    "1": None, "2": timedelta(days=365), "2a": timedelta(weeks=4), "3": timedelta(hours=168), "4": timedelta(hours=72),
    "5": timedelta(hours=48), "5a": timedelta(hours=24),
}  # fmt: skip


def floor_life(level: str) -> timedelta | None:
    """How long units of a moisture level may lie open before they are soldered; None: as long as one likes."""
    if level == "6":
        raise bad_input("Level 6 has no floor life.", "moisture_level", "It is baked before use.", "Go by the time on the label.")
    if level not in FLOOR_LIFE:
        raise bad_input("No such moisture level.", "moisture_level", f"{level!r} is not one of {', '.join(FLOOR_LIFE)}, 6.", "Correct it.")
    return FLOOR_LIFE[level]


def floor_life_left(level: str, spells_out: Iterable[timedelta]) -> timedelta | None:
    """What is left after all spells outside the bag; below zero when it has run out. Spells add up (J-STD-033)."""
    whole = floor_life(level)
    return None if whole is None else whole - sum(spells_out, timedelta())


def use_before(sealed_at: datetime, shelf_months: int, zone: str = "UTC") -> datetime:
    """The end of the shelf life of a sealed bag, in UTC. Our choice for months without that day: their last day."""
    if sealed_at.tzinfo is None:
        raise ValueError("a seal needs a time with its zone")
    local = sealed_at.astimezone(ZoneInfo(zone))
    years, month = divmod(local.month - 1 + shelf_months, 12)
    if shelf_months < 1 or local.year + years > 9998:
        why = f"{shelf_months} months end outside the calendar."
        raise bad_input("No such shelf life.", "shelf_months", why, "Give months from 1 up; 12 are usual.")
    day = min(local.day, monthrange(local.year + years, month + 1)[1])
    return local.replace(year=local.year + years, month=month + 1, day=day).astimezone(UTC)

"""Zones that a placement log names: above its header, behind the title of its times, or in a column. What was stated must not contradict them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

import numpy as np
from numpy.typing import NDArray

from app.errors import BadInput, bad_input
from app.receiving.local_clocks import zone_named
from app.receiving.told_zones import other_zone_in_line, zone_in_heading, zone_in_line

COLUMNS = ("timezone", "utcoffset", "timezoneoffset", "gmtoffset", "tz")
Times = NDArray[np.datetime64]


@dataclass(frozen=True)
class ToldZone:
    where: str
    words: str
    zone: tzinfo


def told_zones(before: Sequence[str], delimiter: str, time_title: str, stated: tzinfo | None, what: str) -> list[ToldZone]:
    """`before`: the lines above the header. One that says a zone in other words must fit what is known."""
    lines = list(enumerate(before, start=1))
    found = [ToldZone(f"line {number}", *said) for number, line in lines if (said := zone_in_line(line, delimiter))]
    if zone := zone_in_heading(time_title):
        found.insert(0, ToldZone(f"line {len(before) + 1}, column time", time_title.strip(), zone))
    known = stated or (found[0].zone if found else None)
    for number, line in lines:
        if known and not zone_in_line(line, delimiter) and (other := other_zone_in_line(line, delimiter, known)):
            raise _other(f"line {number}", other, known, what)
    return found


def refuse_other_zones(at: Times, told: Sequence[ToldZone], zone: tzinfo | None, what: str) -> None:
    """`zone`: by which the times were read that name none."""
    for one in told:
        if zone and _differ(at, one.zone, zone):
            raise _other(one.where, one.words, zone, what)


def refuse_other_offsets(
    at: Times, number: NDArray[np.int64], texts: Sequence[str], lines: NDArray[np.int64], zone: tzinfo | None, what: str
) -> None:  # fmt: skip
    """Of a column of zones: the text of each line, by its number."""
    for n, text in enumerate(texts):
        rows = number == n
        if zone and rows.any() and text and (told := zone_named(text)) and _differ(at[rows], told, zone):
            raise _other(f"line {lines[np.argmax(rows)]}", text, zone, what)


def _differ(at: Times, one: tzinfo, other: tzinfo) -> bool:
    """At the first and the last of these times."""
    known = at[~np.isnat(at)]
    ends = [datetime.fromtimestamp(int(end.astype("datetime64[s]").astype(int)), UTC) for end in (known.min(), known.max())] if len(known) else []
    return any(end.astimezone(one).utcoffset() != end.astimezone(other).utcoffset() for end in ends)


def _other(where: str, said: str, zone: tzinfo, what: str) -> BadInput:
    why = f"It says {said!r}, and times that name no zone would be read as of {zone}."
    return bad_input(what, where, why, "State the zone in which the clock runs as the file has it; or correct what is wrong in the file.")

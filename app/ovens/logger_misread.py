"""What a logger's table may be instead of what it seems, where each reading taken would be a wrong number."""

import re
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo

import numpy as np

from app.ovens.trace import Floats
from app.receiving.local_clocks import zone_named

LOOKED_AT = 20_000  # rows: enough to tell
_MOST_SENSORS = 256
_A_FEW = 20  # one row with a fraction among so many is enough to ask
_HALVES = {"am", "pm", "a.m.", "p.m.", "a.m", "p.m"}
_INTEGER = re.compile(r"[-+]?\d{1,4}", re.ASCII)
_FRACTION = re.compile(r"\d{1,3}", re.ASCII)
_SCALED = (
    re.compile(r"[(\[] ?(?:[\d.,/x\u00d7*^ ]*\d[\d.,/x\u00d7*^ ]*|[mµuk]) ?(?:°|º|deg\.? ?)C\b", re.I),  # [0.1 °C], [m°C]
    re.compile(r"[(\[][\d.,/x\u00d7*^ ]*\d[\d.,/x\u00d7*^ ]*[CF][)\]]"),
    re.compile(r"(?:(?:°|º|deg\.? ?|degrees? )[CF]|[(\[][CF])\b ?[)\]]? ?[x\u00d7*/\u00b7] ?\d", re.I),  # °C x10, [C] / 10
    re.compile(r"\b0[.,]0*1 ?(?:°|º|deg\.? ?)[CF]\b|\bx ?10+\b.*[CF]\b", re.I),
)


def is_scaled(heading: str) -> bool:
    """Whether a heading names tenths, or a factor, of a degree."""
    return any(pattern.search(heading) for pattern in _SCALED)


def other_offset(times: Floats, texts: Sequence[str], zone: tzinfo | None) -> int | None:
    """The row in which a column of offsets from UTC says another than the zone by which the times were read."""
    offsets = {text: found for text in set(texts) if (found := zone_named(text)) and not isinstance(found, ZoneInfo)} if zone else {}
    if not zone or not offsets or set(texts) - set(offsets):
        return None
    for n, (time, text) in enumerate(zip(times.tolist(), texts, strict=True)):
        if datetime.fromtimestamp(time, zone).utcoffset() != offsets[text].utcoffset(None):
            return n
    return None


def is_half_of_day(texts: Sequence[str]) -> bool:
    """A column of AM and PM: the clock beside it has twelve hours."""
    given = {text.strip().lower() for text in texts} - {""}
    return bool(given) and given <= _HALVES


def comma_is_both(rows: Sequence[Sequence[str]], first: int, sensors: int) -> bool:
    """Numbers without a point in twice as many columns as there are sensors, from the first one on, and nothing after them: 23,5,24,1 of two.

    Some write whole degrees without a fraction: then the column of the fraction is blank, in some rows or in most of them.
    `rows`: the fields of the rows of a file whose columns a comma separates.
    """
    last = first + 2 * sensors
    if not rows or len(rows[0]) < last:
        return False
    fractions, fitting = 0, 0
    for row in rows:
        pairs = [(row[n].strip(), row[n + 1].strip()) for n in range(first, last, 2)]
        if all(_INTEGER.fullmatch(whole) and (not part or _FRACTION.fullmatch(part)) for whole, part in pairs):
            fitting += not any(field.strip() for field in row[last:])
            fractions += any(part for _, part in pairs)
    return 2 * fitting > len(rows) and _A_FEW * fractions >= len(rows)


def sensors_by_number(times: Floats, columns: Mapping[str, Floats]) -> str | None:
    """The column, read as a sensor, that numbers the sensors of the lines of each time: it has the same few whole numbers at every time."""
    if len(times) < 2 or np.count_nonzero(np.diff(times) == 0) < 0.3 * len(times):
        return None
    for name, values in columns.items():
        at: defaultdict[float, list[float]] = defaultdict(list)
        for time, value in zip(times.tolist(), values.tolist(), strict=True):
            at[time].append(value)
        groups = Counter(tuple(sorted(some)) for some in at.values())
        numbers, often = groups.most_common(1)[0]
        if 1 < len(set(numbers)) == len(numbers) and all(value.is_integer() for value in numbers) and often >= 0.8 * len(at) and len(at) > 1:
            return name
    return None


def sensor_a_block(times: Floats, others: Mapping[str, Sequence[str]]) -> tuple[str, int] | None:
    """The column that changes where, and only where, time begins anew, with the row of the first change: another sensor begins there."""
    falls = np.flatnonzero(np.diff(times) < 0).tolist()
    for heading, texts in others.items():
        changes = [n for n in range(len(texts) - 1) if texts[n] != texts[n + 1]]
        if falls and changes == falls and len(set(texts)) == len(changes) + 1:
            return heading, changes[0] + 1
    return None


def sensor_a_line(times: Floats, others: Mapping[str, Sequence[str]]) -> str | None:
    """The column that tells apart the several lines of each time: then they are of several sensors. `others`: columns that are not read."""
    if len(times) < 2 or np.count_nonzero(np.diff(times) == 0) < 0.3 * len(times):
        return None
    for heading, texts in others.items():
        different = set(texts)
        if 2 <= len(different) <= min(_MOST_SENSORS, len(texts) - 1) and len(set(zip(times.tolist(), texts, strict=True))) == len(texts):
            return heading
    return None

"""From a lot's printed sheet, as typed, to lines of back entry in the order of their times. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from app.catalogue.definitions import Step
from app.clock import as_shown
from app.errors import BadInput, Reason
from app.floor.ends import Value
from app.floor.typed_number import number
from app.paper.back_entry import Told

MATERIAL_ROWS = 3


@dataclass(frozen=True)
class SheetStep:
    """A step that the sheet has blanks for. `begun_at`: the station where it runs already, so that only its end is asked.

    `mixes`: units leave their cells at it. `shelves`: that its oven may have, where which one is asked.
    """

    number: int
    code: str
    step: Step
    begun_at: str = ""
    mixes: bool = False
    shelves: tuple[str, ...] = ()


@dataclass(frozen=True)
class Entry:
    """A line to enter, in words; and the field of its time, which is emptied when it has been entered."""

    words: str
    field: str
    told: Told


@dataclass
class _Typed:
    """What stands in the fields, and what is wrong with it. Times go on from the one before: an earlier hour is the next day's."""

    fields: Mapping[str, str]
    zone: ZoneInfo
    begin: datetime
    last: datetime
    wrong: list[Reason] = field(default_factory=list)

    def __getitem__(self, name: str) -> str:
        return self.fields.get(name, "").strip()

    def moment(self, name: str) -> datetime | None:
        text = self[name]
        if not text:
            return None
        try:
            found = _moment(text, self.last, self.zone, name)
        except (ValueError, OverflowError):  # of the year 1 or 9999 another zone may be past what there is
            self.wrong.append(Reason("bad_input", f"{text[:40]!r} is not a time.", "Like 07:30, or 2026-03-01 07:30.", name))
            return None
        except BadInput as refusal:
            self.wrong += refusal.reasons
            return None
        self.last = found
        return found

    def needed(self, name: str, what: str) -> str:
        if not self[name]:
            self.wrong.append(Reason("bad_input", f"{what} is missing.", "It stands on the sheet, or ask who wrote it.", name))
        return self[name]

    def number(self, name: str) -> float | None:
        try:
            return number(name, self[name]) if self[name] else None
        except BadInput as refusal:
            self.wrong += refusal.reasons
            return None

    def whole(self, name: str) -> int | None:
        found = self.number(name)
        if found is not None and found != int(found):
            self.wrong.append(Reason("bad_input", f"{self[name]} is no number of units.", "Units are whole.", name))
        return None if found is None else int(found)


def entries(lot: str, steps: Sequence[SheetStep], fields: Mapping[str, str], day: date, zone: str) -> list[Entry]:
    """The lines as they are entered. Raises what can't be understood, all of it at once."""
    begin = datetime.combine(day, time(), ZoneInfo(zone))
    typed = _Typed(fields, ZoneInfo(zone), begin, begin)
    found = [entry for step in steps for entry in _of_step(lot, step, typed)]
    typed.last = typed.begin  # the sheet has material in a table of its own: its times are among those of the steps
    found += [entry for n in range(1, MATERIAL_ROWS + 1) for entry in _of_material(n, typed)]
    if typed.wrong:
        raise BadInput("The sheet can't be entered yet.", *typed.wrong)
    return sorted(found, key=lambda entry: (entry.told.at, entry.told.verb != "mount"))


def _of_step(lot: str, row: SheetStep, typed: _Typed) -> list[Entry]:
    key, name = row.step.key, f"{row.number} {row.step.name}"
    begins, ends = typed.moment(f"start.{key}"), typed.moment(f"end.{key}")
    if begins is None and ends is None:
        return []
    if begins is None and not row.begun_at:
        typed.wrong.append(Reason("bad_input", f"{name} has an end and no start.", "Type its start: lines go in order.", f"start.{key}"))
    station = row.begun_at or typed.needed(f"station.{key}", f"The station of {name}")
    person = typed[f"person.{key}"] or None
    found = []
    if begins is not None and not row.begun_at:
        told = Told(begins, "start", lot, station, person, step=key, shelf=typed[f"shelf.{key}"] or None)
        found.append(Entry(f"{name} starts", f"start.{key}", told))
    if ends is not None:
        verb = "singulate" if row.mixes else "finish"
        told = Told(ends, verb, lot, station, person, _values(row, typed), counted=_counted(row, typed))
        found.append(Entry(f"{name} ends", f"end.{key}", told))
    return found


def _values(row: SheetStep, typed: _Typed) -> list[Value]:
    read = [(record, typed.number(f"value.{row.step.key}.{record.name}")) for record in row.step.records]
    return [Value(record.name, value, record.unit) for record, value in read if value is not None]


def _counted(row: SheetStep, typed: _Typed) -> tuple[int, str, float] | None:
    units, u = typed.whole(f"units.{row.step.key}"), typed.number(f"u.{row.step.key}")
    return None if units is None else (units, row.step.count, u or 0.0)


def _of_material(n: int, typed: _Typed) -> list[Entry]:
    """Material that was put on or changed."""
    at = typed.moment(f"when.{n}")
    if at is None:
        return []
    code, station = typed.needed(f"code.{n}", "The material's code"), typed.needed(f"at.{n}", "The station of the material")
    verb = "change over" if typed[f"how.{n}"] == "change over" else "mount"
    words = f"{code} is put on {station}" if verb == "mount" else f"{station} changes over to {code}"
    return [Entry(words, f"when.{n}", Told(at, verb, code, station, typed[f"by.{n}"] or None))]


def _moment(text: str, last: datetime, zone: ZoneInfo, field: str) -> datetime:
    """A time of day, on the day of the time before it or the next; or a day with a time."""
    if len(text) > 8:
        whole = datetime.fromisoformat(text)
        return whole.astimezone(UTC) if whole.tzinfo else _not_before(last, as_shown(whole.replace(tzinfo=zone), field))
    hour = time.fromisoformat(text if ":" in text else f"{text[:-2].zfill(2)}:{text[-2:]}")
    today = last.astimezone(zone).date()
    found = _not_before(last, here := datetime.combine(today, hour, zone))
    if found < last:
        found = (here := datetime.combine(today + timedelta(days=1), hour, zone)).astimezone(UTC)
    as_shown(here, field)
    return found


def _not_before(last: datetime, local: datetime) -> datetime:
    """Where clocks were set back, a time that comes before the last one was the hour's second time."""
    first, second = (local.replace(fold=fold).astimezone(UTC) for fold in (0, 1))
    return second if first < last <= second else first

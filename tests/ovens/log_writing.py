"""Writes a trace as a data logger would, in any dialect that the reader knows."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

from hypothesis import strategies as st

from app.ovens.logger_table import Stated

OFFSETS = {"UTC": 0, "+01:00": 60, "-05:30": -330}


@dataclass(frozen=True)
class Dialect:
    """One way of writing. `clock`: 24, or 12 with AM and PM. `zone`: named in each row, in the heading, or stated."""

    delimiter: str = ";"
    decimal: str = ","
    dates: str = "iso"  # iso, day, month, named
    separate_date: bool = False
    clock: int = 24
    zone: str = "stated"  # stated, row, heading
    offset: str = "UTC"
    unit: str = "C"
    unit_place: str = "heading"  # heading, line, stated
    encoding: str = "utf-8"
    newline: str = "\n"
    quoted: bool = False
    preamble: bool = False
    events: bool = False

    def stated(self) -> Stated:
        return Stated(
            date_order=self.dates if self.dates in ("day", "month") else None,  # type: ignore[arg-type]
            zone=self.offset if self.zone == "stated" else None,
            unit=self.unit if self.unit_place == "stated" else None,  # type: ignore[arg-type]
            encoding="latin-1" if self.encoding == "latin-1" else None,
        )

    def write(self, start: datetime, seconds: list[int], sensors: list[str], temps: list[list[float]]) -> bytes:
        """`temps`: a row for each time, hundredths of a degree of the dialect's unit."""
        rows = [self._headings(sensors)]
        if self.unit_place == "line":
            rows.append([""] * (len(rows[0]) - len(sensors)) + [self._unit()] * len(sensors))
        for n, (second, row) in enumerate(zip(seconds, temps, strict=True)):
            when = self._when(start + timedelta(seconds=second))
            rows.append(when + [f"{temp:.2f}".replace(".", self.decimal) for temp in row])
            if self.events and n % 3 == 1:
                rows.append([*when, "Door opened"])
        lines = [self.delimiter.join(f'"{field}"' if self.quoted else field for field in row) for row in rows]
        if self.preamble:
            lines = ["Logger 7", f"Operator{self.delimiter}somebody", "", *lines]
        return (self.newline.join(lines) + self.newline).encode(self.encoding)

    def _unit(self) -> str:
        return f"°{self.unit}"

    def _headings(self, sensors: list[str]) -> list[str]:
        zone = f" (GMT{self.offset if self.offset != 'UTC' else ''})" if self.zone == "heading" else ""
        time = ["Date", "Time" + zone] if self.separate_date else ["Date/Time" + zone]
        unit = f" [{self._unit()}]" if self.unit_place == "heading" else ""
        return time + [sensor + unit for sensor in sensors]

    def _when(self, at: datetime) -> list[str]:
        local = at.astimezone(timezone(timedelta(minutes=OFFSETS[self.offset])))
        day = local.strftime({"iso": "%Y-%m-%d", "day": "%d.%m.%Y", "month": "%m/%d/%Y", "named": "%d-%b-%Y"}[self.dates])
        clock = local.strftime("%H:%M:%S" if self.clock == 24 else "%I:%M:%S %p")
        if self.zone == "row":
            clock += "Z" if self.offset == "UTC" else self.offset
        return [day, clock] if self.separate_date else [f"{day} {clock}"]


@st.composite
def dialects(draw: st.DrawFn) -> Dialect:
    delimiter = draw(st.sampled_from((",", ";", "\t")))
    place = draw(st.sampled_from(("heading", "line", "stated")))
    return Dialect(
        delimiter=delimiter,
        decimal="." if delimiter == "," else draw(st.sampled_from((".", ","))),
        dates=draw(st.sampled_from(("iso", "day", "month", "named"))),
        separate_date=draw(st.booleans()),
        clock=draw(st.sampled_from((24, 12))),
        zone=draw(st.sampled_from(("stated", "row", "heading"))),
        offset=draw(st.sampled_from(sorted(OFFSETS))),
        unit=draw(st.sampled_from(("C", "F"))),
        unit_place=place,
        # a file without a letter beyond ASCII is UTF-8 as well as latin-1
        encoding=draw(st.sampled_from(("utf-8", "utf-8-sig", "utf-16", *([] if place == "stated" else ["latin-1"])))),
        newline=draw(st.sampled_from(("\n", "\r\n", "\r"))),
        quoted=draw(st.booleans()),
        preamble=draw(st.booleans()),
        events=draw(st.booleans()),
    )


@dataclass(frozen=True)
class Written:
    start: datetime
    seconds: list[int]
    sensors: list[str]
    hundredths: list[list[int]]  # of a degree C, multiples that are whole hundredths of a degree F as well

    def temps(self, unit: str) -> list[list[float]]:
        if unit == "C":
            return [[value / 100 for value in row] for row in self.hundredths]
        return [[value / 100 * 9 / 5 + 32 for value in row] for row in self.hundredths]


@st.composite
def written(draw: st.DrawFn) -> Written:
    start = draw(st.datetimes(datetime(2024, 1, 1), datetime(2027, 12, 31))).replace(microsecond=0, tzinfo=UTC)
    steps = draw(st.lists(st.integers(1, 4000), min_size=2, max_size=12))
    seconds = [sum(steps[:n]) for n in range(len(steps) + 1)]
    count = draw(st.integers(1, 4))
    value = st.integers(0, 400).map(lambda n: n * 50)
    row = st.lists(value, min_size=count, max_size=count)
    return Written(start, seconds, [f"TC{n + 1}" for n in range(count)], draw(st.lists(row, min_size=len(seconds), max_size=len(seconds))))

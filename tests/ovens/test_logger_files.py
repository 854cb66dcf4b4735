"""Files of data loggers: the same numbers in every dialect, and a refusal with line and remedy for all that is left open."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from app.errors import BadInput
from app.ovens.logger_files import read_trace
from app.ovens.logger_table import Stated
from app.ovens.thermocouple import type_k_emf_mv
from app.ovens.trace import Trace
from tests.ovens.log_writing import Dialect, Written, dialects, written

UTC_STATED = Stated(zone="UTC")
ISO = "Time;TC1 [°C];TC2 [°C]\n2026-03-05 10:00:00;25,1;25,2\n2026-03-05 10:01:00;28,1;27,9\n2026-03-05 10:02:00;31,0;30,5\n"


def read(text: str | bytes, stated: Stated = UTC_STATED) -> Trace:
    return read_trace(text if isinstance(text, bytes) else text.encode(), "log.csv", stated)


def refusal(text: str | bytes, stated: Stated = UTC_STATED) -> tuple[str, str]:
    with pytest.raises(BadInput) as caught:
        read(text, stated)
    assert all(reason.where and reason.why and reason.now for reason in caught.value.reasons)
    return caught.value.reasons[0].where, caught.value.reasons[0].why


def codes(trace: Trace) -> list[str]:
    return [note.code for note in trace.notes]


def seconds(*texts: str) -> list[float]:
    return [datetime.fromisoformat(text).timestamp() for text in texts]


@given(written(), dialects())
def test_the_same_trace_in_any_dialect_gives_the_same_numbers(log: Written, dialect: Dialect) -> None:
    found = read(dialect.write(log.start, log.seconds, log.sensors, log.temps(dialect.unit)), dialect.stated())
    assert found.times.tolist() == [log.start.timestamp() + second for second in log.seconds]
    assert found.sensors == tuple(log.sensors)
    assert found.temps_c == pytest.approx(np.array(log.temps("C")), abs=1e-9)
    assert codes(found).count("event") == (len([n for n in range(len(log.seconds)) if n % 3 == 1]) if dialect.events else 0)


@settings(max_examples=300)
@given(written(), dialects(), st.data())
def test_a_change_in_one_line_never_changes_the_numbers_of_another(log: Written, dialect: Dialect, data: st.DataObject) -> None:
    dialect = replace(dialect, newline="\n", events=False)
    text = dialect.write(log.start, log.seconds, log.sensors, log.temps(dialect.unit)).decode(dialect.encoding)
    whole = {time: row.tolist() for time, row in zip(*_rows(text, dialect), strict=True)}
    at = data.draw(st.integers(0, len(text) - 1))
    letters = data.draw(st.text(alphabet=";,.\t\n\"'0159-+:/ aZ=\x00é", max_size=3))
    changed = text[:at] + letters + text[at + data.draw(st.integers(0, 3)) :]
    line, first = text.count("\n", 0, at), text.count("\n") - len(log.seconds)
    if line < first:
        return  # headings say what the numbers are: a change there may lawfully change them all
    try:
        times, temps = _rows(changed, dialect)
    except BadInput:
        return
    touched = {log.start.timestamp() + log.seconds[n] for n in range(line - first, min(line - first + 2, len(log.seconds)))}
    others = [(time, row.tolist()) for time, row in zip(times, temps, strict=True) if whole.get(time) != row.tolist()]
    assert len(others) <= 1, "only the line that was touched may read differently"
    assert set(whole) - set(times) <= touched


def _rows(text: str, dialect: Dialect) -> tuple[list[float], np.ndarray]:  # type: ignore[type-arg]
    found = read(text.encode(dialect.encoding, "replace"), dialect.stated())
    return found.times.tolist(), found.temps_c


@settings(max_examples=200)
@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
@example(b"PK\x03\x04rest of a workbook")
@example(b"\xff\xfea")
@example("Time;TC1 [°C]\n2026-03-05 10:00:00;\uff11\uff12,5\n".encode())
def test_anything_else_is_refused(data: bytes) -> None:
    refusal(data)


def test_a_cut_file_gives_no_half_numbers() -> None:
    whole = read(ISO)
    rows = dict(zip(whole.times.tolist(), whole.temps_c.tolist(), strict=True))
    for length in range(len(ISO)):
        try:
            found = read(ISO[:length])
        except BadInput:
            continue
        for time, row in zip(found.times.tolist(), found.temps_c.tolist(), strict=True):
            assert rows[time] == row, ISO[:length]
    assert len(read(ISO.rstrip()).times) == 3
    assert codes(read(ISO.rstrip()[:-1])) == ["cut_short"]


def dated(*dates: str) -> str:
    return "Time,A [C]\n" + "".join(f"{date} 10:0{n}:00,20.5\n" for n, date in enumerate(dates))


def test_an_order_that_two_readings_fit_is_asked_for() -> None:
    where, why = refusal(dated("05/03/2026", "05/03/2026"))
    assert (where, why) == ("line 2", "05/03/2026 may be 03 May 2026 or 05 March 2026, and nothing in the file says which.")
    day = read(dated("05/03/2026", "05/03/2026"), Stated(zone="UTC", date_order="day"))
    month = read(dated("05/03/2026", "05/03/2026"), Stated(zone="UTC", date_order="month"))
    assert day.times[0] == seconds("2026-03-05T10:00:00Z")[0]
    assert month.times[0] == seconds("2026-05-03T10:00:00Z")[0]


@pytest.mark.parametrize(
    ("dates", "first"),
    [
        (("12/03/2026", "13/03/2026", "13/03/2026"), "2026-03-12"), (("03/12/2026", "03/13/2026", "03/13/2026"), "2026-03-12"),
        (("05/05/2026", "05/05/2026"), "2026-05-05"), (("2026/03/05", "2026/03/06"), "2026-03-05"), (("5-Mar-2026", "6-Mar-2026"), "2026-03-05"),
        (("Mar 5 2026", "Mar 6 2026"), "2026-03-05"), (("31.12.2025", "31.12.2025"), "2025-12-31"),
    ],
)  # fmt: skip
def test_an_order_that_the_file_shows_needs_no_statement(dates: tuple[str, ...], first: str) -> None:
    assert read(dated(*dates)).times[0] == seconds(f"{first}T10:00:00Z")[0]


@pytest.mark.parametrize(
    ("dates", "order"),
    [
        (("05/03/2026", "05/13/2026"), None),  # one misprint must not turn all others round
        (("05/03/2026", "05/13/2026", "05/13/2026"), None),  # days that do not follow each other show nothing
        (("13/13/2026",), None), (("30/02/2026",), None), (("05/03/2026", "13/03/2026"), "month"),
        (("05/03/26", "05/03/26"), None), (("26-03-05",), None), (("05-Mar-26",), None),
        (("2026-03-05", "06.03.2026"), None), (("01/02/1931",), "day"), (("2026-02-30",), None), (("0000-01-01",), None),
        (("12/11/2026", "12/12/2026"), "day"),  # they follow each other with the month first
    ],
)  # fmt: skip
def test_dates_that_fit_nothing_or_too_much_are_refused(dates: tuple[str, ...], order: str | None) -> None:
    refusal(dated(*dates), Stated(zone="UTC", date_order=order))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "order", "first"),
    [("05/03/26", "day", "2026-03-05"), ("05/03/26", "month", "2026-05-03"), ("26-03-05", "year", "2026-03-05"), ("05-Mar-26", "day", "2026-03-05")],
)
def test_a_year_of_two_digits_is_read_as_stated(text: str, order: str, first: str) -> None:
    found = read(dated(text, text), Stated(zone="UTC", date_order=order))  # type: ignore[arg-type]
    assert found.times[0] == seconds(f"{first}T10:00:00Z")[0]


def clocked(*clocks: str) -> str:
    return "Time,A [C]\n" + "".join(f"2026-03-05 {clock},20.5\n" for clock in clocks)


def test_twelve_hour_clocks_are_read_with_am_and_pm_only() -> None:
    found = read(clocked("11:59:00 AM", "12:00:00 PM", "1:00:00 p.m."))
    assert found.times.tolist() == seconds("2026-03-05T11:59:00Z", "2026-03-05T12:00:00Z", "2026-03-05T13:00:00Z")
    assert read(clocked("12:30:00 AM")).times.tolist() == seconds("2026-03-05T00:30:00Z")
    assert refusal(clocked("12:59:00", "1:00:00")) == (
        "line 3", "12 o'clock is followed by 1 o'clock: this is a twelve-hour clock without AM and PM.",
    )  # fmt: skip
    assert "twelve-hour clock" in refusal(clocked("10:30:00", "12:30:00", "2:30:00"))[1]  # an hour a reading, or a gap
    assert codes(read(clocked("12:10:00", "11:12:00"))) == ["time_backward"]  # set back by an hour
    for wrong in (("13:00:00 PM",), ("0:30:00 AM",), ("11:00:00 AM", "12:00:00"), ("24:00:00",), ("10:60:00",), ("10:00:61",)):
        refusal(clocked(*wrong))


def test_zones_are_taken_from_the_file_and_else_from_what_was_stated() -> None:
    assert read(clocked("10:00:00+02:00"), Stated()).times.tolist() == seconds("2026-03-05T08:00:00Z")
    assert read(ISO, Stated(zone="Europe/Berlin")).times[0] == seconds("2026-03-05T09:00:00Z")[0]
    assert read(ISO.replace("Time;", "Date Time, GMT-05:00;"), Stated()).times[0] == seconds("2026-03-05T15:00:00Z")[0]
    assert refusal(ISO, Stated())[1] == "Its times name no zone, and none was stated."
    for hour in ("2026-10-25 02:30:00", "2026-03-29 02:30:00"):  # twice, and never
        assert "clocks were changed" in refusal(f"Time;A [°C]\n{hour};20,5\n", Stated(zone="Europe/Berlin"))[1]
    refusal(clocked("10:00:00+15:00"), Stated())
    assert refusal(ISO, Stated(zone="Mars/Olympus"))[0] == "zone"
    assert refusal(ISO, Stated(zone="../../etc/passwd"))[0] == "zone"


def night(*clocks: str) -> str:
    return "Time;A [°C]\n" + "".join(f"2026-11-01 {clock}:00;150,0\n" for clock in clocks)


def test_an_hour_that_the_zone_has_twice_is_told_apart_where_the_loggers_own_clock_was_set_back() -> None:
    newfoundland = Stated(zone="America/St_Johns")  # 02:00 NDT (UTC-2:30) became 01:00 NST (UTC-3:30): IANA time zone database
    trace = read(night("00:50", "01:10", "01:50", "01:00", "01:30", "02:10"), newfoundland)
    assert trace.times.tolist() == seconds(
        "2026-11-01T03:20:00Z", "2026-11-01T03:40:00Z", "2026-11-01T04:20:00Z", "2026-11-01T04:30:00Z", "2026-11-01T05:00:00Z", "2026-11-01T05:40:00Z"
    )
    for unsure in (("01:10", "01:20"), ("00:50", "01:20", "02:10"), ("01:50", "01:00", "01:50", "01:00"), ("01:50", "01:40")):
        assert "the file does not show the change" in refusal(night(*unsure), newfoundland)[1]
    assert codes(read(night("00:50", "01:20", "02:10"), Stated(zone="-02:30"))) == []  # a clock that kept its offset


def test_fractions_of_a_second_are_kept() -> None:
    assert read(clocked("10:00:00.250")).times.tolist() == [seconds("2026-03-05T10:00:00Z")[0] + 0.25]
    assert read("Time;A [C]\n2026-03-05T10:00:00,5;20,5\n").times.tolist() == [seconds("2026-03-05T10:00:00Z")[0] + 0.5]


@pytest.mark.parametrize(
    ("text", "where", "why"),
    [
        ("Time,A [C],B [C]\n2026-03-05 10:00,23,5,24,5\n", "line 2", "the comma is both separator and decimal mark"),
        ("Time,A [C]\n2026-03-05 10:00,23,5\n", "line 2", "the comma is both separator and decimal mark"),
        ('Time,A [C]\n2026-03-05 10:00,"23,5"\n', "line 2, column A", "has a comma, which separates the columns here"),
        ("Time;A [C];B [C]\n2026-03-05 10:00;23,5;24.5\n", "line 2", "separate thousands"),
        ("Time;A [C]\n2026-03-05 10:00;1.234,5\n", "line 2, column A", "is not a number"),
        ("Time;A [C]\n2026-03-05 10:00;170\n2026-03-05 10:01;1,372\n", "line 3", "separate thousands"),
        ("Time;A;B [C]\n2026-03-05 10:00;23,5;24,5\n", "line 1, column 2", "in degrees C or F"),
        ("Time;A [C];a [°C]\n2026-03-05 10:00;23,5;24,5\n", "line 1, column 3", "sensors of one name: a"),
        ("Time;A [°C] [°F]\n2026-03-05 10:00;23,5\n", "line 1, column 2", "two units"),
        ("Time;A [mV]\n2026-03-05 10:00;6,9\n", "line 1, column 2", "kind of thermocouple"),
        ("Time;A [C];\n2026-03-05 10:00;23,5;7\n", "line 2", "has 3 fields"),
        ("Time;;A [C]\n2026-03-05 10:00;7;23,5\n", "line 2", "has a value but no heading"),
        ("Time;A [C]\n2026-03-05 10:00;=1+1\n", "line 2, column A", "is not a number"),
        ("Time;A [C]\n2026-03-05 10:00;1O5,2\n", "line 2, column A", "is not a number"),
        ("Time;A [C]\n2026-03-05 10:00;1_0\n", "line 2, column A", "is not a number"),
        ("Time;A [C]\n10:00;23,5\n", "line 2", "is not a date and time"),
        ("Time (s);A [C]\n0;23,5\n10;23,7\n", "line 2", "is not a date and time"),
        ("Time;A [C]\n2026-03-05 10:00;23,5\n;24,0\n", "line 3, column time", "no time"),
        ("Time;A [C]\n2026-03-05 10:00;23,5\nsome day;24,0\n", "line 3, column time", "is not a date and time"),
        ('Time;A [C]\n2026-03-05 10:00;"23,5\n', "line 2", "quotes do not pair"),
        ("2026-03-05 10:00;23,5\n", "line 1", "headings"),
        ("2026-03-05 10:00;23,5\nTime;A [C]\n2026-03-05 10:01;23,5\n", "line 1", "before the headings"),
        ("Timestamp;Time;A [C]\n2026-03-05 10:00;2026-03-05 10:00;23,5\n", "line 1", "Several columns may be the time"),
        ("Time;Event\n2026-03-05 10:00;Door\n", "line 1", "no column with a sensor"),
        ("Time;A [C]\n2026-03-05 10:00;OPEN\n", "line 2", "single reading"),
        ("Time;A [C]\n", "line 1", "no rows below the headings"),
        ("", "line 1", "empty"),
        ("Time;A [C]\n2026-03-05 10:00;23,5\x01\n", "line 2", "control character"),
        ("Time;" + "A" * 200 + " [C]\n2026-03-05 10:00;23,5\n", "line 1, column 2", "characters"),
    ],
)
def test_what_is_open_or_wrong_is_refused_with_its_place(text: str, where: str, why: str) -> None:
    found = refusal(text)
    assert found[0] == where
    assert why in found[1]


def test_stated_answers_settle_what_was_open() -> None:
    assert read("Time;A\n2026-03-05 10:00;212\n", Stated(zone="UTC", unit="F")).temps_c.tolist() == [[100.0]]
    thousands = "Time;A [C]\n2026-03-05 10:00;170\n2026-03-05 10:01;169,812\n"
    assert read(thousands, Stated(zone="UTC", decimal=",")).temps_c.tolist() == [[170.0], [169.812]]
    assert refusal(thousands, Stated(zone="UTC", decimal="."))[0] == "line 3"
    two = "Timestamp;Time;A [C];Rate\n2026-03-05 10:00;2026-03-05 11:00;23,5;x9\n"
    chosen = read(two, Stated(zone="UTC", time_column="timestamp", sensors=("a",)))
    assert (chosen.sensors, chosen.times.tolist()) == (("A",), seconds("2026-03-05T10:00:00Z"))
    assert "no column 'b'" in refusal(ISO, Stated(zone="UTC", sensors=("B",)))[1]
    assert "was stated" in refusal(ISO, Stated(zone="UTC", unit="F"))[1]
    assert refusal(ISO, Stated(zone="UTC", unit="K"))[0] == "unit"  # type: ignore[arg-type]


def test_encodings() -> None:
    latin = ISO.encode("latin-1")
    assert refusal(latin)[1] == "It is not UTF-8."
    assert read(latin, Stated(zone="UTC", encoding="latin-1")).sensors == ("TC1", "TC2")
    assert refusal(ISO, Stated(zone="UTC", encoding="latin-1"))[0] == "encoding"
    for encoding in ("utf-8-sig", "utf-16"):
        assert read(ISO.encode(encoding)).sensors == ("TC1", "TC2")
    assert refusal(ISO.encode("utf-16-le"))[0] == "line 1"


def test_a_heading_of_many_words_keeps_its_name_and_other_columns_are_left_out() -> None:
    text = (
        'No.,"Date Time, GMT+01:00","Temp, °C (LBL: Top)","RH, %",Shelf 2 (deg C),Status\n'
        "1,2026-03-05 10:00:00,25.5,40.1,25.6,ok\n"
    )  # fmt: skip
    found = read(text, Stated())
    assert found.sensors == ("Temp, (LBL: Top)", "Shelf 2")
    assert codes(found) == ["left_out"] * 3
    assert found.times.tolist() == seconds("2026-03-05T09:00:00Z")


def test_lines_around_the_table_are_skipped_and_said() -> None:
    text = (
        "Logger 7\nDate;2026-03-05 09:59:00\nTime;Operator\n\nTime;A [°C]\n2026-03-05 10:00:00;20,5\n2026-03-05 10:00:10;Door opened\n"
        ";;\nTime;A [°C]\n2026-03-05 10:01:00;21,5\nPower restored\n2026-03-05 10:02:00;\nAverage;21,0\n"
    )
    found = read(text)
    assert found.temps_c.tolist() == [[20.5], [21.5]]
    assert codes(found) == ["before_table", "event", "event", "event", "event", "event"]
    assert [note.line for note in found.notes] == [1, 7, 9, 11, 12, 13]


def test_broken_and_missing_readings_stay_as_gaps_with_their_reason() -> None:
    rows = ["20,5;20,5", "OPEN;20,6", "1372,0;20,7", "NaN;20,8", "3276,7;", "20,6;inf", "20,7;-270,0", "20,8;21,0"]
    text = "Time;A [°C];B [°C]\n" + "".join(f"2026-03-05 10:0{n}:00;{row}\n" for n, row in enumerate(rows))
    found = read(text)
    assert np.isnan(found.temps_c[:, 0]).tolist() == [False, True, True, True, True, False, False, False]
    assert np.isnan(found.temps_c[:, 1]).tolist() == [False] * 4 + [True] * 3 + [False]
    assert [(note.code, note.sensor, note.line) for note in found.notes] == [
        ("broken", "A", 3), ("missing", "A", 5), ("broken", "A", 6), ("missing", "B", 6), ("broken", "B", 7),
    ]  # fmt: skip
    fahrenheit = read("Time;A [°F]\n2026-03-05 10:00;338\n2026-03-05 10:01;2501,6\n2026-03-05 10:02;327,67\n2026-03-05 10:03;777\n",
                      Stated(zone="UTC", broken_values=(777.0,)))  # fmt: skip
    assert np.isnan(fahrenheit.temps_c[:, 0]).tolist() == [False, True, True, True]
    assert fahrenheit.temps_c[0, 0] == pytest.approx(170)


def test_repeated_and_backward_times_are_kept_and_said() -> None:
    found = read(clocked("10:00:00", "10:00:00", "10:02:00", "10:01:00"))
    assert np.diff(found.times).tolist() == [0, 120, -60]
    assert [(note.code, note.line) for note in found.notes] == [("time_repeated", 3), ("time_backward", 5)]


def test_gaps_do_not_pass_for_numbers_of_sensors() -> None:
    twice = (f"2026-03-05 10:0{minute}:00;{temp};24\n2026-03-05 10:0{minute}:00;{temp};\n" for minute, temp in enumerate((25, 27, 31)))
    found = read("Time;TC1 [°C];TC2 [°C]\n" + "".join(twice))
    assert found.temps_c[::2].tolist() == [[25, 24], [27, 24], [31, 24]]
    assert np.isnan(found.temps_c[1::2, 1]).all()


def test_millivolts_of_type_k_need_their_cold_junction() -> None:
    hot, cold = np.array([25.0, 170.0, 200.0]), np.array([22.0, 25.0, 26.0])
    emf = type_k_emf_mv(hot) - type_k_emf_mv(cold)
    rows = "".join(f"2026-03-05 10:0{n}:00;{e:.6f};{c:.1f}\n" for n, (e, c) in enumerate(zip(emf, cold, strict=True)))
    column = read("Time;A [mV];Board\n" + rows, Stated(zone="UTC", unit="mV type K", cold_junction_column="Board"))
    assert column.sensors == ("A",)
    assert column.temps_c[:, 0] == pytest.approx(hot, abs=1e-4)
    steady = read(f"Time;A (mV type K)\n2026-03-05 10:00;{5.940346}\n", Stated(zone="UTC", cold_junction_c=25.0))
    assert steady.temps_c[0, 0] == pytest.approx(170, abs=1e-4)
    assert "cold junction" in refusal("Time;A (mV type K)\n2026-03-05 10:00;5.9\n")[1]
    missing = read("Time;A [mV];Board\n" + rows.replace(";25.0", ";"), Stated(zone="UTC", unit="mV type K", cold_junction_column="Board"))
    assert np.isnan(missing.temps_c[:, 0]).tolist() == [False, True, False]


def test_a_file_above_the_limit_is_refused_and_a_long_one_is_read_at_once() -> None:
    rows = "".join(f"2026-03-05 {n // 3600:02}:{n // 60 % 60:02}:{n % 60:02},{20 + n % 7}.{n % 10},{21 + n % 5}.{n % 10}\n" for n in range(30_000))
    text = "Time,A [C],B [C]\n" + rows
    found = read(text)
    assert (len(found.times), found.times[-1] - found.times[0]) == (30_000, 29_999)
    with pytest.raises(BadInput, match="more than 29999 rows"):
        read_trace(text.encode(), "log.csv", UTC_STATED, most_rows=29_999)


def test_bad_lines_are_named_together() -> None:
    text = "Time;A [C]\n" + "".join(f"2026-03-05 10:0{n}:00;20,5x9\n" for n in range(5))
    with pytest.raises(BadInput) as caught:
        read(text)
    assert [reason.where for reason in caught.value.reasons] == [f"line {n + 2}, column A" for n in range(5)]


def test_times_are_utc_whatever_the_machine_says() -> None:
    assert datetime.fromtimestamp(read(ISO).times[0], UTC).isoformat() == "2026-03-05T10:00:00+00:00"

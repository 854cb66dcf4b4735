"""Placement logs: what they say, which of their lines cannot be understood, and nothing read wrongly."""

import csv
from datetime import UTC, datetime, timedelta
from io import BytesIO, StringIO
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.errors import BadInput
from app.floor import placement_logs
from app.floor.placement_logs import PlacementLog, read_placement_log

HEADER = "time,wafer,die x,die y,panel,row,column\n"
LINE = "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n"


def read(text: str, zone: str | None = None) -> PlacementLog:
    return read_placement_log(BytesIO(text.encode()), "test.csv", ZoneInfo(zone) if zone else None)


def facts(log: PlacementLog) -> list[tuple[object, ...]]:
    """wafer, x, y, panel or None, row, column, time, line"""
    panels = [log.panels[n] if n >= 0 else None for n in log.panel]
    wafers = [log.wafers[n] for n in log.wafer]
    return list(zip(wafers, log.x, log.y, panels, log.row, log.column, log.at.tolist(), log.line, strict=True))


def bad(text: str, zone: str | None = None) -> list[tuple[int, str]]:
    return [(line.line, line.column) for line in read(text, zone).bad]


def refusal(data: bytes | str) -> tuple[str, str]:
    with pytest.raises(BadInput) as caught:
        read_placement_log(BytesIO(data if isinstance(data, bytes) else data.encode()), "test.csv")
    assert all(reason.where and reason.now for reason in caught.value.reasons)
    return caught.value.reasons[0].where, caught.value.reasons[0].why


def test_a_line_is_a_die_on_a_cell_and_an_empty_panel_a_lost_die() -> None:
    log = read(HEADER + LINE + "2026-03-05 08:00:01.25+02:00,W1,4,-4,,,\n")
    assert facts(log) == [
        ("W1", 3, -4, "P1", 2, 1, datetime(2026, 3, 5, 6), 2),
        ("W1", 4, -4, None, 0, 0, datetime(2026, 3, 5, 6, 0, 1, 250000), 3),
    ]
    assert log.bad == ()
    assert {pair: at.tolist() for pair, at in log.pairs().items()} == {("W1", "P1"): [0], ("W1", None): [1]}


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_header_names_order_and_delimiter_may_vary(delimiter: str) -> None:
    text = "Panel ID,Col,ROW,Comment,Die_X,die y,Wafer Id,Time Stamp\r\nP1,1,2,ok,3,-4,W1,2026-03-05T06:00Z\r\n".replace(",", delimiter)
    assert facts(read("\ufeff" + text)) == [("W1", 3, -4, "P1", 2, 1, datetime(2026, 3, 5, 6), 2)]


def test_bad_lines_are_named_and_the_others_are_kept() -> None:
    lines = [
        LINE, "2026-03-05T06:00:00Z,W1,x,1,P1,2,1\n", "\n", "2026-03-05T06:00:00Z,W1,3\n", "yesterday,W1,3,1,P1,2,1\n",
        "2026-03-05T06:00:00Z,,3,1,P1,2,1\n", "2026-03-05T06:00:00Z,W1,3,1,,2,1\n", "2026-03-05T06:00:00Z,W1,3,1,P1,,1\n",
        '2026-03-05T06:00:00Z,"W1,3,1,P1,2,1\n', "2026-03-05T06:00:00Z,W1,3,1,P1,2,NaN\n", "2026-03-05T06:00:00Z,W1,40000,1,P1,2,1\n",
        "2026-03-05T06:00:00Z,W\x01,3,1,P1,2,1\n", "2026-02-30T06:00:00Z,W1,3,1,P1,2,1\n", "2026-03-05T06:00:00,W1,3,1,P1,2,1\n",
        LINE.replace("3,", "5,"),
    ]  # fmt: skip
    log = read(HEADER + "".join(lines))
    assert [line for *_, line in facts(log)] == [2, 16]
    assert [(each.line, each.column) for each in log.bad] == [
        (3, "die_x"), (5, ""), (6, "time"), (7, "wafer"), (8, "row"), (9, "row"), (10, ""), (11, "column"), (12, "die_x"), (13, "wafer"),
        (14, "time"), (15, "time"),
    ]  # fmt: skip
    assert log.bad[0].reason.where == "line 3, column die_x"


@pytest.mark.parametrize("words", ["failed", "Not placed", "unplaced", "MISSING", "pick error", "N", "F", "die lost"])
def test_a_line_that_says_that_no_die_was_placed_is_no_placement(words: str) -> None:
    assert bad(HEADER.replace("\n", ",status\n") + LINE.replace("\n", f",{words}\n")) == [(2, "status")]


@pytest.mark.parametrize(("heading", "words"), [("status", "ok"), ("status", "No error"), ("status", "0"), ("placed", "1"), ("result", "0 errors")])
def test_other_words_beside_a_placement_do_not_matter(heading: str, words: str) -> None:
    assert len(facts(read(HEADER.replace("\n", f",{heading}\n") + LINE.replace("\n", f",{words}\n")))) == 1
    assert bad(HEADER.replace("\n", ",placed\n") + LINE.replace("\n", ",0\n")) == [(2, "placed")]


def test_a_stray_quote_spoils_its_own_line_only() -> None:
    text = HEADER + LINE + LINE.replace("W1", '"W1') + LINE.replace("3,", "4,") + LINE.replace("W1", '"W;1"')
    log = read(text)
    assert [line for *_, line in facts(log)] == [2, 4, 5]
    assert log.wafers == ("W1", "W;1")


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig"])
def test_what_a_windows_program_saves_is_read_like_any_other(encoding: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(placement_logs, "_CHUNK", 70)
    text = HEADER + LINE.replace("P1", "パネル 7") + LINE.replace("3,", "4,")
    read = read_placement_log(BytesIO(text.replace("\n", "\r\n").encode(encoding)), "log.csv")
    assert (set(read.panels), [line for *_, line in facts(read)]) == ({"パネル 7", "P1"}, [2, 3])
    transfer = (
        '<MapData xmlns="urn:semi-org:xsd.E142-1.V1005.SubstrateMap"><Layouts><Layout LayoutId="D"><Dimension X="5" Y="4"/></Layout></Layouts>'
        '<SubstrateMaps><SubstrateMap SubstrateType="Strip" SubstrateId="パネル 7" LayoutSpecifier="D" OriginLocation="UpperLeft" '
        'AxisDirection="DownRight"><Overlay><TransferMap FromSubstrateType="Wafer" FromSubstrateId="W1"><T FX="3" FY="1" TX="0" TY="0"/>'
        "</TransferMap></Overlay></SubstrateMap></SubstrateMaps></MapData>"
    )
    assert len(read_placement_log(BytesIO(transfer.encode(encoding)), "map.xml")) == 1


def test_times_without_a_zone_need_a_stated_one() -> None:
    text = HEADER + LINE.replace("Z", "")
    assert refusal(text) == ("line 2, column time", "Its times have no zone.")
    assert facts(read(text, "Asia/Ho_Chi_Minh"))[0][6] == datetime(2026, 3, 4, 23)


def times(*written: str, zone: str | None = None) -> list[str]:
    """As UTC; of lines that are refused, why."""
    log = read(HEADER + "".join(LINE.replace("2026-03-05T06:00:00Z", one).replace("3,", f"{n},", 1) for n, one in enumerate(written)), zone)
    told = {line: f"{at:%m-%d %H:%M:%S.%f}"[:-3] for *_, at, line in facts(log)} | {one.line: one.why.split(" ", 1)[1] for one in log.bad}
    return [told[line] for line in sorted(told)]


def test_seconds_and_milliseconds_since_1970_need_no_zone() -> None:
    assert times("1772704800", "1772704800250", "1772704800.5") == ["03-05 10:00:00.000", "03-05 10:00:00.250", "03-05 10:00:00.500"]


@pytest.mark.parametrize("written", ["3855549600", "177270480", "1772704800250000", "46086.41667", "0001772704"])
def test_a_count_since_another_year_or_in_other_parts_is_not_guessed(written: str) -> None:
    assert times(written, zone="UTC") == ["is not an ISO 8601 date and time, like 2026-03-05T14:30:00Z."]


def test_a_twelve_hour_clock_says_which_half() -> None:
    written = ["2026-03-05 11:59:00 AM", "2026-03-05 12:01:00 PM", "2026-03-05 1:02 pm", "2026-03-05 12:30\u202fa.m.", "2026-03-05 2:15 PM +00:00"]
    assert times(*written, zone="Europe/Berlin") == [
        "03-05 10:59:00.000", "03-05 11:01:00.000", "03-05 12:02:00.000", "03-04 23:30:00.000", "03-05 14:15:00.000",
    ]  # fmt: skip
    assert refusal(HEADER + LINE.replace("T06:00:00Z", " 06:00:00 PM")) == ("line 2, column time", "Its times have no zone.")


def test_a_half_of_the_day_in_a_column_of_its_own_is_refused() -> None:
    text = HEADER.replace("\n", ",AM/PM\n") + LINE.replace("T06:00:00Z", " 06:00:00").replace("\n", ",PM\n")
    assert refusal(text) == ("line 1", "A column says AM or PM, apart from the time.")


def test_an_hour_that_no_such_clock_has_or_without_its_half_is_refused() -> None:
    odd = ["2026-03-05 13:00 PM", "2026-03-05 00:30 AM", "2026-03-05 2:00", "2026-03-05 02:00"]
    found = times(*odd, "2026-03-05 03:00 PM", zone="UTC")
    assert [" ".join(one.split()[-4:]) for one in found[:3]] == ["and time, like 2026-03-05T14:30:00Z."] * 3
    assert found[3:] == ["02:00' has neither AM nor PM, which others have.", "03-05 15:00:00.000"]


def test_a_local_time_that_clocks_passed_twice_or_never_is_not_guessed() -> None:
    times = ["2026-10-25T01:59:59", "2026-10-25T02:30:00", "2026-03-29T02:30:00", "2026-10-25T03:00:00"]
    log = read(HEADER + "".join(LINE.replace("2026-03-05T06:00:00Z", time) for time in times), "Europe/Berlin")
    assert [(line, at) for *_, at, line in facts(log)] == [(2, datetime(2026, 10, 24, 23, 59, 59)), (5, datetime(2026, 10, 25, 2))]
    assert [each.line for each in log.bad] == [3, 4]


def test_a_machine_whose_clock_was_set_back_in_the_log_is_understood() -> None:
    times = ["2026-10-25T02:10:00", "2026-10-25T02:59:00", "2026-10-25T02:01:00", "2026-10-25T03:00:00"]
    log = read(HEADER + "".join(LINE.replace("2026-03-05T06:00:00Z", time) for time in times), "Europe/Berlin")
    assert [at.strftime("%H:%M") for *_, at, _ in facts(log)] == ["00:10", "00:59", "01:01", "02:00"]
    assert not log.bad


def test_repeated_lines_are_one_fact() -> None:
    log = read(HEADER + LINE * 3 + LINE.replace("3,", "5,") + LINE)
    assert ([line for *_, line in facts(log)], log.repeated) == ([2, 5], 3)
    assert len(read(HEADER + LINE + LINE.replace("06:00:00", "06:00:01"))) == 2


@pytest.mark.parametrize(
    ("data", "where"),
    [
        ("", "the whole file"),
        (b"\xff\xfe", "the whole file"),
        ("time,wafer\n1,2\n", "line 1"),
        (HEADER, "line 1"),
        ("something\n" + HEADER + LINE, "line 1"),
        (HEADER + LINE + "\0", "line 3"),
        ((HEADER + LINE).encode() + b"\xff", "line 3"),
        (b"\xff\xfe" + b"\x00\xd8" * 2, "the whole file"),
        ("time,wafer,x,die x,y,panel,row,column\n", "line 1, column 4"),
        ("<a></a>", "line 1, a"),
        ("<a>", "line 1"),
    ],
)
def test_what_is_no_log_is_refused(data: bytes | str, where: str) -> None:
    assert refusal(data)[0] == where


def test_pieces_of_a_long_file_keep_their_line_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    text = HEADER + "".join(LINE.replace(",3,", f",{n},") for n in range(50)) + "x\n" + LINE.replace("W1", "W2").rstrip("\n")
    whole = read(text)
    monkeypatch.setattr(placement_logs, "_CHUNK", 70)
    assert facts(read(text)) == facts(whole)
    assert (whole.wafers, [each.line for each in read(text).bad]) == (("W1", "W2"), [52])


moments = st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1))
names = st.text(st.sampled_from("ABab0-9_.;, é"), min_size=1, max_size=8).map(str.strip).filter(bool)
written_line = st.tuples(moments, names, st.integers(-300, 300), st.integers(-300, 300), st.none() | names, st.integers(1, 40), st.integers(1, 40))


@given(
    st.lists(written_line, min_size=1, max_size=20), st.sampled_from(",;\t"), st.sampled_from(("\n", "\r\n", "\r")), st.sampled_from((0, 90, -570))
)
def test_a_written_log_reads_back(lines: list[tuple], delimiter: str, newline: str, offset: int) -> None:  # type: ignore[type-arg]
    out = StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator=newline)
    writer.writerow(["time", "wafer", "die x", "die y", "panel", "row", "column"])
    sign = "-" if offset < 0 else "+"
    zone = "Z" if not offset else f"{sign}{abs(offset) // 60:02d}:{abs(offset) % 60:02d}"
    expected = {}
    for at, wafer, x, y, panel, row, column in lines:
        local = (at + timedelta(minutes=offset)).isoformat()
        writer.writerow([local + zone, wafer, x, y, panel or "", row if panel else "", column if panel else ""])
        expected[wafer, x, y, panel, row if panel else 0, column if panel else 0, at] = None
    log = read(out.getvalue())
    assert log.bad == ()
    assert [fact[:7] for fact in facts(log)] == list(expected)


@settings(max_examples=300)
@given(st.data())
def test_a_damaged_line_is_refused_or_read_as_it_stands(data: st.DataObject) -> None:
    """Every line that is kept says what the csv module of the standard library reads there."""
    good = HEADER + "".join(LINE.replace(",3,", f",{n},") for n in range(4))
    place = data.draw(st.integers(0, len(good) - 1))
    letter = data.draw(st.sampled_from('0 "\n,;-Z\0é'))
    damaged = data.draw(st.sampled_from((good[:place] + letter + good[place + 1 :], good[:place] + good[place + 1 :], good[:place])))
    try:
        log = read(damaged)
    except BadInput:
        return
    lines = damaged.split("\n")
    for wafer, x, y, panel, row, column, at, line in facts(log):
        fields = [field.strip() for field in next(csv.reader([lines[int(str(line)) - 1]]))]
        assert [wafer, str(x), str(y), panel or ""] == [fields[1], str(int(fields[2])), str(int(fields[3])), fields[4]]
        assert [row, column] == [int(fields[5] or 0), int(fields[6] or 0)]
        assert at == datetime.fromisoformat(fields[0]).astimezone(UTC).replace(tzinfo=None)
    assert len(log) + log.repeated + len(log.bad) == sum(1 for line in lines[1:] if line.strip())


TRANSFERS = """<MapData xmlns="urn:semi-org:xsd.E142-1.V1005.SubstrateMap">
<Layouts><Layout LayoutId="Cells"><Dimension X="5" Y="4"/></Layout></Layouts>
<SubstrateMaps><SubstrateMap SubstrateType="Strip" SubstrateId="P1" OriginLocation="UpperLeft" AxisDirection="DownRight" LayoutSpecifier="S/Cells">
<Overlay MapName="Attach"><TransferMap FromSubstrateType="Wafer" FromSubstrateId="W1">
<T FX="3" FY="-4" TX="0" TY="1"/>
<T FX="4" FY="-4" TX="1" TY="1"/>
</TransferMap></Overlay></SubstrateMap></SubstrateMaps></MapData>"""


def test_transfer_maps_count_cells_from_one_and_have_no_times() -> None:
    log = read(TRANSFERS)
    assert log.format == "SEMI E142"
    assert [(w, x, y, p, r, c, line) for w, x, y, p, r, c, _, line in facts(log)] == [("W1", 3, -4, "P1", 2, 1, 5), ("W1", 4, -4, "P1", 2, 2, 6)]
    assert [at for *_, at, _ in facts(log)] == [None, None]


def test_transfer_maps_whose_cells_are_said_to_be_counted_from_one_are_refused() -> None:
    """They would be read as if nothing had been said, and each die be on the cell beside its own."""
    with pytest.raises(BadInput) as caught:
        read_placement_log(BytesIO(TRANSFERS.encode()), "test.xml", cells_from=1)
    assert (caught.value.reasons[0].where, "from 0" in caught.value.reasons[0].why) == ("cells_from", True)
    assert read_placement_log(BytesIO(TRANSFERS.encode()), "test.xml", cells_from=0).row.tolist() == read(TRANSFERS).row.tolist() == [2, 2]


@pytest.mark.parametrize(
    ("origin", "axis", "first"),
    [("LowerLeft", "UpRight", (3, 1)), ("LowerRight", "UpLeft", (3, 5)), ("UpperRight", "DownLeft", (2, 5)), ("UpperLeft", "", (2, 1))],
)
def test_cells_are_counted_from_the_upper_left_whatever_the_origin(origin: str, axis: str, first: tuple[int, int]) -> None:
    log = read(TRANSFERS.replace("UpperLeft", origin).replace("DownRight", axis))
    assert (log.row[0], log.column[0]) == first


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        (' OriginLocation="UpperLeft"', "", "line 3, SubstrateMap"),
        ('"UpperLeft"', '"2"', "line 3, SubstrateMap"),
        ('"DownRight"', '"4"', "line 3, SubstrateMap"),
        ('FX="4"', 'FX="4.0"', "line 6, T, FX"),
        ('TY="1"', "", "line 5, T, TY"),
        ('FX="4"', 'FX="99999"', "line 6, T, FX"),
        (' FromSubstrateId="W1"', "", "line 4, TransferMap"),
        ('"Wafer"', '"Tray"', "line 4, TransferMap"),
        ('"Strip"', '"Wafer"', "line 3, SubstrateMap"),
        ('AxisDirection="DownRight"', 'Orientation="90"', "line 3, SubstrateMap"),
        ("T ", "U ", "line 4, TransferMap"),
        ('<T FX="4"', '<x:T xmlns:x="urn:x" FX="4"', "line 6, T"),
    ],
)
def test_transfer_maps_that_leave_something_open_are_refused(old: str, new: str, where: str) -> None:
    assert refusal(TRANSFERS.replace(old, new))[0] == where


@pytest.mark.parametrize("size", ["9" * 20, "9" * 5000, "32768", "0", "-3", "1_0", "\u0665", "5.0", ""])
def test_a_panel_of_no_possible_size_is_refused(size: str) -> None:
    turned = TRANSFERS.replace("UpperLeft", "LowerRight").replace("DownRight", "UpLeft")
    assert refusal(turned.replace('X="5"', f'X="{size}"'))[0] == "line 2, Dimension"

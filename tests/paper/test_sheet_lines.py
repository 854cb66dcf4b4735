"""A sheet as typed becomes lines in the order of their times; what can't be understood is named field by field."""

from datetime import UTC, date, datetime

import pytest

from app.catalogue.definitions import Record, Step
from app.errors import BadInput
from app.paper.sheet_lines import SheetStep, entries

ATTACH = SheetStep(1, "N-01-X", Step(key="a", name="attach", operation="die attach"))
BOND = SheetStep(2, "N-02-X", Step(key="b", name="bond", operation="wire bond", records=(Record(name="pull", unit="gf", low=3.0),)))
CUT = SheetStep(3, "N-03-X", Step(key="c", name="cut", operation="singulate", count="weight"), mixes=True)
DAY = date(2026, 3, 1)


def told(fields: dict[str, str], *steps: SheetStep) -> list[tuple[str, str]]:
    return [(entry.words, f"{entry.told.at:%d %H:%M}") for entry in entries("L1", steps, fields, DAY, "Europe/Vienna")]


def test_lines_go_in_order_of_time_with_material_among_them() -> None:
    fields = {
        "station.a": "S1", "start.a": "0730", "end.a": "08:10", "station.b": "S2", "start.b": "09:00", "end.b": "09:45", "value.b.pull": "5,2",
        "code.1": "B1", "at.1": "S2", "when.1": "08:50", "code.2": "B2", "at.2": "S2", "when.2": "09:20", "how.2": "change over",
    }  # fmt: skip
    assert told(fields, ATTACH, BOND) == [
        ("1 attach starts", "01 06:30"), ("1 attach ends", "01 07:10"), ("B1 is put on S2", "01 07:50"), ("2 bond starts", "01 08:00"),
        ("S2 changes over to B2", "01 08:20"), ("2 bond ends", "01 08:45"),
    ]  # fmt: skip


def test_an_earlier_hour_is_the_next_day_s() -> None:
    fields = {"station.a": "S1", "start.a": "22:30", "end.a": "23:50", "station.b": "S2", "start.b": "00:20", "end.b": "01:00"}
    assert [at for _, at in told(fields, ATTACH, BOND)] == ["01 21:30", "01 22:50", "01 23:20", "02 00:00"]


def test_an_hour_that_comes_twice_goes_on_from_the_time_before() -> None:
    """02:00 NDT (UTC-2:30) became 01:00 NST (UTC-3:30): IANA time zone database."""
    fields = {"station.a": "S1", "start.a": "01:10", "end.a": "01:50", "station.b": "S2", "start.b": "01:20", "end.b": "2026-11-01 01:40"}
    found = entries("L1", [ATTACH, BOND], fields, date(2026, 11, 1), "America/St_Johns")
    assert [f"{entry.told.at:%d %H:%M}" for entry in found] == ["01 03:40", "01 04:20", "01 04:50", "01 05:10"]


@pytest.mark.parametrize("at", ["02:30", "2026-03-29 02:30"])
def test_an_hour_that_clocks_were_set_forward_over_is_no_time(at: str) -> None:
    """02:00 CET (UTC+1) became 03:00 CEST (UTC+2): IANA time zone database."""
    fields = {"station.a": "S1", "start.a": at, "end.a": "04:00"}
    with pytest.raises(BadInput) as caught:
        entries("L1", [ATTACH], fields, date(2026, 3, 29), "Europe/Vienna")
    reason = caught.value.reasons[0]
    assert (reason.where, reason.why) == ("start.a", "No clock in Europe/Vienna showed 02:30 on 2026-03-29: clocks were set forward over it.")
    assert told(fields | {"start.a": "03:00"}, ATTACH)[0][0] == "1 attach starts"


def test_a_step_that_runs_already_asks_for_its_end_alone() -> None:
    running = SheetStep(1, "N-01-X", ATTACH.step, begun_at="S9")
    entry = entries("L1", [running], {"end.a": "10:00"}, DAY, "UTC")[0]
    assert (entry.told.verb, entry.told.station, entry.told.at) == ("finish", "S9", datetime(2026, 3, 1, 10, tzinfo=UTC))


def test_counts_and_values_go_with_the_end() -> None:
    fields = {"station.c": "S3", "start.c": "10:00", "end.c": "11:00", "units.c": "9520", "u.c": "15"}
    cut = entries("L1", [CUT], fields, DAY, "UTC")[1].told
    assert (cut.verb, cut.counted) == ("singulate", (9520, "weight", 15.0))
    fields = {"station.b": "S2", "start.b": "9:00".zfill(5), "end.b": "09:45", "value.b.pull": "5,2"}
    assert [(value.name, value.value, value.unit) for value in entries("L1", [BOND], fields, DAY, "UTC")[1].told.values] == [("pull", 5.2, "gf")]


def test_everything_that_is_wrong_is_said_at_its_field() -> None:
    fields = {"start.a": "half past", "end.a": "08:00", "station.b": "", "start.b": "09:00", "value.b.pull": "x", "end.b": "10:00", "when.1": "11:00"}
    with pytest.raises(BadInput) as caught:
        entries("L1", [ATTACH, BOND], fields, DAY, "UTC")
    assert {reason.where for reason in caught.value.reasons} == {"start.a", "station.a", "station.b", "value.b.pull", "code.1", "at.1"}


@pytest.mark.parametrize(("field", "typed"), [("units.c", "9,520"), ("units.c", "nan"), ("units.c", "1e3"), ("units.c", "9520.5"), ("u.c", "1_5"),
                                             ("start.c", "0001-01-01 00:10"), ("end.c", "9999-12-31 23:50")])  # fmt: skip
def test_a_number_that_may_be_another_is_not_taken_and_neither_is_a_time_past_all_times(field: str, typed: str) -> None:
    """9,520 by weight were nine and a half units, and so ten."""
    fields = {"station.c": "S3", "start.c": "10:00", "end.c": "11:00", "units.c": "9520", "u.c": "15"} | {field: typed}
    zone = "America/St_Johns" if "9999" in typed else "Europe/Vienna"
    with pytest.raises(BadInput) as caught:
        entries("L1", [CUT], fields, DAY, zone)
    assert {reason.where for reason in caught.value.reasons} == {field}

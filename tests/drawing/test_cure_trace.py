"""The cure trace as a picture: no extreme is lost, gaps stay gaps, times stand where they belong, pins don't hide each other."""

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.drawing.cure_trace import LEFT, RIGHT, WIDTH, Pin, SensorLine, TraceChart, cure_trace, thinned, time_marks

START = 1_772_409_600.0  # 2026-03-02 00:00 UTC
HOUR = 3600.0


def line(times: list[float], temps: list[float], name: str = "T1") -> SensorLine:
    return SensorLine(name, [(np.array(times), np.array(temps))])


def chart(*sensors: SensorLine, **more: object) -> TraceChart:
    values: dict[str, object] = {
        "title": "Shelf 1", "description": "words", "start": START, "end": START + 2 * HOUR, "low_c": 20.0, "high_c": 180.0, "band": (165.0, 175.0),
        "set_point_c": 170.0, "door_closed": START + 600, "door_open": START + 6600, "sensors": sensors, "zone": "Europe/Vienna",
    }  # fmt: skip
    return TraceChart(**(values | more))  # type: ignore[arg-type]


def x_of(at: float) -> float:
    return LEFT + (WIDTH - LEFT - RIGHT) * (at - START) / (2 * HOUR)


def every(svg: str, tag: str, kind: str) -> list[ElementTree.Element]:
    found = ElementTree.fromstring(svg).findall(f".//{{*}}{tag}")
    return [one for one in found if kind in (one.get("class") or "").split()]


@given(st.integers(2000, 6000), st.integers(5, 200), st.integers(0, 2**32 - 1))
def test_thinning_keeps_the_least_and_greatest_of_every_pixel(samples: int, pixels: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    times = np.sort(random.uniform(0, 1000, samples))
    temps = random.normal(100, 20, samples)
    few_times, few_temps = thinned(times, temps, 0, 1000, pixels)
    assert len(few_times) <= max(2 * pixels + 2, 4 * pixels) and (np.diff(few_times) >= 0).all()
    assert (few_times[0], few_times[-1]) == (times[0], times[-1])
    pixel, few = np.floor(times / 1000 * pixels), np.floor(few_times / 1000 * pixels)
    for one in np.unique(pixel):
        assert few_temps[few == one].min() == temps[pixel == one].min()
        assert few_temps[few == one].max() == temps[pixel == one].max()


def test_a_spike_of_one_sample_in_a_day_of_seconds_is_still_drawn() -> None:
    times = START + np.arange(0, 2 * HOUR, 0.25)
    temps = np.full(len(times), 170.0)
    temps[12345] = 178.0
    svg = cure_trace(chart(SensorLine("T1", [(times, temps)])))
    points = re.findall(r"([\d.]+) ([\d.]+)", every(svg, "path", "sensor")[0].get("d", ""))
    assert len(points) < 4 * WIDTH
    highest = min(points, key=lambda point: float(point[1]))
    assert float(highest[0]) == pytest.approx(x_of(float(times[12345])), abs=0.1)


def test_a_gap_breaks_the_line_and_is_named() -> None:
    pieces = [(np.array([START, START + 600]), np.array([25.0, 80.0])), (np.array([START + 3000, START + 7200]), np.array([170.0, 170.0]))]
    svg = cure_trace(chart(SensorLine("T1", pieces), gaps=[(START + 600, START + 3000, "T1: no reading")]))
    assert every(svg, "path", "sensor")[0].get("d", "").count("M") == 2
    (gap,) = every(svg, "rect", "gap")
    assert float(gap.get("x", "")) == pytest.approx(x_of(START + 600), abs=0.1) and gap[0].text == "T1: no reading"


def test_band_soak_and_doors_stand_where_they_belong() -> None:
    svg = cure_trace(chart(line([START, START + 7200], [20, 180]), soak=(START + 1800, START + 5400)))
    (band,) = every(svg, "rect", "band")
    (sensor,) = (one for one in every(svg, "path", "line1") if "L" in one.get("d", ""))
    lower, upper = (float(y) for _, y in re.findall(r"([\d.]+) ([\d.]+)", sensor.get("d", "")))  # 20 and 180 degrees
    at = {temp: lower + (upper - lower) * (temp - 20) / 160 for temp in (165, 175)}
    assert float(band.get("y", "")) == pytest.approx(at[175], abs=0.1)
    assert float(band.get("y", "")) + float(band.get("height", "")) == pytest.approx(at[165], abs=0.2)
    (soak,) = every(svg, "path", "soak")
    begin, end = re.findall(r"[MH]([\d.]+)", soak.get("d", ""))
    assert (float(begin), float(end)) == pytest.approx((x_of(START + 1800), x_of(START + 5400)), abs=0.1)
    doors = [float(re.findall(r"M([\d.]+)", one.get("d", ""))[0]) for one in every(svg, "path", "door")]
    assert doors == pytest.approx([x_of(START + 600), x_of(START + 6600)], abs=0.1)
    assert ">soak 60.0 min<" in svg and ">load starts, door closed<" in svg and ">load ends, door open<" in svg
    running = cure_trace(chart(line([START], [20]), door_open=None))
    assert len(every(running, "path", "door")) == 1 and "load ends" not in running


def test_pins_at_one_time_lie_above_one_another() -> None:
    pins = [Pin(1, START + 600, START + 600, "1: rose"), Pin(2, START + 640, START + 5000, "2: gap"), Pin(3, START + 6000, START + 6000, "3: fell")]
    svg = cure_trace(chart(line([START], [20]), pins=pins))
    heads = [re.findall(r"M([\d.]+) (\d+)", one.get("d", ""))[0] for one in every(svg, "path", "head")]
    assert [float(x) + 4 for x, _ in heads] == pytest.approx([x_of(pin.at_from) for pin in pins], abs=0.2)
    assert heads[0][1] != heads[1][1] and heads[2][1] == heads[0][1]
    assert [one[0].text for one in every(svg, "g", "pin")] == ["1: rose", "2: gap", "3: fell"]


def test_names_at_the_right_do_not_lie_over_one_another() -> None:
    svg = cure_trace(chart(*(line([START, START + 7200], [20, 100 + n / 10], f"T{n}") for n in range(6))))
    names = [one for one in ElementTree.fromstring(svg).findall("{*}text") if re.fullmatch(r"T\d", one.text or "")]
    ys = sorted(float(one.get("y", "")) for one in names)
    assert len(ys) == 6 and min(np.diff(ys)) >= 14


def test_the_picture_has_title_and_description_and_names_can_t_break_it() -> None:
    svg = ElementTree.fromstring(cure_trace(chart(line([START], [20], "<T&>"), title="A <b>", description="says & means")))
    assert (svg[0].text, svg[1].text, svg.get("role")) == ("A <b>", "says & means", "img")


def test_marks_of_time_are_round_on_the_site_s_own_clock() -> None:
    vienna = time_marks(START, START + 2 * HOUR, "Europe/Vienna")  # UTC + 1
    assert [words for _, words in vienna] == [f"{1 + n // 6:02}:{n % 6}0" for n in range(13)] and vienna[0][0] == START
    kathmandu = [words for _, words in time_marks(START, START + 6 * HOUR, "Asia/Kathmandu")]  # UTC + 5:45
    assert kathmandu[:3] == ["06:00", "06:30", "07:00"]

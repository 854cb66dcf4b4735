"""The flow picture: nothing lies on anything else, ribbons share their bars, and what is drawn is what was given."""

import re
from itertools import pairwise
from random import Random
from xml.etree import ElementTree

import pytest

from app.drawing.flow import PITCH, Bar, Drawn, Ribbon, Stage, flow_picture, shortened

SVG = "{http://www.w3.org/2000/svg}"
_RIBBON = re.compile(r"M([\d.]+) ([\d.]+)C[\d. ]+ ([\d.]+) ([\d.]+)V([\d.]+)C[\d. ]+ ([\d.]+) ([\d.]+)z")


def drawn(stages: int, bars: list[Bar], ribbons: list[Ribbon]) -> tuple[Drawn, ElementTree.Element]:
    picture = flow_picture([Stage(f"Stage {n}") for n in range(stages)], bars, ribbons, "a title", "a description")
    return picture, ElementTree.fromstring(picture.svg)


def many(seed: int, stages: int = 6, most: int = 13) -> tuple[list[Bar], list[Ribbon]]:
    random = Random(seed)
    bars = [
        Bar(f"{stage}-{n}", stage, f"L26-{stage:03d}{n:03d}-{'X' * random.randint(0, 60)}", "up to 1,000 · words " * random.randint(1, 4), "/x",
            random.choice([0, 1, 40, 9000]), random.choice([0, 1]), random.choice(["one", "group", "rest"]), random.random() < 0.2)
        for stage in range(stages) for n in range(random.randint(1, most))
    ]  # fmt: skip
    ribbons = {
        (a.key, b.key): Ribbon(a.key, b.key, random.randint(1, 9000))
        for a, b in ((random.choice(bars), random.choice(bars)) for _ in range(80)) if a.stage < b.stage
    }  # fmt: skip
    return bars, list(ribbons.values())


@pytest.mark.parametrize("seed", range(8))
def test_no_bar_or_text_lies_on_another(seed: int) -> None:
    bars, ribbons = many(seed)
    _, svg = drawn(6, bars, ribbons)
    hits = [one for one in svg.iter(f"{SVG}rect") if one.get("class") == "hit"]
    slots = sorted((float(one.get("x", 0)), float(one.get("y", 0)), float(one.get("height", 0))) for one in hits)
    assert len(slots) == len(bars)
    for (x, y, height), (other_x, other_y, _) in pairwise(slots):
        assert x != other_x or y + height < other_y, "two bars of a stage lie on one another"
    height = float(svg.get("height", 0))
    for text in svg.iter(f"{SVG}text"):
        assert 0 < float(text.get("y", 0)) < height
    for x, y, tall in slots:
        inside = [text for text in svg.iter(f"{SVG}text") if x < float(text.get("x", 0)) < x + PITCH and y <= float(text.get("y", 0)) <= y + tall]
        assert len(inside) == 2, "the two lines of a bar stand beside it, and no others"


@pytest.mark.parametrize("seed", range(8))
def test_no_text_is_longer_than_the_room_beside_its_bar(seed: int) -> None:
    _, svg = drawn(6, *many(seed))
    for text in svg.iter(f"{SVG}text"):
        assert len(text.text or "") <= 34
        if "one" in (text.get("class") or "").split():
            assert len(text.text or "") * 7.3 < PITCH - 30, "letters of one width: 7.3 units at 12"


@pytest.mark.parametrize("seed", range(8))
def test_bars_stand_stage_by_stage_and_each_once(seed: int) -> None:
    bars, ribbons = many(seed)
    picture, _ = drawn(6, bars, ribbons)
    stage = {bar.key: bar.stage for bar in bars}
    assert sorted(picture.order) == sorted(stage)
    assert [stage[key] for key in picture.order] == sorted(stage.values())


def test_ribbons_take_their_share_of_a_bar_and_no_more() -> None:
    bars = [Bar("a", 0, "A", "", "/a", 300), Bar("b", 1, "B", "", "/b", 200), Bar("c", 1, "C", "", "/c", 100)]
    _, svg = drawn(2, bars, [Ribbon("a", "b", 200), Ribbon("a", "c", 100)])
    bar = next(one for one in svg.iter(f"{SVG}rect") if "bar" in (one.get("class") or "").split())
    top, height = float(bar.get("y", 0)), float(bar.get("height", 0))
    ends = sorted((float(m[2]), float(m[7])) for path in svg.iter(f"{SVG}path") if (m := _RIBBON.match(path.get("d", ""))))
    heights = [bottom - upper for upper, bottom in ends]
    assert max(heights) == pytest.approx(2 * min(heights), abs=0.3)
    assert ends[0][0] == pytest.approx(top, abs=0.1)
    assert ends[-1][1] == pytest.approx(top + height, abs=0.2)


def test_a_ribbon_that_passes_a_stage_by_crosses_none_of_its_bars() -> None:
    bars = [Bar("a", 0, "A", "", "/a", 10), Bar("m", 1, "M", "", "/m", 10), Bar("z", 2, "Z", "", "/z", 20)]
    _, svg = drawn(3, bars, [Ribbon("a", "m", 10), Ribbon("m", "z", 10), Ribbon("a", "z", 10)])
    slot = [one for one in svg.iter(f"{SVG}rect") if one.get("class") == "hit"][1]
    top, bottom = float(slot.get("y", 0)), float(slot.get("y", 0)) + float(slot.get("height", 0))
    gap = next(path.get("d", "") for path in svg.iter(f"{SVG}path") if re.fullmatch(r"M[\d.]+ [\d.]+h14v[\d.]+h-14z", path.get("d", "")))
    found = re.match(r"M[\d.]+ ([\d.]+)h14v([\d.]+)", gap)
    assert found is not None
    assert float(found[1]) >= bottom or float(found[1]) + float(found[2]) <= top


def test_three_things_and_what_is_held_are_said_without_colour() -> None:
    bars = [
        Bar("a", 0, "W26-1", "1,000", "/a", 1000, 1000), Bar("b", 1, "P26-1", "held · 400", "/b", 400, 0, is_stopped=True),
        Bar("c", 2, "K26-1", "400", "/c", 400, 400, "subject"),
    ]  # fmt: skip
    picture, svg = drawn(3, bars, [Ribbon("a", "b", 400), Ribbon("b", "c", 400)])
    assert picture.order == ("a", "b", "c")
    assert 'class="octagon"' in picture.svg
    assert [link.get("href") for link in svg.iter(f"{SVG}a")] == ["/a", "/b", "/c"]
    assert (svg.get("role"), svg.find(f"{SVG}title").text) == ("group", "a title")  # type: ignore[union-attr]


def test_what_is_shortened_keeps_the_end_by_which_codes_differ() -> None:
    assert shortened("L26-000001-A", 20) == "L26-000001-A"
    assert shortened("FRAME-2026-AUTUMN-SERIES-000017-X", 15) == "FRAME-202…017-X"

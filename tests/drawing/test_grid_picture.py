"""Pictures of grids: which pixel is which place, there and back, and that each class is told by its pattern as well."""

import io
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from app.drawing.grid_frame import GridFrame, pitch_for
from app.drawing.grid_picture import Over, cut_out, overlay, paint
from app.drawing.looks import COLOURS, LEAST_PITCH, PATTERNS, PLATE, Look, swatch, tile

ways = st.sampled_from((1, -1))
frames = st.builds(
    GridFrame, st.integers(1, 60), st.integers(1, 60), st.integers(-99, 99), st.integers(-99, 99), ways, ways, st.integers(1, 24), st.integers(0, 50)
)


def opened(png: bytes) -> Image.Image:
    return Image.open(io.BytesIO(png)).convert("RGB")


def rgb(colour: str) -> tuple[int, ...]:
    return tuple(bytes.fromhex(colour[1:]))


@given(frames, st.data())
def test_every_pixel_of_a_place_leads_back_to_it(frame: GridFrame, data: st.DataObject) -> None:
    column, row = data.draw(st.integers(0, frame.columns - 1)), data.draw(st.integers(0, frame.rows - 1))
    x, y = frame.at(column, row)
    across, below = frame.pixel_of(x, y)
    inside = data.draw(st.integers(0, frame.pitch - 1)), data.draw(st.integers(0, frame.pitch - 1))
    assert frame.place_at(across + inside[0], below + inside[1]) == (x, y)
    assert frame.column_row(x, y) == (column, row)


@given(frames)
def test_the_margin_is_no_place(frame: GridFrame) -> None:
    for pixel in ((frame.margin - 1, frame.margin), (frame.margin, frame.margin - 1), (frame.width - frame.margin, frame.margin)):
        assert frame.place_at(*pixel) is None


def test_axes_that_grow_leftward_and_upward() -> None:
    frame = GridFrame(columns=3, rows=2, left=2, top=1, right=-1, down=-1, pitch=10, margin=5)
    assert frame.pixel_of(2, 1) == (5, 5) and frame.pixel_of(0, 0) == (25, 15)
    assert frame.place_at(34, 24) == (0, 0)


@given(frames, st.integers(-99, 99), st.integers(-99, 99))
def test_a_close_up_stays_within_the_grid_and_shows_its_places(frame: GridFrame, x: int, y: int) -> None:
    part = frame.around(x, y, 9, 7, 16)
    assert frame.column_row(part.left, part.top) and frame.column_row(*part.at(part.columns - 1, part.rows - 1))
    if frame.column_row(x, y):
        assert part.column_row(x, y)
    keys = np.arange(frame.rows * frame.columns).reshape(frame.rows, frame.columns).astype(np.uint8)
    column, row = frame.column_row(part.left, part.top) or (0, 0)
    assert cut_out(keys, frame, part)[0, 0] == keys[row, column] and cut_out(keys, frame, part).shape == (part.rows, part.columns)


@pytest.mark.parametrize("pitch", [1, 2, 3, 7, 24])
def test_the_pixel_of_each_place_has_its_class_s_colour(pitch: int) -> None:
    looks = [Look(colour, pattern) for colour, pattern in zip(COLOURS, PATTERNS[1:], strict=False)]
    keys = np.random.default_rng(7).integers(0, len(looks) + 1, (11, 13)).astype(np.uint8)
    frame = GridFrame(columns=13, rows=11, left=12, top=-4, right=-1, pitch=pitch)
    picture = opened(paint(keys, looks, frame))
    assert picture.size == (frame.width, frame.height)
    for row in range(11):
        for column in range(13):
            expected = looks[keys[row, column] - 1].colour if keys[row, column] else PLATE
            assert picture.getpixel(frame.pixel_of(*frame.at(column, row))) == rgb(expected)
    assert picture.getpixel((0, 0)) == rgb(PLATE)


@pytest.mark.parametrize("pitch", range(LEAST_PITCH, 25))
def test_no_two_patterns_are_alike_where_they_can_be_seen(pitch: int) -> None:
    tiles = {tile(pattern, pitch).tobytes() for pattern in PATTERNS}
    assert len(tiles) == len(PATTERNS)
    assert all(tile(pattern, pitch)[0, 0] for pattern in PATTERNS)


def _luminance(colour: str) -> float:
    """WCAG 2.2, relative luminance."""
    parts = [value / 255 for value in rgb(colour)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("colour", COLOURS)
def test_every_colour_stands_out_from_the_plate(colour: str) -> None:
    """WCAG 2.2, 1.4.11: 3 to 1 for marks."""
    assert (_luminance(colour) + 0.05) / (_luminance(PLATE) + 0.05) >= 3


def test_the_pitch_makes_a_large_wafer_fit_and_a_small_one_not_too_large() -> None:
    assert (pitch_for(505, 510), pitch_for(10, 10), pitch_for(3000, 2000)) == (2, 24, 1)


def test_the_overlay_shows_notch_origin_axes_and_the_chosen_place() -> None:
    frame = GridFrame(columns=10, rows=10, left=0, top=9, down=-1)
    drawn = overlay(frame, Over(notch="bottom", origin=(0, 0), chosen=(3, 4)))
    svg = ElementTree.fromstring(drawn)
    circle = svg.find("{*}circle")
    assert circle is not None and (float(circle.get("cx", "")), float(circle.get("cy", ""))) == (40 + 12, 40 + 9 * 24 + 12)
    texts = [one.text for one in svg.findall("{*}text")]
    assert texts == ["0", "9", "9", "0", "x", "y", "notch"]
    cursor = svg.find("{*}rect")
    assert cursor is not None and (cursor.get("x"), cursor.get("y")) == (str(40 + 3 * 24 - 3), str(40 + 5 * 24 - 3))


def test_a_place_outside_is_not_marked_and_names_can_t_break_the_picture() -> None:
    svg = ElementTree.fromstring(overlay(GridFrame(2, 2, 0, 0), Over(names=("<x>", "&"), origin=(9, 9), chosen=(9, 9))))
    assert svg.find("{*}circle") is None and svg.find("{*}rect").get("x") == "-102"  # type: ignore[union-attr]


def test_a_swatch_has_its_title() -> None:
    assert ElementTree.fromstring(swatch(Look(COLOURS[0], "ring"), "lost <1>"))[0].text == "lost <1>"

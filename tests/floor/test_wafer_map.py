"""The map of a wafer: which class each die is in, its pixels, its page without script, its list and its numbers."""

import csv
import io
import re
from collections import Counter

import numpy as np
import pytest
from fastapi.testclient import TestClient
from PIL import Image
from small_factory import SYSTEM, Factory

from app.catalogue.definitions import Part
from app.db import House
from app.drawing.looks import PLATE
from app.floor.wafer_picture import VIEWS, WaferPicture, frame_of, wafer_picture
from app.journal.act import act
from app.main import make_app
from app.naming.resolve import Named, resolve
from app.people.tokens import make_token
from app.receiving.die_map import Stated
from app.receiving.die_maps import read_maps
from tests.floor.placing import attached, good_dies, log_of, onto, plain_map, send, wafer
from tests.receiving.map_writing import AXES, ORIGINS, Written

LARGE = 505  # across: a round wafer of some 200,000 dies


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load(("part", Part(number="WB", kind="wafer", role="blue")))


@pytest.fixture
def client(factory: Factory) -> TestClient:
    made: list[str] = []

    def token(session, by):  # type: ignore[no-untyped-def]
        made[:] = [make_token(session, by, "tests", ("operate", "engineer"))[1]]
        return {}

    act(factory.house, SYSTEM, "make_token", {}, token, signed=True)
    return TestClient(make_app(factory.house.settings, factory.house), headers={"Authorization": f"Bearer {made[0]}"}, follow_redirects=False)


def used(factory: Factory) -> tuple[Named, list[Named]]:
    """A wafer of 10 x 10 dies with some of every state: 17 placed, one placed twice, one failing placed, one lost."""
    one, panels = wafer(factory, "A-1"), factory.panels(2)
    attached(factory, panels, one)
    send(factory, log_of(onto(one, panels[0], [*good_dies(18), (3, 0)]) + onto(one, panels[1], good_dies(1)), [(one.code, 9, 9)]))
    return one, panels


def picture_of(factory: Factory, one: Named, view: str = "use") -> WaferPicture:
    with factory.house.reading() as session:
        return wafer_picture(session, one, "bin" if view == "bin" else "use")


def opened(png: bytes) -> Image.Image:
    return Image.open(io.BytesIO(png)).convert("RGB")


def colour(text: str) -> tuple[int, ...]:
    return tuple(bytes.fromhex(text[1:]))


def test_each_die_is_in_the_gravest_state_that_is_true_of_it(factory: Factory) -> None:
    one, _ = used(factory)
    picture = picture_of(factory, one)
    assert {one.name: one.count for one in picture.classes} == {"left": 78, "placed": 17, "lost": 1, "wrongly used": 2, "failing": 2}
    at = {name: picture.states[row, column] for name, (column, row) in {"twice": (0, 0), "failing": (3, 0), "lost": (9, 9), "left": (5, 5)}.items()}
    assert at == {"twice": 4, "failing": 4, "lost": 3, "left": 1}
    assert {one.key: one.count for one in picture_of(factory, one, "bin").classes} == {"bin-1": 97, "bin-2": 3}


@pytest.mark.parametrize("origin", ORIGINS)
@pytest.mark.parametrize("axis", AXES)
@pytest.mark.parametrize("orientation", [0, 90, 180, 270])
def test_the_frame_puts_every_die_where_a_person_sees_it(origin: str, axis: str, orientation: int) -> None:
    written = Written(((".", "1", "1"), ("1", "a", "A")), origin, axis, orientation)
    (die_map,) = read_maps(written.e142().encode(), "map.xml", Stated())
    frame = frame_of(die_map)
    seen = [[die_map.bin_at(*frame.at(column, row)) for column in range(3)] for row in range(2)]
    assert [[one.code if one else "." for one in line] for line in seen] == [list(line) for line in written.picture]


@pytest.mark.parametrize("view", VIEWS)
def test_a_wafer_of_200_000_dies_comes_in_as_a_file_and_every_pixel_is_right(factory: Factory, client: TestClient, view: str) -> None:
    across, below = np.meshgrid(np.arange(LARGE), np.arange(LARGE))
    is_die = (across - LARGE // 2) ** 2 + (below - LARGE // 2) ** 2 <= (LARGE / 2) ** 2
    codes = np.where(is_die, np.where((across * 7 + below * 13) % 31 == 0, "x", "1"), ".")
    sent = Written(tuple(map(tuple, codes.tolist())), "LowerLeft", "UpRight").e142()
    answer = client.post("/api/v1/wafers", data={"part": "WR"}, files={"files": ("big.xml", sent.encode())}, headers={"Idempotency-Key": "big"})
    received = answer.json()["wafers"][0]
    assert received["gross"] == int(is_die.sum()) > 200_000
    picture = opened(client.get(f"/wafers/{received['wafer']}/map.png?view={view}").content)
    shown = {one.key: one for one in picture_of(factory, _named(factory, received["wafer"]), view).classes}
    passing, failing = ("left", "failing") if view == "use" else ("bin-1", "bin-x")
    frame = picture_of(factory, _named(factory, received["wafer"]), view).frame
    assert picture.size == (frame.width, frame.height)
    expected = np.where(codes == ".", "", np.where(codes == "1", passing, failing))
    corner = frame.pixel_of(frame.left, frame.top)
    pixels = np.asarray(picture)[corner[1] :: frame.pitch, corner[0] :: frame.pitch][:LARGE, :LARGE]
    for key in (passing, failing):
        assert (pixels[expected == key] == colour(shown[key].look.colour)).all()
        assert shown[key].count == np.count_nonzero(expected == key)
    assert (pixels[expected == ""] == colour(PLATE)).all()
    assert frame.pixel_of(0, 0) == (frame.margin, frame.margin + (LARGE - 1) * frame.pitch)  # x to the right, y upward from the lower left


def test_one_class_alone_leaves_the_others_dim(factory: Factory, client: TestClient) -> None:
    one, _ = used(factory)
    frame = picture_of(factory, one).frame
    picture = opened(client.get(f"/wafers/{one.code}/map.png?only=lost").content)
    lost = next(each.look.colour for each in picture_of(factory, one).classes if each.key == "lost")
    corners = {(x, y): picture.getpixel(frame.pixel_of(x, y)) for x in range(10) for y in range(10)}
    assert [place for place, pixel in corners.items() if pixel == colour(lost)] == [(9, 9)]
    assert len(set(corners.values())) == 2
    refused = client.get(f"/wafers/{one.code}?only=burnt")
    assert refused.status_code == 422 and "Choose one from the legend" in refused.text


def test_a_touch_leads_to_the_die_and_the_die_to_its_cell(factory: Factory, client: TestClient) -> None:
    one, panels = used(factory)
    frame = picture_of(factory, one).frame
    across, below = frame.pixel_of(1, 0)
    touched = client.get(f"/wafers/{one.code}/touched?view=use&only=placed&at.x={across + 3}&at.y={below + 3}")
    assert touched.status_code == 303
    assert touched.headers["location"] == f"/wafers/{one.code}?view=use&only=placed&x=1&y=0#chosen"
    page = client.get(touched.headers["location"]).text
    assert "<h3>Die 1, 0</h3>" in page and f'href="/panels/{panels[0].code}?row=1&amp;column=2#chosen"' in page and "<dd>placed</dd>" in page
    assert f"/exposure?suspect={one.code}&amp;rectangle=1,0,1,0" in page, "one step to the packs that can hold it"
    beside = re.findall(r'href="[^"]*x=(\d+)&amp;y=(\d+)#chosen">(\w+)</a>', page)
    assert beside == [("0", "0", "left"), ("2", "0", "right"), ("1", "1", "below")]
    missed = client.get(f"/wafers/{one.code}/touched?at.x=0&at.y=0")
    assert missed.headers["location"] == f"/wafers/{one.code}?view=use"
    alone = client.get(f"/wafers/{one.code}/chosen?x=0&y=0").text
    assert "<html" not in alone and len(re.findall("data-goes", alone)) == 2 and "<dd>wrongly used</dd>" in alone


def test_a_large_wafer_has_a_close_up_that_is_touched_by_its_own_pixels(factory: Factory, client: TestClient) -> None:
    big = wafer(factory, "B-1", text=plain_map("B-1", size=200))
    page = client.get(f"/wafers/{big.code}?x=100&y=50").text
    close = re.search(r'<div class="grid-map" ([^>]+)>(?:(?!<div).)+name="near"', page, re.S)
    assert close is not None
    data = {name: int(value) for name, value in re.findall(r'data-(\w+)="(-?\d+)"', close[1])}
    across = data["margin"] + (103 - data["left"]) * data["right"] * data["pitch"] + 1
    below = data["margin"] + (48 - data["top"]) * data["down"] * data["pitch"] + 1
    touched = client.get(f"/wafers/{big.code}/touched?x=100&y=50&near.x={across}&near.y={below}")
    assert touched.headers["location"].endswith("x=103&y=48#chosen")
    picture = opened(client.get(f"/wafers/{big.code}/map.png?x=100&y=50&close=up").content)
    assert picture.size == (data["columns"] * data["pitch"] + 2 * data["margin"], data["rows"] * data["pitch"] + 2 * data["margin"])


def test_the_list_has_the_picture_s_order_and_goes_on_by_a_key(factory: Factory, client: TestClient) -> None:
    big = wafer(factory, "B-1", text=plain_map("B-1", size=20))
    path, found = f"/wafers/{big.code}/dies", []
    while path:
        page = client.get(path).text
        found += re.findall(r'<tr><td class="n">(\d+)</td><td class="n">(\d+)</td><td>(\d)</td>', page)
        following = re.search(r'href="([^"]+)" rel="next"', page)
        path = f"/wafers/{big.code}/dies{following[1].replace('&amp;', '&')}" if following else ""
    assert [(int(x), int(y)) for x, y, _ in found] == [(x, y) for y in range(20) for x in range(20)]


def test_every_die_as_csv_and_as_json_says_the_same(factory: Factory, client: TestClient) -> None:
    one, panels = used(factory)
    rows = list(csv.DictReader(io.StringIO(client.get(f"/wafers/{one.code}/dies.csv").text)))
    assert Counter(row["state"] for row in rows) == {"left": 78, "placed": 17, "lost": 1, "wrongly used": 3, "failing": 2}  # one die on two cells
    twice = [row for row in rows if (row["x"], row["y"]) == ("0", "0")]
    assert [(row["panel"], row["row"], row["column"]) for row in twice] == [(panel.code, "1", "1") for panel in panels]
    assert [row["state"] for row in csv.DictReader(io.StringIO(client.get(f"/wafers/{one.code}/dies.csv?only=lost").text))] == ["lost"]
    told = client.get(f"/api/v1/wafers/{one.code}/map").json()
    for row in rows:
        column, line = (int(row["x"]) - told["left"]) * told["right"], (int(row["y"]) - told["top"]) * told["down"]
        assert told["state_names"][int(told["states"][line][column])] == row["state"]
        assert told["bin_table"][told["bins"][line][column]]["code"] == row["die bin"]
    assert (told["notch"], told["origin"]) == ("bottom", [0, 0])
    counts = {row["class"]: row["dies"] for row in csv.DictReader(io.StringIO(client.get(f"/wafers/{one.code}/map.csv").text))}
    assert counts == {"left": "78", "placed": "17", "lost": "1", "wrongly used": "2", "failing": "2"}


def test_dies_used_beyond_the_map_are_said_not_drawn(factory: Factory, client: TestClient) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    attached(factory, panels, one)
    send(factory, log_of(onto(one, panels[0], [*good_dies(19), (50, 50)])))
    assert "Dies used beyond the edge of the map: 1." in client.get(f"/wafers/{one.code}").text


def _named(factory: Factory, code: str) -> Named:
    with factory.house.reading() as session:
        return resolve(session, code, "wafer")

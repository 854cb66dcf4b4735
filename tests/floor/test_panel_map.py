"""The map of a panel: marks by reason, the wafers of a role, from a cell to its dies and back, and what the logs cover."""

import csv
import io
import re
from collections import Counter

import pytest
from fastapi.testclient import TestClient
from PIL import Image
from small_factory import Factory

from app.catalogue.definitions import Part
from app.db import House
from app.floor.marking import mark_cells
from app.floor.panel_picture import PanelPicture, cell_list, panel_picture
from app.naming.resolve import Named
from tests.floor.placing import attached, good_dies, log_of, onto, send, wafer
from tests.floor.test_wafer_map import client, colour  # noqa: F401 (a fixture)


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load(("part", Part(number="WB", kind="wafer", role="blue")))


def picture_of(factory: Factory, panel: Named, view: str = "marks") -> PanelPicture:
    with factory.house.reading() as session:
        return panel_picture(session, panel, view)


def made(factory: Factory) -> tuple[Named, Named, Named]:
    """A panel of 4 x 5 cells: dies of two wafers on 18 of them, a failing one, one cell filled twice, some marks besides. The wafers."""
    one, other, (panel,) = wafer(factory, "A-1"), wafer(factory, "A-2"), factory.panels(1)
    attached(factory, [panel], one)
    lines = onto(one, panel, [*good_dies(9), (3, 0)]) + onto(other, panel, good_dies(8), first=10) + onto(one, panel, good_dies(1, 30), first=17)
    send(factory, log_of(lines))
    factory.do("mark_cells", lambda s, by: mark_cells(s, by, panel.id, [(2, 5), (4, 5), (4, 4)], "scratched"))
    return panel, one, other


def test_marks_and_wafers_are_classes_that_add_up_to_the_cells(factory: Factory) -> None:
    panel, one, other = made(factory)
    marks = picture_of(factory, panel)
    counts = {each.key: each.count for each in marks.classes}
    assert counts == {"good": 16, "scratched": 2, "cell filled twice": 1, "several": 1}
    wafers = {each.key: each.count for each in picture_of(factory, panel, "red").classes}
    assert wafers == {one.code: 10, other.code: 7, "several": 1, "none": 2}
    assert [(each.role, each.cells, each.of) for each in marks.coverage] == [("red", 18, 20)]


def test_every_cell_says_its_marks_and_dies_as_list_page_csv_and_json(factory: Factory, client: TestClient) -> None:  # noqa: F811
    panel, one, other = made(factory)
    with factory.house.reading() as session:
        cells = cell_list(session, panel_picture(session, panel))
    assert [(cell.row, cell.column) for cell in cells] == [(row, column) for row in range(1, 5) for column in range(1, 6)]
    assert set(cells[9].marks) == {"die failed", "scratched"} and {die.wafer for die in cells[17].dies} == {other.code, one.code}
    told = client.get(f"/api/v1/panels/{panel.code}/cells").json()
    assert [(cell["row"], cell["column"], len(cell["dies"])) for cell in told] == [(cell.row, cell.column, len(cell.dies)) for cell in cells]
    rows = list(csv.DictReader(io.StringIO(client.get(f"/panels/{panel.code}/cells.csv").text)))
    assert Counter(row["wafer"] for row in rows) == {one.code: 11, other.code: 8, "": 2}
    page = client.get(f"/panels/{panel.code}/cells?only=scratched").text
    assert re.findall(r'<tr><td class="n">(\d)</td><td class="n">(\d)</td>', page) == [("4", "4"), ("4", "5")]


def test_from_a_cell_to_its_die_and_back(factory: Factory, client: TestClient) -> None:  # noqa: F811
    panel, one, _ = made(factory)
    frame = picture_of(factory, panel).frame
    across, below = frame.pixel_of(2, 1)
    touched = client.get(f"/panels/{panel.code}/touched?view=red&at.x={across + 5}&at.y={below + 5}")
    assert touched.headers["location"] == f"/panels/{panel.code}?view=red&column=2&row=1#chosen"
    page = client.get(touched.headers["location"]).text
    there = re.search(r'data-goes href="([^"]+)"', page)
    assert there is not None and there[1] == f"/wafers/{one.code}?x=1&amp;y=0#chosen"
    back = client.get(there[1].replace("&amp;", "&")).text
    assert f'href="/panels/{panel.code}?row=1&amp;column=2#chosen"' in back
    assert client.get(f"/panels/{panel.code}?row=5&column=1").status_code == 422


def test_the_pixel_of_a_cell_has_the_colour_of_its_class(factory: Factory, client: TestClient) -> None:  # noqa: F811
    panel, _, _ = made(factory)
    for view in ("marks", "red"):
        picture = picture_of(factory, panel, view)
        drawn = Image.open(io.BytesIO(client.get(f"/panels/{panel.code}/map.png?view={view}").content)).convert("RGB")
        for row in range(1, 5):
            for column in range(1, 6):
                look = picture.classes[picture.keys[row - 1, column - 1] - 1].look
                assert drawn.getpixel(picture.frame.pixel_of(column, row)) == colour(look.colour)


def test_a_panel_without_logs_or_marks_has_its_map(factory: Factory, client: TestClient) -> None:  # noqa: F811
    (panel,) = factory.panels(1)
    page = client.get(f"/panels/{panel.code}?row=1&column=1").text
    assert "Good: no mark." in page and "No placement log in force names a die here." in page

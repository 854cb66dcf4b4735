"""A form says what its action stopped by itself, as the terminal does: whoever has the magazine in hand must hear of it."""

import pytest

from app.db import House
from app.naming.resolve import code_of
from tests.board.line import line, lot, run
from tests.small_factory import Factory
from tests.stories.test_pages import Browser, browser  # noqa: F401


@pytest.fixture
def factory(house: House) -> Factory:
    return line(house)


def test_a_value_out_of_its_limits_is_told_with_the_hold_that_it_places(house: House, browser: Browser, factory: Factory) -> None:  # noqa: F811
    for pull, is_held in (("5.0", False), ("1.5", True)):
        panels = lot(factory, 2)
        run(factory, "Plasma", panels)
        number = factory.start("Bond 1", panels)
        with house.reading() as session:
            code = code_of(session, "run", number)
        browser.get("/do/act?call=/runs/{run}/finish")
        page = browser.post("/do/act", call="/runs/{run}/finish", run=code, values=f"pull {pull} gf")
        assert browser.page.status_code == 200 and "Done:" in page
        assert ("was placed by itself: pull is 1.5 gf; it must be at least 3." in page) is is_held

"""The board in a real browser: it renews itself, works without script, and its shift report prints on one page."""

from typing import Any

import pypdfium2
import pytest

from app.journal.sealing import seal
from tests.browser.conftest import Visits
from tests.browser.staging import Stage

pytestmark = [pytest.mark.browser, pytest.mark.only_on("sqlite")]


def test_a_lot_that_is_started_appears_while_the_board_is_watched(stage: Stage, visit: Visits) -> None:
    factory = stage.factory
    with visit("Lea", size="desk") as walk:
        walk.go("/board")
        walk.page.get_by_text("It renews itself.").wait_for()
        lots = walk.page.locator(".counts dd").first
        before = int(lots.inner_text())
        factory.lot(factory.panels(1))
        walk.page.locator(f".counts div:first-child dd:text-is('{before + 1}')").wait_for()
        assert walk.wrong == []


def test_without_script_it_loads_itself_anew(stage: Stage, visit: Visits) -> None:
    with visit("Lea", size="desk", script=False) as walk:
        walk.go("/board")
        assert 'http-equiv="refresh"' in walk.page.content()
        assert walk.page.locator(".rows tbody tr").count() >= 4


def test_the_shift_report_prints_on_one_page_of_a4(stage: Stage, visit: Visits, tmp_path: Any) -> None:
    seal(stage.factory.house)  # the server's timer may not have come round yet
    with visit("Lea", size="desk") as walk:
        walk.go("/board/shift")
        walk.page.pdf(path=tmp_path / "shift.pdf", format="A4")
    document = pypdfium2.PdfDocument(tmp_path / "shift.pdf")
    words = document[0].get_textpage().get_text_range()
    assert len(document) == 1
    assert "Newest seal of the journal" in words
    assert "Sign out" not in words

"""The browser of the tests itself: it shows a page, and a page that never answers ends in time."""

import pytest
from playwright.sync_api import Page

from tests.chromium import TookTooLong, time_limit

pytestmark = pytest.mark.browser


def test_a_page_is_shown_at_the_terminals_size(page: Page) -> None:
    page.set_content("<title>Ready</title><h1>Ready</h1>")
    assert page.title() == "Ready"
    assert page.evaluate("[innerWidth, innerHeight]") == [1024, 600]


def test_a_script_that_never_ends_is_cut_short(page: Page) -> None:
    page.set_content("<h1>Wait</h1>")
    with pytest.raises(TookTooLong), time_limit(1):
        page.evaluate("() => new Promise(() => {})")


def test_a_page_still_works_after_another_was_cut_short(page: Page) -> None:
    page.set_content("<h1>Again</h1>")
    assert page.inner_text("h1") == "Again"

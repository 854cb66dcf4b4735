"""One staged factory on a real server for each file of walks; visits that record every request to another host."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import TYPE_CHECKING

import pytest

from app.db import House
from tests.browser.staging import Stage, serving, staged
from tests.browser.visits import Visit, visiting

if TYPE_CHECKING:
    from playwright.sync_api import Browser

Visits = Callable[..., AbstractContextManager[Visit]]


@pytest.fixture(scope="module")
def stage(fresh_house: Callable[..., AbstractContextManager[House]], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with fresh_house(tmp_path_factory.mktemp("stage")) as house, serving(staged(house)) as one:
        yield one


@pytest.fixture
def visit(browser: "Browser", stage: Stage) -> Visits:
    """`with visit("Ola", size="terminal", scheme="dark", script=False) as walk:` someone at a screen, signed in by keyboard."""

    @contextmanager
    def as_somebody(name: str, **how: object) -> Iterator[Visit]:
        with visiting(browser, stage, **how) as one:  # type: ignore[arg-type]
            one.sign_in(name)
            yield one
        assert one.elsewhere == [], "a page asked another host for something"

    return as_somebody

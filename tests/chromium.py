"""The browser for the tests: the system's Chromium, driven by Playwright, within a time limit."""

import shutil
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from playwright.sync_api import Browser, sync_playwright

MISSING = "Chromium is not installed: install the packages `chromium` and `fonts-noto-cjk` to run these tests"
SECONDS = 90  # axe never ends where script is off, and a page may wait for what never comes
FLAGS = (
    "no-first-run", "disable-background-networking", "disable-component-update", "disable-sync", "disable-quic", "disable-gpu",
    "host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",  # other hosts are not there
)  # fmt: skip


class TookTooLong(Exception):
    """A browser test that did not end in time."""


def program() -> str | None:
    return next((found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None)


@contextmanager
def running() -> Iterator[Browser]:
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=program(), args=[f"--{flag}" for flag in FLAGS])
        yield browser
        browser.close()


@contextmanager
def time_limit(seconds: int = SECONDS) -> Iterator[None]:
    def stop(_signal: int, _frame: Any) -> None:
        raise TookTooLong(f"not done in {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)

"""Somebody at a screen: types, scans and presses keys; the pages answer. Nothing is clicked unless a test says so."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from playwright.sync_api import Browser, Page, Request

from tests.browser.staging import PASSWORD, Stage

SIZES = {"terminal": (1024, 600), "desk": (1920, 1080), "phone": (390, 844)}
SCHEMES = ("light", "dark")


@dataclass
class Visit:
    stage: Stage
    page: Page
    elsewhere: list[str] = field(default_factory=list)  # what the pages asked of other hosts
    wrong: list[str] = field(default_factory=list)  # what the browser's console complained of

    def go(self, path: str) -> "Visit":
        self.page.goto(self.stage.url + path)
        return self

    def at(self, size: str) -> None:
        """The same page on a screen of another size."""
        width, height = SIZES[size]
        self.page.set_viewport_size({"width": width, "height": height})

    def sign_in(self, name: str) -> None:
        self.go("/sign-in")
        self.type(self.stage.badges[name])
        self.page.keyboard.press("Tab")
        self.page.keyboard.type(PASSWORD)
        self.enter()

    def scan(self, code: str) -> str:
        """A scanner types 2 ms a key and ends with Enter. The heading of what the page answers."""
        self.type(code)
        return self.enter()

    def type(self, text: str) -> None:
        """Into the field that has the focus, as fast as a scanner."""
        self._focus_is_on("INPUT")
        self.page.keyboard.type(text, delay=2)

    def _focus_is_on(self, *tags: str) -> None:
        """The browser gives a new page's field the focus a moment after it was loaded: nobody scans, or presses a key, as fast as that."""
        for _ in range(500):
            if self.page.evaluate("document.activeElement.tagName") in tags:
                return
            self.page.wait_for_timeout(20)  # sleep would hold up the requests that this very thread lets through
        raise AssertionError(f"nothing of {', '.join(tags)} has the focus at {self.page.url}")

    def enter(self) -> str:
        self._focus_is_on("INPUT", "TEXTAREA", "SELECT", "BUTTON", "A")
        return self.answered(lambda: self.page.keyboard.press("Enter"))

    def answered(self, act: Callable[[], object]) -> str:
        """Does something, and waits for the page that answers: a new one, or new content in the place of the old."""
        self.page.evaluate("document.querySelector('main').dataset.old = 'yes'")
        act()
        self.page.wait_for_selector("html:not([data-sending]) main:not([data-old])", state="attached")
        return self.heading

    @property
    def heading(self) -> str:
        return self.page.inner_text("h1")

    @property
    def said(self) -> str:
        return self.page.inner_text(".said")

    @property
    def main(self) -> str:
        return self.page.inner_text("main")

    def field(self) -> str:
        """Which field has the focus when the page has come up."""
        self._focus_is_on("INPUT")
        return self.focused()

    def focused(self) -> str:
        return str(self.page.evaluate("document.activeElement.name || document.activeElement.textContent.trim()"))

    def tab_to(self, name: str, most: int = 60) -> None:
        """Tab until the field of that name, or the link or button of that text, has the focus."""
        for _ in range(most):
            self.page.keyboard.press("Tab")
            if self.focused() == name:
                return
        raise AssertionError(f"{name} can't be reached by Tab from here")


@contextmanager
def visiting(
    browser: Browser, stage: Stage, *, size: str = "terminal", scheme: str = "light", script: bool = True, scale: float = 1
) -> Iterator[Visit]:
    width, height = SIZES[size]
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme="dark" if scheme == "dark" else "light", java_script_enabled=script,
        device_scale_factor=scale,
    )
    context.set_default_timeout(15_000)
    one = Visit(stage, context.new_page())

    def note(request: Request) -> None:
        if not request.url.startswith(f"{stage.url}/"):
            one.elsewhere.append(request.url)

    context.on("request", note)  # listening only: where requests are routed, each is stopped and nothing is cached, a quarter of a page's cost
    one.page.on("console", lambda message: one.wrong.append(message.text) if message.type == "error" else None)
    one.page.on("pageerror", lambda error: one.wrong.append(str(error)))
    yield one
    context.close()

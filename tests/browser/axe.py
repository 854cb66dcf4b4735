"""What axe finds wrong with a page that is shown, in light or dark."""

from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

# of what is right axe tells one node a rule, not all of them: that was most of what it sent
_RULES: dict[str, dict[str, Any]] = {
    "light": {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"], "resultTypes": ["violations"]},
    # the same page but for its colours
    "dark": {"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}, "resultTypes": ["violations"]},
}
_SCRIPT = Axe().axe_script


def violations(page: Page, scheme: str) -> list[str]:
    if not page.evaluate("'axe' in window"):
        page.evaluate(_SCRIPT)  # half a megabyte: once a page
    found = page.evaluate("options => axe.run(options)", _RULES[scheme])["violations"]
    return [f"{scheme}: {wrong['id']}: {node['html'][:120]}" for wrong in found for node in wrong["nodes"]]

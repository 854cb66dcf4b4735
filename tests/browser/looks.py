"""What is wrong with how a page looks: in both schemes and at three sizes, of a page that is loaded once."""

from tests.browser.axe import violations
from tests.browser.visits import SCHEMES, SIZES, Visit

_TOO_SMALL = """() => [...document.querySelectorAll("a, button, select, input:not([type=hidden])")]
    .filter(one => !one.matches(".skip, [type=checkbox]") && one.checkVisibility())
    .map(one => [one.textContent.trim() || one.name, one.getBoundingClientRect()])
    .filter(([_, box]) => box.height < 48 || box.width < 48).map(([name, box]) => `${name} ${box.width}x${box.height}`)"""
_TOO_WIDE = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
_IS_FLOOR = "document.body.classList.contains('floor')"


def faults(walk: Visit, path: str, *, gloves: bool | None = None) -> list[str]:
    """axe finds something; it is wider than a screen; something is too small for a gloved finger (`gloves`: by itself on a page of the floor).

    No script of ours asks for the screen's size or scheme as a page comes up, so what is loaded once shows at each of them what it would
    show if it were loaded there: `test_no_script_asks_for_the_screen`.
    """
    found = []
    walk.go(path)
    for scheme in SCHEMES:
        walk.page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
        found += [f"{path} {wrong}" for wrong in violations(walk.page, scheme)]
    gloves = walk.page.evaluate(_IS_FLOOR) if gloves is None else gloves
    for name in SIZES:
        walk.at(name)
        if walk.page.evaluate(_TOO_WIDE) > 0:
            found.append(f"{path} is too wide for the {name}")
        if gloves:
            found += [f"{path} {name}: {small}" for small in walk.page.evaluate(_TOO_SMALL)]
    walk.at("terminal")
    return found

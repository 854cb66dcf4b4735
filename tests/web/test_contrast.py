"""The stylesheet's colours against their grounds, in both schemes: WCAG 2.2, success criteria 1.4.3 (text) and 1.4.11 (marks)."""

import re
from itertools import product

import pytest

from app.web.rendering import TEMPLATES

STYLE = (TEMPLATES.parent / "app" / "static" / "reelroot.css").read_text(encoding="utf-8")
LIGHT, DARK = (dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{3,6});", block)) for block in re.findall(r":root {(.*?)}", STYLE, flags=re.DOTALL)[:2])
SCHEMES = {"light": LIGHT, "dark": LIGHT | DARK}
TEXT = ("ink", "soft", "accent", "go", "care", "stop")
MARKS = ("go-fill", "care-fill", "stop-fill", "soft", "accent")  # shapes, edges of fields, the ring of the focus


def luminance(colour: str) -> float:
    """Relative luminance, https://www.w3.org/TR/WCAG22/#dfn-relative-luminance"""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio, https://www.w3.org/TR/WCAG22/#dfn-contrast-ratio"""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_what_the_standard_says() -> None:
    """Black on white is 21:1; #767676 is the lightest grey that passes 4.5:1 on white, as WebAIM's table of contrasts has it."""
    assert contrast("#000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#fff") >= 4.5 > contrast("#777777", "#fff")


@pytest.mark.parametrize("scheme", SCHEMES)
def test_text_and_marks_stand_out_from_every_ground(scheme: str) -> None:
    colours = SCHEMES[scheme]
    least = {**dict.fromkeys(MARKS, 3.0), **dict.fromkeys(TEXT, 4.5)}
    pairs = [(name, ground, least[name]) for name, ground in product(least, ("ground", "sheet"))] + [("on-accent", "accent", 4.5)]
    weak = [(name, ground, round(ratio, 2)) for name, ground, needs in pairs if (ratio := contrast(colours[name], colours[ground])) < needs]
    assert weak == []

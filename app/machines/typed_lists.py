"""Lists as people type them into a form: one per line, or with what a row of values is parted by."""

import re


def with_blanks_in(text: str) -> list[str]:
    """Other people's numbers: one with blanks is not torn apart."""
    return _all_of(re.split(r"[,\n]", text))


def rows_in(text: str, columns: int) -> list[list[str]]:
    """By semicolons where there are any: a bin, a certificate or a value may have a name of several words."""
    lines = [line for line in text.splitlines() if line.strip()]
    return [[part.strip() for part in line.split(";")] if ";" in line else line.split(maxsplit=columns - 1) for line in lines]


def _all_of(parts: list[str]) -> list[str]:
    return [part.strip() for part in parts if part.strip()]

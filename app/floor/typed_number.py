"""A number as a person types it: with a point or a comma, and never one that may be another."""

import re

from app.errors import bad_input

_NUMBER = re.compile(r"[+-]?(\d{1,15}([.,]\d{0,15})?|[.,]\d{1,15})", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)


def number(name: str, text: str) -> float:
    typed = text.strip()
    if _NUMBER.fullmatch(typed) is None:
        raise bad_input("That is not a number.", name, f"{text[:40]!r} can't be read.", "Enter digits, with a point or comma.")
    if _THOUSANDS.fullmatch(typed):
        raise bad_input("That may be two numbers.", name, f"The comma of {typed!r} may mark thousands or decimals.", "Enter it without the comma.")
    return float(typed.replace(",", "."))

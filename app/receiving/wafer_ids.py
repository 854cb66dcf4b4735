"""Wafer identities with SEMI M12/M13 check characters: two characters at the end, the first A to H, the second 0 to 7.

The algorithm is from memory, confirmed by two published pairs (`tests/outside/test_wafer_maps.py`). A mark read by eye or
camera has them, a T7 code on the back has none: identities are compared without.
"""

import re

_ALLOWED = re.compile(r"[-.A-Z0-9]+")
_CHECK = re.compile(r"[A-H][0-7]")


def check_characters(identity: str) -> str:
    """The two check characters for an identity without them: 123456 -> A0."""
    if not _ALLOWED.fullmatch(identity):
        raise ValueError("a wafer identity has capital letters, digits, hyphen and period only")
    remainder = _remainder(identity + "A0")
    if remainder == 0:
        return "A0"
    missing = 59 - remainder
    return chr(ord("A") + missing // 8) + chr(ord("0") + missing % 8)


def has_right_check(marked: str) -> bool:
    """Does this identity end in its own check characters?"""
    identity, check = marked[:-2], marked[-2:]
    return bool(_ALLOWED.fullmatch(identity) and _CHECK.fullmatch(check)) and check_characters(identity) == check


def without_check(marked: str) -> str:
    """The identity without check characters where it ends in right ones; else as it is."""
    return marked[:-2] if has_right_check(marked) else marked


def is_same_wafer(one: str, other: str) -> bool:
    """Two writings of one identity: they may differ in the check characters only."""
    return one == other or without_check(one) == other or one == without_check(other)


def _remainder(identity: str) -> int:
    remainder = 0
    for character in identity:
        remainder = (8 * remainder + ord(character) - 32) % 59
    return remainder

"""Files as the wild sends them: good ones, damaged in the ways that files are damaged. And texts that a form or a scanner may send.

All from a `Random` that is given: a plain one makes an input in microseconds, Hypothesis's (`st.randoms()`) makes a smaller one that fails too.
"""

import re
import traceback
from collections.abc import Sequence
from pathlib import Path
from random import Random

NASTY = (
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\x1b[31m", b"\x85", "\u0410".encode(), "\uff21".encode(), "\u0661".encode(), "\u00b2".encode(),
    "\u202e".encode(),
    b"\xed\xa0\x80", b"NaN", b"Infinity", b"-inf", b"1e999", b"9999999999999999999999", b"-1", b"0x10", b"1_0", b"1,234", b"1.234,5", b"=1+1",
    b"@SUM(A1)", b"+1", b"<", b">", b"&", b'"', b"'", b";", b",", b"\t", b"|", b"]]>", b"<!DOCTYPE a [<!ENTITY b 'c'>]>", b"&b;", b"<!--", b"]",
    b"0001-01-01T00:00:00+14:00", b"9999-12-31T23:59:59-12:00", b"31/12/9999 23:59", b"29.02.2026", b"12:30 PM", b"24:00", b"2026-03-29T02:30:00",
    b"A" * 10_000, b"9" * 5000, b"%s%n", b"../../etc/passwd", b"' or 1=1 --", b"\r", b"\n\n", b" ",
)  # fmt: skip
_NASTY_TEXTS = [one.decode("utf-8", "surrogateescape") for one in NASTY]
_VALUE = re.compile(rb'(?<=[">,;\t\n])[^"<>,;\t\n]*(?=["<,;\t\n])')
_VALUES = (
    b"", b" ", b"0", b"1", b"-1", b"+1", b"01", b"1.0", b"1_0", b"1e3", b"0x1", b"9" * 9, b"9" * 20, b"nan", b"inf", b"true", b"None", b".",
    b"A" * 65, "\u0661".encode(), "\u0410".encode(), b"UpperLeft", b"Pass", b"2026-03-05T06:00:00Z", b"31.12.2026", b"24:00",
)  # fmt: skip
HEADS = (b"PK\x03\x04", b"%PDF-1.7\n", b"\x89PNG\r\n\x1a\n", b"\x1f\x8b\x08", b"\xd0\xcf\x11\xe0", b"GIF89a", b"\x7fELF", b"{", b"<html>", b"\0")
ENCODINGS = ("utf-16", "utf-16-le", "utf-32", "utf-8-sig", "cp1252", "cp037", "utf-7")


def damaged(chance: Random, seeds: Sequence[bytes]) -> bytes:
    """One of the good files after one to four accidents."""
    data = chance.choice(seeds)
    for _ in range(chance.randint(1, 4)):
        data = _accident(chance, data)
    return data


def told_otherwise(data: bytes) -> tuple[bytes, ...]:
    """The same file with another line end, one or two byte order marks, lines to spare at its end: what is read must be the same."""
    lines, mark = data.replace(b"\r\n", b"\n"), b"\xef\xbb\xbf"
    return lines.replace(b"\n", b"\r\n"), mark + data, mark + mark + data, data.rstrip(b"\r\n") + b"\n\n\n"


def text(chance: Random, known: Sequence[str]) -> str:
    """What a scanner, a hand or a stranger puts into a field: codes, damaged codes, anything."""
    match chance.randint(0, 4):
        case 0:
            return chance.choice(known)
        case 1:
            code, place = chance.choice(known), chance.randint(0, 12)
            return code[:place] + _sign(chance) + code[place + 1 :]
        case 2:
            return "".join(chance.choice((chance.choice(_NASTY_TEXTS), chance.choice(known))) for _ in range(chance.randint(1, 3)))
        case 3:
            return "".join(_sign(chance) for _ in range(chance.randint(0, 40)))
        case _:
            return chance.choice(_NASTY_TEXTS)


def _sign(chance: Random) -> str:
    """Any sign of Unicode, lone surrogates too; half of them from where keyboards and scanners reach."""
    return chr(chance.randint(0, chance.choice((0x7F, 0xFF, 0xFFFF, 0x10FFFF))))


def _accident(chance: Random, data: bytes) -> bytes:
    at, to = sorted((chance.randint(0, len(data)), chance.randint(0, len(data))))
    kind = chance.randint(0, 15)
    lines = data.splitlines(keepends=True)
    match kind:
        case 0 if data:
            at = min(at, len(data) - 1)
            return data[:at] + bytes([data[at] ^ (1 << chance.randint(0, 7))]) + data[at + 1 :]
        case 1:
            return data[:at]  # the sender stopped half way
        case 2:
            return data[:at] + data[to:]
        case 3:
            return data[:to] + data[at:to] + data[to:]
        case 4 if len(lines) > 1:
            one, other = chance.randrange(len(lines)), chance.randrange(len(lines))
            lines[one], lines[other] = lines[other], lines[one]
            return b"".join(lines)
        case 5 if lines:
            return b"".join([*lines, chance.choice(lines)])
        case 6:
            return data.decode("utf-8", "replace").encode(chance.choice(ENCODINGS), "replace")
        case 7:
            return data.replace(b"\n", chance.choice((b"\r\n", b"\r", b"\n\r", b"\x0b", b"\x85")), chance.randint(1, 20))
        case 8:
            return chance.choice(HEADS) + data
        case 9:
            digits = [n for n, byte in enumerate(data) if 48 <= byte <= 57]
            if digits:
                at = chance.choice(digits)
                return data[:at] + chance.choice((b"0", b"7", b"99", b"-3", b"1.5", b"1e9", b"9" * 9, b"9" * 20)) + data[at + 1 :]
            return data
        case 10:
            return data.swapcase()
        case 11:
            return data.replace(chance.choice((b",", b";", b'"', b" ", b".")), chance.choice((b";", b",", b"\t", b"", b".")))
        case 12:
            return data[:at] + chance.randbytes(chance.randint(0, 12)) + data[at:]
        case 13:
            return data[:at] + chance.choice(NASTY) + data[at:]
        case _:
            return _another_value(chance, data)


def _another_value(chance: Random, data: bytes) -> bytes:
    """One value becomes another of the file, or one that any may have: what is around it stays whole, so that more of the reader is reached."""
    values = list(_VALUE.finditer(data))
    if not values:
        return data
    one, other = chance.choice(values), chance.choice(values)
    return data[: one.start()] + chance.choice((other[0], chance.choice(_VALUES))) + data[one.end() :]


def where_raised(error: BaseException) -> str:
    ours = [frame for frame in traceback.extract_tb(error.__traceback__) if "/app/" in frame.filename]
    place = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else "outside"
    return f"{type(error).__name__} at {place}: {str(error)[:120]}"

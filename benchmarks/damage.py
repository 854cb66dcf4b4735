"""Files as the wild sends them: good ones, damaged in the ways that files are damaged. And texts that a form or a scanner may send."""

import traceback
from collections.abc import Sequence
from pathlib import Path

from hypothesis import strategies as st

NASTY = (
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\x1b[31m", b"\x85", "\u0410".encode(), "\uff21".encode(), "\u0661".encode(), "\u00b2".encode(),
    "\u202e".encode(),
    b"\xed\xa0\x80", b"NaN", b"Infinity", b"-inf", b"1e999", b"9999999999999999999999", b"-1", b"0x10", b"1_0", b"1,234", b"1.234,5", b"=1+1",
    b"@SUM(A1)", b"+1", b"<", b">", b"&", b'"', b"'", b";", b",", b"\t", b"|", b"]]>", b"<!DOCTYPE a [<!ENTITY b 'c'>]>", b"&b;", b"<!--", b"]",
    b"0001-01-01T00:00:00+14:00", b"9999-12-31T23:59:59-12:00", b"31/12/9999 23:59", b"29.02.2026", b"12:30 PM", b"24:00", b"2026-03-29T02:30:00",
    b"A" * 10_000, b"9" * 5000, b"%s%n", b"../../etc/passwd", b"' or 1=1 --", b"\r", b"\n\n", b" ",
)  # fmt: skip
HEADS = (b"PK\x03\x04", b"%PDF-1.7\n", b"\x89PNG\r\n\x1a\n", b"\x1f\x8b\x08", b"\xd0\xcf\x11\xe0", b"GIF89a", b"\x7fELF", b"{", b"<html>", b"\0")
ENCODINGS = ("utf-16", "utf-16-le", "utf-32", "utf-8-sig", "cp1252", "cp037", "utf-7")


@st.composite
def damaged(draw: st.DrawFn, seeds: Sequence[bytes]) -> bytes:
    """One of the good files after one to four accidents."""
    data = draw(st.sampled_from(seeds))
    for _ in range(draw(st.integers(1, 4))):
        data = draw(_accident(data))
    return data


def told_otherwise(data: bytes) -> tuple[bytes, ...]:
    """The same file with another line end, a byte order mark, lines to spare at its end: what is read must be the same."""
    lines = data.replace(b"\r\n", b"\n")
    return lines.replace(b"\n", b"\r\n"), b"\xef\xbb\xbf" + data, data.rstrip() + b"\n\n\n"


def texts(known: Sequence[str]) -> st.SearchStrategy[str]:
    """What a scanner, a hand or a stranger puts into a field: codes, damaged codes, anything."""
    nasty = st.sampled_from([one.decode("utf-8", "surrogateescape") for one in NASTY])
    return st.one_of(
        st.sampled_from(known),
        st.builds(lambda code, place, sign: code[:place] + sign + code[place + 1 :], st.sampled_from(known), st.integers(0, 12), st.characters()),
        st.builds("".join, st.lists(st.one_of(nasty, st.sampled_from(known)), min_size=1, max_size=3)),
        st.text(max_size=40), nasty,
    )  # fmt: skip


@st.composite
def _accident(draw: st.DrawFn, data: bytes) -> bytes:
    at, to = sorted((draw(st.integers(0, len(data))), draw(st.integers(0, len(data)))))
    kind = draw(st.integers(0, 13))
    lines = data.splitlines(keepends=True)
    match kind:
        case 0 if data:
            at = min(at, len(data) - 1)
            return data[:at] + bytes([data[at] ^ (1 << draw(st.integers(0, 7)))]) + data[at + 1 :]
        case 1:
            return data[:at]  # the sender stopped half way
        case 2:
            return data[:at] + data[to:]
        case 3:
            return data[:to] + data[at:to] + data[to:]
        case 4 if len(lines) > 1:
            one, other = draw(st.integers(0, len(lines) - 1)), draw(st.integers(0, len(lines) - 1))
            lines[one], lines[other] = lines[other], lines[one]
            return b"".join(lines)
        case 5 if lines:
            return b"".join([*lines, draw(st.sampled_from(lines))])
        case 6:
            return data.decode("utf-8", "replace").encode(draw(st.sampled_from(ENCODINGS)), "replace")
        case 7:
            return data.replace(b"\n", draw(st.sampled_from((b"\r\n", b"\r", b"\n\r", b"\x0b", b"\x85"))), draw(st.integers(1, 20)))
        case 8:
            return draw(st.sampled_from(HEADS)) + data
        case 9:
            digits = [n for n, byte in enumerate(data) if 48 <= byte <= 57]
            if digits:
                at = draw(st.sampled_from(digits))
                return data[:at] + draw(st.sampled_from((b"0", b"7", b"99", b"-3", b"1.5", b"1e9", b"99999999999999999999"))) + data[at + 1 :]
            return data
        case 10:
            return data.swapcase()
        case 11:
            return data.replace(draw(st.sampled_from((b",", b";", b'"', b" ", b"."))), draw(st.sampled_from((b";", b",", b"\t", b"", b"."))))
        case 12:
            return data[:at] + draw(st.binary(max_size=12)) + data[at:]
        case _:
            return data[:at] + draw(st.sampled_from(NASTY)) + data[at:]


def where_raised(error: BaseException) -> str:
    ours = [frame for frame in traceback.extract_tb(error.__traceback__) if "/app/" in frame.filename]
    place = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else "outside"
    return f"{type(error).__name__} at {place}: {str(error)[:120]}"

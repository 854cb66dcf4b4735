"""Lines above a placement log's header that say how it counts, and how much it has. Words as we think that machines write them, no source."""

import re
from collections.abc import Iterator, Sequence

from app.errors import bad_input

_NOTE = re.compile(r"[#/\s]*([^\W\d][^:=,;|\t]*?)\s*[:=,;|\t]\s*(.*)")
_THING = r"(?:(?:panel|cell|row|column|col|rowcolumn|unit|strip|substrate|position)s?(?:and|/)?)*"
_BASE = re.compile(
    rf"{_THING}(?:index|indexes|indices|indexing|numbering)?(?:base|origin|start|startsat|from|startsfrom|countedfrom|startat)|"
    rf"{_THING}(?:indexing|numbering)|"
    r"first(?:panel|cell|unit)?(?:index|row|column|col)"
)
_ZERO_OR_ONE = {"0": 0, "zero": 0, "0based": 0, "zerobased": 0, "from0": 0, "1": 1, "one": 1, "1based": 1, "onebased": 1, "from1": 1}
_IS_BASED = re.compile(r"(0|zero|1|one)(?:based|basedindex|basedindexes|indexed)")
_COUNT = re.compile(
    r"(?:total|numberof|no\.?of|countof)?"
    r"(?:placements?|placed(?:dies|units)?|(?:dies|units)placed|records|entries|lines)(?:count|total)?"
)
_NUMBER = re.compile(r"\d{1,9}|\d{1,3}(?:[,.' ]\d{3}){1,2}", re.ASCII)


def refuse_other_base(before: Sequence[str], cells_from: int | None, what: str) -> None:
    """`cells_from`: what was stated. Read from another number, every die would be on another cell."""
    for number, words, value in _notes(before):
        key, said = _plain(words), _plain(value)
        base = _ZERO_OR_ONE.get(said) if _BASE.fullmatch(key) else None
        if based := _IS_BASED.fullmatch(key):
            base = _ZERO_OR_ONE[based[1]] if said in ("yes", "true", "on", "1") else None
        if base is not None and base != (1 if cells_from is None else cells_from):
            other = "its rows and columns are counted from 1 here" if cells_from is None else f"{cells_from} was stated"
            why = f"It says that it counts from {base}, and {other}."
            now = "State from which number it counts its cells, 0 or 1; remove this line, if it says it of something else."
            raise bad_input(what, f"line {number}, {words}", why, now)


def refuse_other_count(before: Sequence[str], least: int, most: int, what: str) -> None:
    """`least`: dies on cells; `most`: with those that were lost, and with lines that are not understood."""
    for number, words, value in _notes(before):
        if _COUNT.fullmatch(_plain(words)) and _NUMBER.fullmatch(value) and not least <= int(re.sub(r"\D", "", value)) <= most:
            has = f"{least}" if least == most else f"from {least} to {most}"
            raise bad_input(what, f"line {number}, {words}", f"It says {value}, and there are {has}.", "Send the whole file; or correct this line.")


def _notes(before: Sequence[str]) -> Iterator[tuple[int, str, str]]:
    for number, line in enumerate(before, start=1):
        if note := _NOTE.fullmatch(line):
            yield number, note[1], note[2].strip(' ,;\t|"')


def _plain(text: str) -> str:
    return re.sub(r"[ _\-]", "", text.lower())

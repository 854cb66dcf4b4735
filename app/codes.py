"""Text in our barcodes: the first letter says the kind, the last is an ISO/IEC 7064 MOD 37,36 check character."""

import re

LETTERS = {
    "wafer": "W", "batch": "B", "panel": "P", "lot": "L", "sample": "X", "pack": "K", "container": "C", "station": "S",
    "load": "V", "run": "R", "hold": "H", "person": "E", "shipment": "D", "terminal": "T", "case": "Q", "order": "A",
    "card": "Y",
}  # fmt: skip
KIND_OF_LETTER = {letter: kind for kind, letter in LETTERS.items()}
_ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_SHAPE = re.compile(r"[A-Z][0-9A-Z]*(-[0-9A-Z]+)+")
_ON_LABEL = re.compile(r"3S(K\d\d-\d{4,}-[0-9A-Z])")
# What a scanner may be set to send before what it read: "]", the symbology, a modifier (ISO/IEC 15424). ]d2 and ]Q3 are Data Matrix and QR.
_SYMBOLOGY = re.compile(r"\][A-Za-z][0-9A-Za-z]")
_OF_STEP = re.compile(r"N-\d{2,}-[0-9A-Z]")
_OURS = re.compile(r"[A-Z](\d\d)?-\d{4,}(-\d\d)*-[0-9A-Z]")


def check_character(text: str) -> str:
    """ISO/IEC 7064 MOD 37,36 over letters and digits; hyphens do not count."""
    p = 36
    for c in text:
        p = _AFTER[p][c]
    return _ALPHABET[(37 - p) % 36]


def _after(p: int, character: int) -> int:
    return 2 * ((p + character) % 36 or 36) % 37


_AFTER = [{"-": p} | {c: _after(p, n) for n, c in enumerate(_ALPHABET)} for p in range(37)]  # `check` asks it of every code


def make(kind: str, serial: str) -> str:
    """The code of a thing: `make("lot", "26-004217")` is L26-004217 and its check character."""
    body = LETTERS[kind] + serial
    return f"{body}-{check_character(body)}"


def dated(kind: str, year: int, number: int, width: int = 6) -> str:
    return make(kind, f"{year % 100:02d}-{number:0{width}d}")


def of_step(number: int) -> str:
    """What stands on paper beside a route's step, to be scanned when the paper is entered. It names a place on a sheet, not a thing."""
    body = f"N-{number:02d}"
    return f"{body}-{check_character(body)}"


def is_of_step(code: str) -> bool:
    return _OF_STEP.fullmatch(code) is not None and check_character(code[:-2]) == code[-1]


def part_of(code: str, number: int) -> str:
    """The code of the `number`-th part that left a lot: the root's body, a serial and a check character."""
    return make(KIND_OF_LETTER[code[0]], f"{code[1:-2]}-{number:02d}")


def is_valid(code: str) -> bool:
    """Whether the text is a code of ours: known letter, right shape, right check character."""
    return (
        _SHAPE.fullmatch(code) is not None
        and code[0] in KIND_OF_LETTER
        and code[-2] == "-"
        and check_character(code[:-2]) == code[-1]
    )


def is_misread(code: str) -> bool:
    """Whether the text is like a code of ours, and its check character says that some of it is wrong."""
    return _OURS.fullmatch(code) is not None and code[0] in KIND_OF_LETTER and not is_valid(code)


def kind_told(code: str) -> str | None:
    """The kind that a code of ours tells by its first letter; None where the text is none."""
    return KIND_OF_LETTER[code[0]] if _OURS.fullmatch(code) is not None and is_valid(code) else None


def tidy(scanned: str) -> str:
    """What a scanner or a person sent, as it is looked up: no outer blanks, upper case."""
    return scanned.strip().upper()


def on_label(scanned: str) -> str:
    """Of the message in a pack's symbol (ISO/IEC 15434) the pack's code, its field 3S; any other text is itself, without its symbology.

    Scanners that type like a keyboard leave its control characters out, so that nothing parts the fields: what follows 3S tells itself.
    """
    read = scanned[3:] if _SYMBOLOGY.match(scanned) else scanned
    text = tidy(read)
    found = _ON_LABEL.search(text) if text.startswith("[)>") else None
    return found[1] if found and is_valid(found[1]) else read


START_CARD = make("card", "-START")  # one for all: it says yes to the question that stands on a terminal's screen

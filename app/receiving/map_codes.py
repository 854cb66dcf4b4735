"""Rows of bin codes, as a file writes them, to a grid of small whole numbers: no loop over dies where rows are regular."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from app.errors import bad_input
from app.receiving.die_map import Cells
from app.web.words import counted

MOST_CODES = 4096
MOST_POSITIONS = 10_000_000  # our choice: a 300 mm wafer of 0.1 x 0.1 mm dies has 7 million
MOST_CHARACTERS = 8
_FEW = {1: 4, 2: 10}  # codes, by bytes of a key, up to which comparing with each is faster than looking them up (measured)
Keys = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.uint32] | NDArray[np.int64]


@dataclass(frozen=True)
class Rows:
    """Rows of codes as text, and how to name the place of each: only a refusal needs that."""

    texts: list[str]
    where: Callable[[int], str]

    @cached_property
    def together(self) -> str:
        return "".join(self.texts)


@dataclass(frozen=True)
class Drawn:
    """A grid as drawn: `keys[row, column]` is one of `values`; `codes` and `counts` go with the values."""

    keys: Keys
    values: tuple[int, ...]
    codes: tuple[str, ...]
    counts: tuple[int, ...]

    def numbered(self, numbers: Sequence[int]) -> Cells:
        """The grid with each code's own number from this list."""
        if max(numbers) < 256 and sum(number > 0 for number in numbers) <= _FEW.get(self.keys.itemsize, 0):
            grid = np.zeros(self.keys.shape, dtype=np.uint8)
            for value, number in zip(self.values, numbers, strict=True):
                if number:
                    there = (self.keys == value).view(np.uint8)
                    grid |= there if number == 1 else np.multiply(there, number, out=there)
            return grid
        new = np.zeros(max(self.values) + 1, dtype=np.uint16)
        new[list(self.values)] = numbers
        if self.keys.dtype != np.uint8 or max(numbers) >= 256:
            return new[self.keys]
        letters = bytes(new.astype(np.uint8)).ljust(256, b"\0")  # twice as fast as indexing
        return np.frombuffer(self.keys.tobytes().translate(letters), dtype=np.uint8).reshape(self.keys.shape)

    def first_row_with(self, code: str) -> int:
        return int((self.keys == self.values[self.codes.index(code)]).any(axis=1).argmax())


def read_rows(what: str, rows: Rows, width: int, hexadecimal: bool = False, likely: Sequence[str] = ()) -> Drawn:
    """Rows whose every code has `width` characters, with nothing between them. `likely`: codes that the file names; others may stand there too."""
    _refuse_empty(what, rows)
    length = len(rows.texts[0])
    if set(map(len, rows.texts)) != {length} or length % width:
        wrong = next((n for n, text in enumerate(rows.texts) if len(text) != length), 0)
        if len(rows.texts[wrong]) == length:
            why = f"This row has {length} characters, and a code has {width}: the last is cut off."
            raise bad_input(what, rows.where(wrong), why, "Check the row, and how many characters the file says that a code has.")
        why = f"This row has {len(rows.texts[wrong])} characters; the first row has {length}, and a code has {width}."
        raise bad_input(what, rows.where(wrong), why, _EVEN)
    shape = (len(rows.texts), length // width)
    _refuse_large(what, shape)
    drawn = _compared(rows.together, shape, width, likely)
    if drawn is None and hexadecimal and width == 2:
        drawn = _read_hexadecimal(rows.together, shape)
    return drawn or _number(what, _letters(rows.together).reshape(*shape, width))


def fill_up(what: str, rows: Rows, columns: int, width: int = 1) -> list[str]:
    """Rows with the spaces that were cut off at their end. Where no row begins with one, those before the first die may be cut off as well."""
    _refuse_many(what, 0, width)
    _refuse_large(what, (len(rows.texts), columns))  # before spaces are made: a file of a few bytes may say any number
    length = columns * width
    short = next((n for n, text in enumerate(rows.texts) if len(text) < length), None)
    if short is not None and not any(text.startswith(" ") for text in rows.texts):
        why = f"A space means no die, this row is shorter than {length} characters, and none begins with a space: at which end were they cut off?"
        raise bad_input(what, rows.where(short), why, "Send it with all its spaces, or with another code where there is no die.")
    return [text.ljust(length) for text in rows.texts]


def read_separated_rows(what: str, rows: Rows) -> Drawn:
    """Rows whose codes stand apart by spaces."""
    _refuse_empty(what, rows)
    even = _evenly_spaced(rows)
    if even is not None:
        _refuse_large(what, even.shape)
        return _number(what, even)
    split = [text.split() for text in rows.texts]
    for n, codes in enumerate(split):
        if len(codes) != len(split[0]):
            raise bad_input(what, rows.where(n), f"This row has {counted(len(codes), 'code')}; the first has {len(split[0]):,}.", _EVEN)
    _refuse_large(what, (len(split), len(split[0])))
    known = sorted({code for codes in split for code in codes})
    _refuse_many(what, len(known), max(map(len, known)))
    number = {code: n for n, code in enumerate(known)}
    return of_numbers(np.array([[number[code] for code in codes] for codes in split], dtype=np.uint16), known)


def of_numbers(grid: NDArray[np.uint16], codes: Sequence[str]) -> Drawn:
    """A grid whose numbers are places in a list of codes."""
    counts = np.bincount(grid.ravel(), minlength=len(codes))
    used = np.flatnonzero(counts)
    return Drawn(grid, tuple(used.tolist()), tuple(codes[n] for n in used.tolist()), tuple(counts[used].tolist()))


_EVEN = "Every row needs one code for each column; write the null code where there is no die."


def _refuse_empty(what: str, rows: Rows) -> None:
    if not rows.texts:
        raise bad_input(what, "the grid", "There are no rows of bin codes.", "Expected a row of codes for every row of dies.")
    if "" in rows.texts:
        raise bad_input(what, rows.where(rows.texts.index("")), "This row is empty.", "Write the null code where there is no die.")


def _refuse_large(what: str, shape: tuple[int, ...]) -> None:
    if shape[0] * shape[1] > MOST_POSITIONS:
        why = f"{shape[1]} columns by {shape[0]} rows are more than {MOST_POSITIONS} positions."
        raise bad_input(what, "the grid", why, "Check that this is the map of one wafer.")


def _refuse_many(what: str, codes: int, longest: int) -> None:
    if codes > MOST_CODES:
        why = f"It has {codes} different codes; a map has at most {MOST_CODES}."
        raise bad_input(what, "the grid", why, "Check that this is a map of bins.")
    if longest > MOST_CHARACTERS:
        why = f"A code has {longest} characters; at most {MOST_CHARACTERS} are read."
        raise bad_input(what, "the grid", why, "Check that this is a map of bins.")


def _compared(text: str, shape: tuple[int, int], width: int, likely: Sequence[str]) -> Drawn | None:
    """Codes of one or two characters, where a few likely ones are all that there are: comparing with each is the fastest."""
    codes = [code for code in dict.fromkeys(likely) if len(code) == width and code.isascii()]
    if width > 2 or not 0 < len(codes) <= (16 if width == 1 else _FEW[2] + 1) or not text.isascii():
        return None
    kind = np.dtype(f"<u{width}")
    keys = np.frombuffer(text.encode("ascii"), dtype=kind).reshape(shape)
    values = [int.from_bytes(code.encode("ascii"), "little") for code in codes]
    found = [(value, code, count) for value, code in zip(values, codes, strict=True) if (count := int(np.count_nonzero(keys == value)))]
    if sum(count for _, _, count in found) != keys.size:
        return None
    return Drawn(keys, *(tuple(column) for column in zip(*found, strict=True)))


def _read_hexadecimal(text: str, shape: tuple[int, int]) -> Drawn | None:
    """Two hexadecimal characters a code; None where something else stands among them."""
    try:
        keys = np.frombuffer(bytes.fromhex(text), dtype=np.uint8)
    except ValueError:
        return None
    if keys.size != shape[0] * shape[1]:  # fromhex passes over spaces
        return None
    return _counted(keys.reshape(shape), 256, "{:02X}".format)


def _letters(text: str) -> NDArray[np.uint8] | NDArray[np.uint32]:
    """One number a character: bytes where all is ASCII."""
    if text.isascii():
        return np.frombuffer(text.encode("ascii"), dtype=np.uint8)
    return np.frombuffer(text.encode("utf-32-le"), dtype=np.uint32)


def _evenly_spaced(rows: Rows) -> NDArray[np.uint8] | None:
    """The letters as [row, column, letter] where all codes have one width and one space between them."""
    first = rows.texts[0]
    width, length = len(first.split(" ", 1)[0]), len(first)
    if width > MOST_CHARACTERS or (length + 1) % (width + 1) or any(len(text) != length for text in rows.texts):
        return None
    text = " ".join(rows.texts) + " "
    if not text.isascii():
        return None
    cells = np.frombuffer(text.encode("ascii"), dtype=np.uint8).reshape(len(rows.texts), -1, width + 1)
    blank = cells <= ord(" ")
    if np.count_nonzero(blank) != cells.shape[0] * cells.shape[1] or not (cells[:, :, width] == ord(" ")).all():
        return None
    return cells[:, :, :width]


def _number(what: str, letters: NDArray[np.uint8] | NDArray[np.uint32]) -> Drawn:
    """A small whole number for every code: by counting where there are few possible ones, else by sorting."""
    width = letters.shape[2]
    _refuse_many(what, 0, width)
    if letters.dtype == np.uint8 and width == 1:
        drawn = _counted(letters[:, :, 0], 256, chr)
    elif letters.dtype == np.uint8 and 2 <= width <= 5 and _are_digits(letters):
        drawn = _counted(_decimal(letters), 10**width, f"{{:0{width}d}}".format)
    else:
        drawn = _sorted(letters)
    _refuse_many(what, len(drawn.codes), width)
    return drawn


def _are_digits(letters: NDArray[np.uint8] | NDArray[np.uint32]) -> bool:
    return bool((letters - np.uint8(48) <= 9).all())  # below "0" it wraps round to large numbers


def _decimal(letters: NDArray[np.uint8] | NDArray[np.uint32]) -> NDArray[np.uint32]:
    value = np.zeros(letters.shape[:2], dtype=np.uint16 if letters.shape[2] <= 4 else np.uint32)
    for place in range(letters.shape[2]):
        value *= 10
        value += letters[:, :, place] - np.uint8(48)
    return value


def _counted(keys: Keys, possible: int, text: Callable[[int], str]) -> Drawn:
    counts = _count_bytes(keys.ravel().view(np.uint8)) if keys.dtype == np.uint8 else np.bincount(keys.ravel(), minlength=possible)
    values = np.flatnonzero(counts)
    return Drawn(keys, tuple(values.tolist()), tuple(text(int(value)) for value in values), tuple(counts[values].tolist()))


def _count_bytes(keys: NDArray[np.uint8]) -> NDArray[np.int64]:
    """How often each byte occurs: counted in pairs, which is twice as fast."""
    paired = keys[: keys.size // 2 * 2].view(np.uint16)
    pairs = np.bincount(paired, minlength=1 << 16).reshape(256, 256)
    counts: NDArray[np.int64] = pairs.sum(axis=0) + pairs.sum(axis=1) + np.bincount(keys[paired.size * 2 :], minlength=256)
    return counts


def _sorted(letters: NDArray[np.uint8] | NDArray[np.uint32]) -> Drawn:
    rows, columns, width = letters.shape
    texts = np.ascontiguousarray(letters.astype(np.uint32)).view(f"<U{width}").reshape(rows, columns)
    found, keys, counts = np.unique(texts, return_inverse=True, return_counts=True)
    codes = tuple(str(code) for code in found)
    return Drawn(keys.reshape(rows, columns).astype(np.uint32), tuple(range(len(codes))), codes, tuple(counts.tolist()))

"""Reads placement logs: which die of which wafer was put on which cell of which panel, and which dies were picked and lost.

CSV: time, wafer, die x, die y, panel, row, column (in any order, more columns may stand beside); an empty panel is a die
picked and lost. Or SEMI E142 transfer maps from wafers to panels (FX FY to TX TY; TX and TY from memory), which have no times.
Rows and columns of a panel are counted from 1, or from 0 where that was stated. Lines that cannot be understood are listed beside those that can.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from functools import partial
from io import BytesIO
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from app.errors import Reason, bad_input
from app.floor.placement_notes import refuse_other_base, refuse_other_count
from app.floor.placement_outcomes import (
    DEVIATIONS,
    EVENTS,
    FAULTS,
    WORKINGS,
    leaves_open,
    says_fault,
    says_not_placed,
    says_otherwise,
    tells_outcome,
)  # fmt: skip
from app.floor.placement_zones import COLUMNS as ZONE_COLUMNS
from app.floor.placement_zones import ToldZone, refuse_other_offsets, refuse_other_zones, told_zones
from app.floor.transfer_maps import read_transfer_maps
from app.receiving.delimited import (
    CUT_SHORT,
    TAIL,
    UTF_16,
    Fields,
    Header,
    as_utf8,
    begins_as_xml,
    column,
    fields_of_line,
    find_header,
    may_be_cut,
    plain_name,
    refuse_lines_before_header,
    split_fields,
)  # fmt: skip
from app.receiving.die_map import FARTHEST
from app.receiving.iso_times import LONGEST, WORDS, Fault, read_times
from app.receiving.other_formats import refuse_other_formats
from app.receiving.told_zones import without_zone

LOST = -1
_CHUNK = 8 << 20
_COLUMNS = {
    "time": ("time", "timestamp", "datetime", "placedat", "at"),
    "wafer": ("wafer", "waferid"),
    "die_x": ("diex", "x", "waferx", "pickx"),
    "die_y": ("diey", "y", "wafery", "picky"),
    "panel": ("panel", "panelid", "strip", "stripid", "substrate", "substrateid", "leadframe", "leadframeid"),
    "row": ("row", "panelrow", "cellrow", "unitrow", "placerow", "striprow", "substraterow"),
    "column": (
        "column", "col", "panelcolumn", "panelcol", "cellcolumn", "cellcol", "unitcolumn", "unitcol", "placecolumn", "placecol", "stripcolumn",
        "stripcol", "substratecolumn", "substratecol",
    ),
}
_TO_HOUR = 13  # letters of a date and an hour
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class BadLine:
    """A line that cannot be understood."""

    line: int
    column: str
    why: str

    @property
    def reason(self) -> Reason:
        where = f"line {self.line}, column {self.column}" if self.column else f"line {self.line}"
        return Reason("bad_input", self.why, "Correct the line and send the file again.", where)


@dataclass(frozen=True, eq=False)
class PlacementLog:
    """The facts of a log in the order of the file, each once. `wafer` and `panel` are places in the lists of names."""

    format: str
    wafers: tuple[str, ...]
    panels: tuple[str, ...]
    wafer: Ints
    panel: Ints  # LOST: the die was picked and lost
    x: Ints
    y: Ints
    row: Ints  # 0 where lost
    column: Ints
    at: NDArray[np.datetime64]  # UTC, microseconds; NaT where the file has no times
    line: Ints
    bad: tuple[BadLine, ...] = ()
    repeated: int = 0  # lines left out because they say again what another says
    stated: Mapping[str, Any] = field(default_factory=dict)  # what the sender said of it

    def __len__(self) -> int:
        return len(self.line)

    def only(self, keep: NDArray[np.bool_]) -> "PlacementLog":
        """The same log with these lines only."""
        arrays = {name: getattr(self, name)[keep] for name in _ARRAYS}
        return replace(self, **arrays)

    def pairs(self) -> dict[tuple[str, str | None], Ints]:
        """For each wafer and panel (None: lost) the places of their lines in the arrays, in order of the first."""
        key = self.wafer * (len(self.panels) + 1) + self.panel + 1
        order = np.argsort(key, kind="stable")
        starts = np.flatnonzero(np.r_[True, np.diff(key[order]) != 0]) if len(order) else np.zeros(0, dtype=np.int64)
        groups = sorted(np.split(order, starts[1:]), key=lambda group: int(group[0])) if len(order) else []
        return {(self.wafers[self.wafer[g[0]]], None if self.panel[g[0]] == LOST else self.panels[self.panel[g[0]]]): g for g in groups}


_ARRAYS = ("wafer", "panel", "x", "y", "row", "column", "at", "line")


def read_placement_log(stream: BinaryIO, name: str, zone: tzinfo | None = None, cells_from: int | None = None) -> PlacementLog:
    """Reads the whole log in pieces. `name` names the file in refusals; `zone`, `cells_from`: stated of its times, and its rows and columns."""
    what = f"The placement log {name} is not understood"
    head = stream.read(_CHUNK)
    refuse_other_formats(head, what, "Send the log itself: CSV or a SEMI E142 transfer map.")
    if begins_as_xml(head):
        if cells_from == 1:
            why = "It is SEMI E142, where the cells of a panel are counted from 0, and 1 was stated."
            raise bad_input(what, "cells_from", why, "State nothing; if its cells are counted from 1 all the same, have the machine write it from 0.")
        return _of_transfers(head + stream.read(), what)
    if head[:2] in UTF_16:
        stream = BytesIO(as_utf8(head + stream.read(), what))
        head = stream.read(_CHUNK)
    if not head.strip():
        raise bad_input(what, "the whole file", "The file is empty.", "Send it again.")
    return _counted(_read_csv(head, stream, what, zone, cells_from), what, cells_from)


def _of_transfers(data: bytes, what: str) -> PlacementLog:
    found = read_transfer_maps(data, what)
    at = np.full(len(found.line), np.datetime64("NaT", "us"))
    log = PlacementLog("SEMI E142", found.wafers, found.panels, found.wafer, found.panel, found.x, found.y, found.row, found.column, at, found.line)
    return _each_once(log)


def _read_csv(head: bytes, stream: BinaryIO, what: str, zone: tzinfo | None, cells_from: int | None) -> PlacementLog:
    wafers: dict[str, int] = {}
    panels: dict[str, int] = {}
    parts: list[dict[str, NDArray[np.generic]]] = []
    bad: list[BadLine] = []
    places: dict[str, int] | None = None
    told: list[ToldZone] = []
    above: list[str] = []
    before = b""
    for data, first_line in _pieces(head, stream, what):
        if places is None:
            header, title, above, data = _open(data, what)
            header_line = len(above) + 1
            refuse_other_base(above, cells_from, what)
            told = told_zones(above, header.delimiter, title, zone, what)
            zone = zone or (told[0].zone if told else None)
            places = _places(header, what, header_line)
            first_line = header_line + 1
        before = (before + data)[-TAIL:]
        data, cut = _without_cut_line(data, before, header.delimiter, first_line)
        fields = split_fields(data, header, first_line)
        part, faults = _read_fields(fields, header, places, zone, what, wafers, panels)
        parts.append(part)
        bad += [*faults, *cut]
    joined = {name: np.concatenate([part[name] for part in parts]) for name in _ARRAYS}
    if not len(joined["line"]) and not bad:
        raise bad_input(what, f"line {header_line}", "There are no placements after the header.", "Expected one placement per line.")
    log = PlacementLog("CSV", tuple(wafers), tuple(panels), bad=tuple(bad), **joined)  # type: ignore[arg-type]
    refuse_other_zones(log.at, told, zone, what)
    once = _each_once(log)
    refuse_other_count(above, int((once.panel != LOST).sum()), len(log) + len(bad), what)
    return once


def _counted(log: PlacementLog, what: str, cells_from: int | None) -> PlacementLog:
    """Rows and columns from 1. A log with a row 0 counts from 0, and then every cell of it is another than it seems."""
    on_cell = log.panel != LOST
    if cells_from == 0:
        return replace(log, row=log.row + on_cell, column=log.column + on_cell)
    zero = on_cell & ((log.row == 0) | (log.column == 0))
    if cells_from is None and zero.any():
        why = "It names a row or column 0, and they are counted from 1 here: does this log count from 0?"
        raise bad_input(what, f"line {log.line[np.argmax(zero)]}", why, "State from which number it counts its cells, 0 or 1.")
    return log


def _pieces(head: bytes, stream: BinaryIO, what: str) -> Iterator[tuple[bytes, int]]:
    """Whole lines of UTF-8, a piece at a time, with the number of the first."""
    line, rest = 1, head
    while rest:
        more = stream.read(_CHUNK)
        cut = len(rest) if not more else rest.rfind(b"\n") + 1
        if not cut:  # not one whole line yet
            if len(rest) > 4 * _CHUNK:
                raise bad_input(what, f"line {line}", "This line does not end.", "Expected one placement per line.")
            rest += more
            continue
        piece = as_utf8(rest[:cut], what, line)
        yield piece, line
        line += piece.count(b"\n")
        rest = rest[cut:] + more


def _open(data: bytes, what: str) -> tuple[Header, str, list[str], bytes]:
    """The header, the title of its times, the lines above it, and what comes after it."""
    text = data[:100_000].decode(errors="replace")
    found = find_header(text, *(names for name, names in _COLUMNS.items() if name != "time"))
    titles = (fields_of_line(text.split("\n")[found[0] - 1], found[1].delimiter) or []) if found else []
    found = found and (found[0], replace(found[1], names=tuple(map(_name_of, titles))))
    if found is None or not set(_COLUMNS["time"]) & set(found[1].names):
        why = "No header was found."
        raise bad_input(what, "line 1", why, f"Expected columns {', '.join(_COLUMNS)}, separated by comma, semicolon, tab or |.")
    refuse_lines_before_header(text, found[0], what)
    if {"am/pm", "ampm", "meridiem"} & set(found[1].names):
        why = "A column says AM or PM, apart from the time."
        raise bad_input(what, f"line {found[0]}", why, "Export the time in one column, or with a clock of 24 hours.")
    time = next(title for title, name in zip(titles, found[1].names, strict=True) if name in _COLUMNS["time"])
    return found[1], time, text.split("\n")[: found[0] - 1], b"".join(data.split(b"\n", found[0])[found[0] :])


def _name_of(title: str) -> str:
    """Without the zone that stands behind the time."""
    name = plain_name(without_zone(title))
    return name if name in _COLUMNS["time"] else plain_name(title)


def _headings_again(fields: Fields, header: Header, what: str) -> list[int]:
    """The rows that are the same headings once more. Under headings in another order rows would be read as columns: they are refused."""
    again = []
    place = next(place for place, name in enumerate(header.names) if name in _COLUMNS["wafer"])
    number, texts, _ = fields.names(place)
    known = {name for names in _COLUMNS.values() for name in names}
    for n in np.flatnonzero(np.isin(number, [n for n, text in enumerate(texts) if plain_name(text) in known])).tolist():
        names = tuple(_name_of(fields.text(n, column)) for column in range(len(header.names)))
        if names == header.names:
            again.append(n)
        elif all(set(one) & set(names) for one in _COLUMNS.values()):
            why = "Other headings stand here: a second table begins."
            raise bad_input(what, f"line {fields.line[n]}", why, "Send each table as a file of its own.")
    return again


def _without_cut_line(data: bytes, tail: bytes, delimiter: str, first_line: int) -> tuple[bytes, list[BadLine]]:
    """The last line of a file may have no end; whether it is half of one, the lines before tell."""
    if not data or data.endswith(b"\n"):
        return data, []
    if may_be_cut(tail, delimiter):
        whole = data[: data.rfind(b"\n") + 1]
        return whole, [BadLine(first_line + whole.count(b"\n"), "", CUT_SHORT[0])]
    return data + b"\n", []


def _places(header: Header, what: str, line: int) -> dict[str, int]:
    places = {name: column(header, what, line, *names) for name, names in _COLUMNS.items()}
    return {name: place for name, place in places.items() if place is not None}


def _read_fields(
    fields: Fields, header: Header, places: dict[str, int], zone: tzinfo | None, what: str, wafers: dict[str, int], panels: dict[str, int]
) -> tuple[dict[str, NDArray[np.generic]], list[BadLine]]:
    """The lines that can be understood, as arrays, and the others with the first thing that is wrong with each."""
    faults = _Faults(fields, places)
    faults.leave_out(_headings_again(fields, header, what), "The headings stand here once more.")
    at = _times(fields, places["time"], zone, what, faults)
    wafer, wafer_empty, good = _names(fields, places["wafer"], wafers)
    faults.add("wafer", good & ~wafer_empty, "is not the name of a wafer")
    x, y = (faults.integers(name) for name in ("die_x", "die_y"))
    panel, lost, good = _names(fields, places["panel"], panels)
    faults.add("panel", good, "is not the name of a panel")
    row, column_ = (faults.integers(name, may_be_empty=lost) for name in ("row", "column"))
    faults.add("row", ~(lost & (row != 0)), "names a cell, but no panel is named")
    faults.add("column", ~(lost & (column_ != 0)), "names a cell, but no panel is named")
    for place, name in enumerate(header.names):
        if name in ZONE_COLUMNS:
            number, texts, _ = fields.names(place)
            refuse_other_offsets(at, number, texts, fields.line, zone, what)
        if name in (*EVENTS, *FAULTS, *DEVIATIONS, *WORKINGS) or tells_outcome(name):
            faults.places[name] = place
            _look_at_outcomes(fields, place, name, lost, faults)
    arrays = {"wafer": wafer, "panel": np.where(lost, LOST, panel), "x": x, "y": y, "row": row, "column": column_, "at": at, "line": fields.line}
    return {name: array[faults.good] for name, array in arrays.items()}, faults.listed()


class _Faults:
    """Gathers the first fault of each line."""

    def __init__(self, fields: Fields, places: dict[str, int]) -> None:
        self.fields, self.places = fields, places
        self.good = np.ones(len(fields.line), dtype=bool)
        self.bad = [BadLine(line, "", why) for line, why in fields.bad]

    def add(self, name: str, good: NDArray[np.bool_], why: str) -> None:
        for n in np.flatnonzero(self.good & ~good):
            text = self.fields.text(int(n), self.places[name])[:40]
            self.bad.append(BadLine(int(self.fields.line[n]), name, f"{text!r} {why}."))
        self.good &= good

    def leave_out(self, rows: list[int], why: str) -> None:
        self.bad += [BadLine(int(self.fields.line[n]), "", why) for n in rows if self.good[n]]
        self.good[rows] = False

    def integers(self, name: str, may_be_empty: NDArray[np.bool_] | None = None) -> Ints:
        values, good = self.fields.integers(self.places[name])
        good &= np.abs(values) <= FARTHEST
        if may_be_empty is not None:
            good |= may_be_empty & self.fields.empty(self.places[name])
            values = np.where(good, values, 0)
        self.add(name, good, f"is not a whole number from -{FARTHEST} to {FARTHEST}")
        return values

    def listed(self) -> list[BadLine]:
        return sorted(self.bad, key=lambda bad: bad.line)


def _look_at_outcomes(fields: Fields, place: int, name: str, lost: NDArray[np.bool_], faults: _Faults) -> None:
    """What a column says of the placement beside it. Of events it matters also where no cell is named: a die picked is not lost yet."""
    number, texts, _ = fields.names(place)
    said = [plain_name(text) for text in texts]

    def where(words: list[bool]) -> NDArray[np.bool_]:
        return np.array(words, dtype=bool)[number]

    if name in (*FAULTS, *DEVIATIONS, *WORKINGS):
        tells = says_fault if name in FAULTS else partial(says_otherwise, heading=name)
        faults.add(name, lost | ~where([tells(word) for word in said]), f"stands under {name}, and leaves open whether a die was placed")
        return
    faults.add(name, lost | ~where([says_not_placed(word, name) for word in said]), "says that no die was placed, and the line names a cell")
    counts = ~lost if tells_outcome(name) else np.ones(len(lost), dtype=bool)
    here = set(np.unique(number[counts]).tolist())
    is_open = where(leaves_open([word if n in here else "" for n, word in enumerate(said)], name))
    faults.add(name, ~(counts & is_open), "stands beside other words, and leaves open whether a die was placed")


def _times(fields: Fields, place: int, zone: tzinfo | None, what: str, faults: _Faults) -> NDArray[np.datetime64]:
    letters, _ = fields.letters(place, LONGEST)
    at, found = read_times(letters, zone)
    if len(found) and (found == Fault.NO_ZONE).all():  # the whole file: one refusal says it better than a list of lines
        raise bad_input(what, f"line {fields.line[0]}, column time", "Its times have no zone.", "State the zone in which the clock runs.")
    for fault, words in WORDS.items():
        faults.add("time", found != fault, words)
    _refuse_half_clock(letters, fields.line, found == Fault.NONE, what)
    return at


def _refuse_half_clock(letters: NDArray[np.uint8], lines: Ints, good: NDArray[np.bool_], what: str) -> None:
    """A twelve-hour clock without AM and PM shows itself where, on one date, 12 o'clock is followed by 1, and there is neither 0 nor 13."""
    dated = good & (letters[:, 4] == ord("-")) if letters.shape[1] > _TO_HOUR else np.zeros(len(letters), dtype=bool)
    if dated.sum() < 2:
        return
    tens, ones = (letters[dated, 11:13] - ord("0")).astype(np.int64).T  # an hour of one figure has its colon here, and is with AM or PM
    days, hours, at = letters[dated, :10], tens * 10 + ones, lines[dated]
    if (hours == 0).any() or (hours > 12).any() or (letters == ord("M")).any() or (letters == ord("m")).any():
        return
    falls = (hours[:-1] == 12) & (hours[1:] == 1) & (days[:-1] == days[1:]).all(axis=1)
    if falls.any():
        why = "12 o'clock is followed by 1 o'clock of the same date: this is a twelve-hour clock without AM and PM."
        now = "Export it with AM and PM, or with a clock of 24 hours."
        raise bad_input(what, f"line {at[int(np.argmax(falls)) + 1]}, column time", why, now)


def _names(fields: Fields, place: int, known: dict[str, int]) -> tuple[Ints, NDArray[np.bool_], NDArray[np.bool_]]:
    """Numbers in the list of known names, which grows; which fields are empty; which are usable."""
    number, texts, good = fields.names(place)
    usable = set(np.unique(number[good]).tolist())
    numbers = [known.setdefault(text, len(known)) if text and n in usable else 0 for n, text in enumerate(texts)]
    empty = np.array([not text for text in texts], dtype=bool)
    return np.array(numbers, dtype=np.int64)[number], empty[number] & good, good


def _each_once(log: PlacementLog) -> PlacementLog:
    """Lines that say the same, time and all, are one fact: the first stays."""
    columns = [log.wafer, log.panel, log.x, log.y, log.row, log.column, log.at.astype(np.int64)]
    mixed = np.zeros(len(log), dtype=np.uint64)
    for each in columns:
        mixed = (mixed ^ each.astype(np.uint64)) * np.uint64(0x9E3779B97F4A7C15)
        mixed ^= mixed >> np.uint64(29)
    order = np.argsort(mixed, kind="stable")
    after = mixed[order][1:] == mixed[order][:-1]
    for each in columns:  # equal numbers are only a hint
        after &= each[order][1:] == each[order][:-1]
    keep = np.ones(len(log), dtype=bool)
    keep[order[1:][after]] = False
    return log if keep.all() else replace(log.only(keep), repeated=int((~keep).sum()))

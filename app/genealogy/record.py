"""The record of one pack or lot: everything that is known of it, from its origins to where it is, and what should be known and is not.

One walk up (`origins.py`), then one statement a question, however many panels, runs and loads there are. What each row says is read
where it is read for other pages too: `trace.py` for origins, `doings.py` for runs, the ovens' rooms for cures.
"""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.db import House
from app.final_test.results_shown import ResultsShown, results_shown
from app.floor.amounts import Book, amounts
from app.floor.dispositions import JudgementRow, judgements_in_force
from app.floor.open_differences import open_differences
from app.genealogy.doings import Doing, doings_of_lines
from app.genealogy.item_rows import ItemRow
from app.genealogy.lot_page import Account, account
from app.genealogy.missing_evidence import Missing, missing_of_lines
from app.genealogy.origins import Origins
from app.genealogy.pack_page import PackShown, pack_shown
from app.genealogy.record_files import RecordFile, cure_spells, files_of, files_told, logger_files, results_in_force
from app.genealogy.record_stops import PastHold, Risk, holds_ever, risks_of
from app.genealogy.trace import Trace, origins_of, trace_of
from app.ledger.items import Lot
from app.ledger.ran import Ran, ran
from app.listed import ask, listed
from app.naming.resolve import Named, codes_of, codes_of_items
from app.ovens.panel_heat import SameHeat, heat_of_travels
from app.ovens.trace_pictures import LoadTrace, cure_traces
from app.ovens.traces import Told
from app.receiving.origin_documents import Told as OriginTold
from app.receiving.origin_documents import told_of


@dataclass(frozen=True)
class LotFacts:
    """What a lot is. Its amounts are an account of their own."""

    code: str
    form: str
    product: str
    description: str
    bin: str
    grade: str
    order: str
    customer: str


@dataclass(frozen=True)
class RecordLine:
    """One line of one run. `least` and `greatest`: units of the subject that surely and possibly had it; `extent`: whole, either, open."""

    doing: Doing
    extent: str
    least: int
    greatest: int


@dataclass(frozen=True)
class LooseBook:
    """The book of a loose lot on the way: in = out + scrapped + sampled + difference + left. `unsigned`: a difference nobody signed for."""

    lot: str
    words: str
    units_in: int
    units_out: int
    scrapped: int
    sampled: int
    difference: int
    left: int
    u: float
    unsigned: bool


@dataclass(frozen=True)
class PanelCount:
    """All panels on the way together: their cells, and the units that left them on this way."""

    panels: int
    cells: int
    units: int


@dataclass(frozen=True)
class Cure:
    """One load that the subject's panels were in, with the shelves that they lay on."""

    load: str
    run: str
    oven: str
    trace: LoadTrace


@dataclass(frozen=True)
class TestResults:
    """What one test run found, and of which loose lot."""

    run: str
    shown: ResultsShown


@dataclass(frozen=True)
class Record:
    """`pack` or `lot` says what it is; `account`: a lot's own; `uncertain`: change-overs where nobody said which side a panel was on."""

    kind: str
    code: str
    made_at: datetime
    pack: PackShown | None
    lot: LotFacts | None
    account: Account | None
    trace: Trace
    books: tuple[LooseBook, ...]
    panels: PanelCount
    lines: tuple[RecordLine, ...]
    cures: tuple[Cure, ...]
    heat: tuple[SameHeat, ...]
    results: tuple[TestResults, ...]
    holds: tuple[PastHold, ...]
    risks: tuple[Risk, ...]
    undecided: tuple[RecordLine, ...]  # judged, not conforming, and nobody decided
    uncertain: tuple[RecordLine, ...]
    missing: tuple[Missing, ...]
    told: tuple[OriginTold, ...]  # by suppliers, of its wafers and batches
    files: tuple[RecordFile, ...]

    @property
    def subject(self) -> ItemRow:
        return self.trace.subject

    @property
    def is_emptied(self) -> bool:
        """A pack that holds nothing now: its origins and runs are those of what it held last."""
        return self.pack is not None and self.pack.closed and not self.pack.units

    @property
    def decided(self) -> tuple[RecordLine, ...]:
        """Lines whose judgement was decided about."""
        return tuple(one for one in self.lines if one.doing.judged and one.doing.judged.decided)


def record_of(session: Session, house: House, subject: Named, now: datetime, zone: str) -> Record:
    """Of a pack or lot; of one that is emptied, of what it held last."""
    found = origins_of(session, subject, as_last_held=True)
    lines = ran(session, [one.line for one in found.lines])
    codes_of_items(session, [*found.wafers, *found.batches, *found.up.panels, *found.up.loose])  # once, for all that names them below
    by_time = sorted(lines, key=lambda one: (one[0].started_at, one[0].id))
    judged = judgements_in_force(session, [line.id for line, _ in lines])
    done = doings_of_lines(session, by_time, found.up.travels, judged)
    rows = _lines(found, by_time, done)
    lot = session.get_one(Lot, subject.id) if subject.kind == "lot" else None
    runs = {line.run: done[line.id].run for line, _ in lines}
    told = Told()  # logger files: for the pictures, for the heat, and among the files
    cures = _cures(session, lines, done, now, zone, told, judged)
    files = files_told(session, runs, done, [*found.wafers, *found.batches], logger_files(cure_spells(lines), told.evidence))
    return Record(
        kind=subject.kind, code=subject.code, made_at=now, pack=pack_shown(session, subject) if lot is None else None,
        lot=_lot_facts(session, subject, lot) if lot else None, account=account(session, lot.item) if lot else None,
        trace=trace_of(session, subject, found, with_runs=False), books=_books(session, found), panels=_panel_count(session, found), lines=rows,
        cures=cures, heat=_heat(session, found, lines, told),
        results=_results(session, house, runs, found, lot), holds=holds_ever(session, found),
        risks=risks_of(session, found, done), undecided=tuple(one for one in rows if _is_undecided(one.doing)),
        uncertain=tuple(one for one in rows if one.extent == "either"),
        missing=tuple(missing_of_lines(session, lines, list(found.wafers), found.up.loose, house, files, judged, told.evidence)),
        told=tuple(told_of(session, [*found.wafers, *found.batches])), files=files_of(session, house, files, runs),
    )  # fmt: skip


def _lines(found: Origins, lines: Sequence[Ran], done: Mapping[int, Doing]) -> tuple[RecordLine, ...]:
    extents = {one.line: one.extent for one in found.lines}
    shares = ((line.id, found.share("line", line.id)) for line, _ in lines)
    return tuple(RecordLine(done[line], extents[line], share.least, share.greatest) for line, share in shares)


def _is_undecided(doing: Doing) -> bool:
    return doing.judged is not None and not doing.judged.conforms and doing.judged.decided is None


def _lot_facts(session: Session, subject: Named, lot: Lot) -> LotFacts:
    things = catalogue.with_ids(session, [thing for thing in (lot.product, lot.order) if thing])
    product, order = things[lot.product].body, things[lot.order].body if lot.order else None
    return LotFacts(
        subject.code, lot.form, product.part_number, product.description, lot.bin or "", lot.grade or "", order.number if order else "",
        order.customer if order else "",
    )  # fmt: skip


def _books(session: Session, found: Origins) -> tuple[LooseBook, ...]:
    lots = {row.item: row for row in ask(session, _LOTS, lots=found.up.loose)}
    codes, books, unsigned = codes_of(session, "lot", list(lots)), amounts(session, lots), open_differences(session, lots)
    return tuple(_loose_book(codes[item], lot, books[item], item in unsigned) for item, lot in lots.items())


def _loose_book(code: str, lot: Any, book: Book, unsigned: bool) -> LooseBook:
    words = " ".join(word for word in ("loose", lot.bin, lot.grade) if word)
    return LooseBook(
        code, words, book.total("in"), book.total("out"), book.total("scrapped"), book.total("sampled"), book.total("difference"), book.book,
        book.u, unsigned,
    )  # fmt: skip


def _panel_count(session: Session, found: Origins) -> PanelCount:
    cells = sum(rows * columns for rows, columns in ask(session, _PANELS, panels=found.up.panels))
    return PanelCount(len(found.up.panels), cells, sum(edge.units for edge in found.up.edges if edge.kind == "cells"))


def _cures(
    session: Session, lines: Sequence[Ran], done: Mapping[int, Doing], now: datetime, zone: str, told: Told, judged: Mapping[int, JudgementRow]
) -> tuple[Cure, ...]:
    cured = [one for one in lines if one[1].operation == "cure"]
    said = {line.run: done[line.id] for line, _ in cured}
    traces = cure_traces(session, cured, now, zone, told, judged)
    return tuple(Cure(said[run].load, said[run].run, said[run].station, trace) for run, trace in traces.items())


def _heat(session: Session, found: Origins, lines: Sequence[Ran], told: Told) -> tuple[SameHeat, ...]:
    used = [(line, item) for line, item, _ in found.uses]
    return tuple(heat_of_travels(session, found.up.panels, found.up.travels, lines, used, told))


def _bin_of(session: Session, found: Origins, lot: Lot | None) -> str:
    """The bin whose units the colour pictures show: the commonest in the subject."""
    if lot is not None:
        return lot.bin or ""
    units: Counter[int] = Counter()
    for content in found.up.contents:
        units[content.loose] += content.units
    bins: defaultdict[str, int] = defaultdict(int)
    for item, name, _ in ask(session, _LOTS, lots=units):
        bins[name or ""] += units[item]
    return max(bins, key=lambda name: (bins[name], name), default="")


def _results(session: Session, house: House, runs: Mapping[int, str], found: Origins, lot: Lot | None) -> tuple[TestResults, ...]:
    files = results_in_force(session, runs)
    chosen = _bin_of(session, found, lot) if files else ""
    return tuple(TestResults(runs[run], results_shown(session, house, file, chosen, runs[run])) for run, file in files.items())


_PANELS = listed("select rows, columns from panel where item in :panels", "panels")
_LOTS = listed("select item, bin, grade from lot where item in :lots order by item", "lots")

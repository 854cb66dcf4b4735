"""Mock recall: one reel, traced back and forward against the clock, its lots accounted for to the unit, and the evidence that is missing.

The reel is picked at random among those closed or shipped that still hold units; the same seed on the same record picks the same reel. What is
read is one state of the record. The report is kept as evidence, as it was found that day; a line in the journal says who rehearsed it.
"""

import json
import secrets
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass
from io import BytesIO
from random import Random
from time import perf_counter
from typing import Any, TypeVar

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from app import clock
from app.db import House
from app.errors import bad_input, refuse, unknown
from app.evidence.keep import Kept, keep_file, read_kept, record_evidence
from app.evidence.models import Evidence
from app.genealogy.missing_evidence import Missing, missing_evidence
from app.genealogy.models import MockRecall
from app.genealogy.origins import origins
from app.genealogy.recall_account import RecallAccount, account_for
from app.genealogy.trace import Trace, trace_back, trace_forward
from app.journal.act import Actor, By, act
from app.journal.models import Entry
from app.ledger.corrections import moves_in_force
from app.ledger.flows import PackContent
from app.ledger.items import Pack
from app.ledger.places import Move
from app.naming.resolve import Named, code_of, codes_of, resolve

MOST_SEED = 2**53  # that JSON and every database keep whole
KIND = "mock_recall"  # of the evidence
T = TypeVar("T")


@dataclass(frozen=True)
class Picked:
    """The pack of a rehearsal. `seed` and `out_of` are empty where it was named."""

    pack: Named
    seed: int | None
    out_of: int | None


@dataclass(frozen=True)
class Rehearsal:
    """What one rehearsal found, and how long each part took."""

    picked: Picked
    back: Trace
    forward: Trace
    account: RecallAccount
    missing: tuple[Missing, ...]
    seconds: dict[str, float]

    @property
    def not_accounted(self) -> int:
        return self.account.every_unit.difference + self.account.every_unit.unexplained

    @property
    def within(self) -> bool:
        return abs(self.not_accounted) <= self.account.every_unit.limit + 1e-9


def mock_recall(house: House, actor: Actor, code: str = "", seed: int | None = None, key: str | None = None) -> int:
    """Rehearses a recall and records it. The number of its report."""
    found, kept = rehearsed(house, code, seed)

    def verb(session: Session, by: By) -> dict[str, Any]:
        return {"mock_recall": record_recall(session, by, found, kept).id}

    return int(act(house, actor, "mock_recall", {"pack": code, "seed": seed}, verb, key=key).body["mock_recall"])


def rehearsed(house: House, code: str = "", seed: int | None = None) -> tuple[Rehearsal, Kept]:
    """Of a named pack, or of one picked by a seed (of its own where none is given). The report is kept, outside any transaction."""
    if seed is not None and not 0 <= seed < MOST_SEED:
        raise bad_input("That is not a seed.", "seed", f"It is {seed}.", "Give a whole number from 0 up.")
    if code and seed is not None:
        raise bad_input("A named pack needs no seed.", "seed", "Both were given.", "Leave one of them out.")
    with house.snapshot() as session:
        picked = Picked(resolve(session, code, "pack"), None, None) if code else pick(session, secrets.randbelow(2**31) if seed is None else seed)
        found = rehearse(session, picked, house)
    report = json.dumps(report_of(found), indent=1)
    return found, keep_file(house, f"mock-recall-{picked.pack.code}.json", BytesIO(report.encode()))


def record_recall(session: Session, by: By, found: Rehearsal, kept: Kept) -> MockRecall:
    every, picked = found.account.every_unit, found.picked
    row = MockRecall(
        e=by.e, pack=picked.pack.id, evidence=record_evidence(session, by, kept, KIND).id, seed=picked.seed, out_of=picked.out_of,
        took_seconds=found.seconds["all"], units_in=every.came_in + every.from_others, difference=found.not_accounted, within=found.within,
        packs=len(found.account.packs), missing=len(found.missing),
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row


def pick(session: Session, seed: int) -> Picked:
    """By Python's Mersenne twister, whose `random()` gives the same sequence for a seed in every version."""
    out_of = session.scalar(select(func.count()).select_from(_candidates().subquery())) or 0
    if not out_of:
        raise refuse("not_here", "There is no reel to recall.", "No pack is closed or shipped and still holds units.", "Close a pack first.")
    pack = session.scalars(_candidates().order_by(Pack.item).offset(int(Random(seed).random() * out_of)).limit(1)).one()
    return Picked(Named("pack", pack, code_of(session, "pack", pack)), seed, out_of)


def rehearse(session: Session, picked: Picked, house: House) -> Rehearsal:
    """Traces, accounts and looks for evidence as a recall would, each with the seconds that it took; writes nothing."""
    seconds: dict[str, float] = {}

    def timed(name: str, ask: Callable[[], T]) -> T:
        begun = perf_counter()
        answer = ask()
        seconds[name] = perf_counter() - begun
        return answer

    begun = perf_counter()
    back = timed("back", lambda: trace_back(session, picked.pack))
    forward = timed("forward", lambda: trace_forward(session, picked.pack))
    found = origins(session, [picked.pack.id])
    account = timed("account", lambda: account_for(session, found.up))
    missing = timed("missing", lambda: missing_evidence(session, found, house))
    return Rehearsal(picked, back, forward, account, tuple(missing), seconds | {"all": perf_counter() - begun})


def report_of(found: Rehearsal) -> dict[str, Any]:
    """The report as it is kept: plain JSON, with the ratios beside their numbers."""
    pack, every, back = found.back.subject, found.account.every_unit, found.back
    return {
        "pack": found.picked.pack.code, "words": pack.words, "units": pack.units, "where": pack.where, "customer": pack.customer, "order": pack.order,
        "shipment": pack.shipment, "seed": found.picked.seed, "out_of": found.picked.out_of, "read_at": clock.now().isoformat(),
        "seconds": {name: round(one, 3) for name, one in found.seconds.items()},
        "back": {
            "wafers": [row.code for row in back.wafers], "batches": [row.code for row in back.batches], "panels": len(back.panels),
            "lots": [row.code for row in back.lots], "packs": [row.code for row in back.packs if row.code != found.picked.pack.code],
            "runs": len(back.runs),
        },
        "forward": {
            name: [row.code for row in getattr(found.forward, name) if row.code != pack.code] for name in ("packs", "lots", "samples")
        },
        "origin_lots": list(found.account.origin_lots),
        "lots": [asdict(lot) | {"recovery": lot.recovery} for lot in found.account.lots],
        "every_unit": asdict(every) | {"recovery": every.recovery, "not_accounted": found.not_accounted, "within": found.within},
        "packs": [{"code": code, "units": units, "where": where} for code, units, where in found.account.packs],
        "stopped_by": sorted({code for row in (*found.back.packs, *found.back.lots, pack) for code in row.stopped_by}),
        "missing": [asdict(one) for one in found.missing],
        "missing_by_kind": dict(Counter(one.kind for one in found.missing)),
    }  # fmt: skip


@dataclass(frozen=True)
class PastRecall:
    """One line of the list of past rehearsals."""

    row: MockRecall
    pack: str
    entry: Entry

    @property
    def recovery(self) -> float | None:
        return (self.row.units_in - self.row.difference) / self.row.units_in if self.row.units_in else None


def past_recalls(session: Session, before: int | None = None, limit: int = 50) -> list[PastRecall]:
    """The newest first; `before`: only those with a lower number."""
    query = select(MockRecall, Entry).join(Entry, Entry.id == MockRecall.e).order_by(MockRecall.id.desc()).limit(limit)
    rows = session.execute(query.where(MockRecall.id < before) if before is not None else query).all()
    return _told(session, [(row, entry) for row, entry in rows])


def past_recall(session: Session, house: House, number: int) -> tuple[PastRecall, dict[str, Any], Evidence]:
    """One of them with its report, as it was kept."""
    found = session.execute(select(MockRecall, Entry).join(Entry, Entry.id == MockRecall.e).where(MockRecall.id == number)).first()
    if found is None:
        raise unknown(str(number), "the number of a mock recall")
    evidence = session.get_one(Evidence, found[0].evidence)
    return _told(session, [(found[0], found[1])])[0], json.loads(read_kept(house, evidence.digest)), evidence


def _told(session: Session, rows: list[tuple[MockRecall, Entry]]) -> list[PastRecall]:
    codes = codes_of(session, "pack", list({row.pack for row, _ in rows}))
    return [PastRecall(row, codes[row.pack], entry) for row, entry in rows]


def _candidates() -> Select[int]:
    holds = select(PackContent.id).where(PackContent.pack == Pack.item, PackContent.closed_e.is_(None)).exists()
    shipped = select(Move.id).where(Move.item == Pack.item, Move.kind == "shipped", moves_in_force()).exists()
    return select(Pack.item).where(Pack.closed_e.is_not(None) | shipped, holds)

"""What quality decides about a judgement that does not conform, signed, in the words of ISO 9000."""

from collections.abc import Iterable
from typing import Any, NamedTuple

from sqlalchemy import JSON, select, text
from sqlalchemy.orm import Session, aliased

from app.errors import bad_input, refuse
from app.journal.act import By
from app.ledger.judgements import DISPOSITIONS, Disposition, Judgement, is_reworked
from app.ledger.runs import Line, Run
from app.listed import among, ask, listed


def judgement_in_force(session: Session, line: int) -> Judgement | None:
    """The judgement of a line that none replaces."""
    return session.scalar(_IN_FORCE, {"lines": [line]})


class JudgementRow(NamedTuple):
    """A row of `judgement`."""

    id: int
    e: int
    line: int
    verdict: str
    reasons: list[Any]
    facts: dict[str, Any]


def judgements_in_force(session: Session, lines: Iterable[int]) -> dict[int, JudgementRow]:
    """The same for many lines: one statement, and no entity."""
    return {row[2]: JudgementRow(*row) for row in ask(session, _ROWS_IN_FORCE, lines=lines)}


_LATER = aliased(Judgement)
_IN_FORCE = select(Judgement).where(
    among(Judgement.line, "lines"), ~select(_LATER.id).where(_LATER.replaces == Judgement.id).exists()
)
_ROWS_IN_FORCE = listed(
    """
    select j.id, j.e, j.line, j.verdict, j.reasons, j.facts from judgement j
    where j.line in :lines and not exists (select 1 from judgement n where n.replaces = j.id)
    """,
    "lines",
).columns(reasons=JSON(), facts=JSON())


def dispose(session: Session, by: By, line: int, what: str, words: str) -> Disposition:
    """Closes the open judgement of an ended line; the last one decides. *Rework* opens its step again; a hold on it is released apart."""
    if what not in DISPOSITIONS:
        raise bad_input("That is not a disposition.", "what", f"{what!r} is not one of: {', '.join(DISPOSITIONS)}.", "Choose one of them.")
    judgement = judgement_in_force(session, line) or _cannot_tell(session, by, line)
    if judgement.verdict == "conforms" and not session.execute(_REWORKED, {"line": line}).first():  # which only a signature takes back
        raise refuse("finished", "This line conforms.", "There is nothing to decide.", "Look at its page.")
    disposition = Disposition(e=by.e, judgement=judgement.id, what=what, words=words.strip())
    session.add(disposition)
    session.flush()
    return disposition


_REWORKED = text(f"select 1 where {is_reworked(':line')}")


def _cannot_tell(session: Session, by: By, line: int) -> Judgement:
    """A line that was never judged is judged now: there is nothing to judge it by."""
    it = session.get_one(Line, line)
    if it.judged is None:
        raise refuse("finished", "This line is not judged.", "Its step asks for no judgement.", "Hold the thing that is meant.")
    if session.get_one(Run, it.run).closed_e is None:
        raise refuse("in_work", "Nothing is decided of this line yet.", "Its run is still open.", "End the run first, or hold it.")
    judgement = Judgement(e=by.e, line=line, rule=None, evidence=None, verdict="cannot_tell", reasons=["no evidence came"], facts={}, replaces=None)
    session.add(judgement)
    session.flush()
    return judgement


def write_judgement(
    session: Session, by: By, line: int, *, verdict: str, reasons: list[Any], facts: dict[str, Any], rule: int | None, evidence: int | None
) -> Judgement:
    """A judgement of a line that replaces the one in force. One that says the same replaces nothing: what was decided of it stands."""
    before = judgement_in_force(session, line)
    if before is not None and (before.verdict, before.reasons, before.facts) == (verdict, reasons, facts):
        return before
    judgement = Judgement(
        e=by.e, line=line, rule=rule, evidence=evidence, verdict=verdict, reasons=reasons, facts=facts, replaces=before.id if before else None
    )
    session.add(judgement)
    session.flush()
    return judgement

"""Let panels go on while a judgement is open: a lead's signature for that one reason. The mark travels with the panels."""

from sqlalchemy.orm import Session

from app.errors import bad_input, refuse
from app.floor.open_judgements import open_judgements
from app.journal.act import By, lock
from app.ledger.items import Item
from app.ledger.judgements import AtRisk
from app.ledger.sets import set_of


def go_on_at_risk(session: Session, by: By, panels: list[int], reason: str) -> list[AtRisk]:
    """One mark for each open line of these panels. The barrier stays closed for them all the same."""
    if not reason.strip():
        raise bad_input("A signature at risk needs a reason.", "reason", "It is empty.", "Say why it can't wait.")
    lock(session, Item, sorted(panels))
    by_line: dict[int, list[int]] = {}
    for panel, found in open_judgements(session, panels).items():
        for one in found:
            if not one.at_risk:
                by_line.setdefault(one.line, []).append(panel)
    if not by_line:
        raise refuse("changed", "Nothing is open for these panels.", "They need no signature.", "Start the next step.")
    marks = [AtRisk(e=by.e, line=line, set=set_of(session, by, members), reason=reason.strip()) for line, members in sorted(by_line.items())]
    session.add_all(marks)
    session.flush()
    return marks

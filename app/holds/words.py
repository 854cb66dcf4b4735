"""What a hold is on, in codes that a person knows: as many statements for one hold as for a hundred."""

from collections import defaultdict

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.ledger.runs import Line
from app.ledger.sets import Member
from app.ledger.stops import Hold
from app.naming.resolve import codes_of

_SAID = {"loose": "lot", "span": "station", "line": "run"}  # the kind of code that names it


def on_what(session: Session, holds: list[Hold]) -> dict[int, list[tuple[str, str]]]:
    """By hold: (kind, code) of what it names. A hold on a lot or container names that; one on panels alone, each panel."""
    runs = {line: run for line, run in session.execute(select(Line.id, Line.run).where(Line.id.in_([h.subject for h in holds if h.kind == "line"])))}
    panels: defaultdict[int, list[int]] = defaultdict(list)
    for set_id, panel in session.execute(
        select(Member.set, Member.panel).where(Member.set.in_([h.subject for h in holds if h.kind == "set"])).order_by(Member.panel)
    ):
        panels[set_id].append(panel)
    things = {hold.id: _things(hold, runs, panels) for hold in holds}
    wanted: defaultdict[str, set[int]] = defaultdict(set)
    for kind, thing in (one for found in things.values() for one in found):
        wanted[kind].add(thing)
    codes = {kind: codes_of(session, kind, list(ids)) for kind, ids in wanted.items()}
    return {hold: [(kind, codes[kind].get(thing, "")) for kind, thing in found] for hold, found in things.items()}


def _things(hold: Hold, runs: dict[int, int], panels: dict[int, list[int]]) -> list[tuple[str, int]]:
    if hold.lot is not None:
        return [("lot", hold.lot)]
    if hold.container is not None:
        return [("container", hold.container)]
    if hold.kind == "set":
        return [("panel", panel) for panel in panels[hold.subject]]
    if hold.kind == "line":
        return [("run", runs[hold.subject])]
    return [(_SAID.get(hold.kind, hold.kind), hold.subject)]

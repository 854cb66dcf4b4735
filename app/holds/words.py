"""What a hold is on, in codes that a person knows: as many statements for one hold as for a hundred."""

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.ledger.stops import Hold
from app.listed import gathered, listed
from app.naming.resolve import codes_of

_SAID = {"loose": "lot", "span": "station", "line": "run"}  # the kind of code that names it
_RUNS = listed("select id, run from line where id in :lines", "lines")
_PANELS = listed('select "set", panel from member where "set" in :sets order by panel', "sets")


class HoldRow(NamedTuple):
    """A row of `hold`, without its span."""

    id: int
    e: int
    closed_e: int | None
    kind: str
    subject: int
    lot: int | None
    container: int | None
    reason: str
    automatic: bool


def on_what(session: Session, holds: Sequence[Hold | HoldRow]) -> dict[int, list[tuple[str, str]]]:
    """By hold: (kind, code) of what it names. A hold on a lot or container names that; one on panels alone, each panel."""
    runs: dict[int, int] = dict(gathered(session, _RUNS, lines=[h.subject for h in holds if h.kind == "line"]))
    panels: defaultdict[int, list[int]] = defaultdict(list)
    for set_id, panel in gathered(session, _PANELS, sets=[h.subject for h in holds if h.kind == "set"]):
        panels[set_id].append(panel)
    things = {hold.id: _things(hold, runs, panels) for hold in holds}
    wanted: defaultdict[str, set[int]] = defaultdict(set)
    for kind, thing in (one for found in things.values() for one in found):
        wanted[kind].add(thing)
    codes = {kind: codes_of(session, kind, list(ids)) for kind, ids in wanted.items()}
    return {hold: [(kind, codes[kind].get(thing, "")) for kind, thing in found] for hold, found in things.items()}


def spans_in_words(session: Session, holds: Sequence[Hold]) -> dict[int, str]:
    """By hold on what ran at a station in a span of time: that it is no hold on the station, which may start what it will."""
    found = {}
    for hold in holds:
        if hold.kind == "span":
            begin, end = (catalogue.site_time(session, one) if one else "" for one in (hold.span_from, hold.span_to))
            found[hold.id] = f"what ran from {begin} to {end}" if begin and end else f"what ran from {begin} on" if begin else f"what ran until {end}"
    return found


def _things(hold: Hold | HoldRow, runs: dict[int, int], panels: dict[int, list[int]]) -> list[tuple[str, int]]:
    if hold.lot is not None:
        return [("lot", hold.lot)]
    if hold.container is not None:
        return [("container", hold.container)]
    if hold.kind == "set":
        return [("panel", panel) for panel in panels[hold.subject]]
    if hold.kind == "line":
        return [("run", runs[hold.subject])]
    return [(_SAID.get(hold.kind, hold.kind), hold.subject)]

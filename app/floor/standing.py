"""Where many lots stand, for a list of them: the same number of statements for ten lots and a hundred."""

from collections import Counter, defaultdict
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.floor.open_judgements import open_judgements
from app.floor.progress import Progress, loose_progress, progress
from app.holds.stopped import stops_on
from app.ledger.items import Lot
from app.ledger.runs import Claim
from app.ledger.sets import LotHolding, Member
from app.listed import among, tuples


@dataclass(frozen=True)
class Standing:
    """`steps`: the next steps by name, in the route's order, with how many panels come to each (1 for a loose lot)."""

    panels: int
    steps: tuple[tuple[str, int], ...]
    is_held: bool
    is_at_risk: bool
    in_work: int


def standings(session: Session, lots: list[Lot]) -> dict[int, Standing]:
    """By lot, panel lots and loose ones alike."""
    panels = _panels(session, [lot.item for lot in lots if lot.form == "panel"])
    loose = [lot.item for lot in lots if lot.form == "loose"]
    every = [panel for members in panels.values() for panel in members]
    stand = progress(session, every) | loose_progress(session, loose)
    held = stops_on(session, every) | stops_on(session, loose)  # apart: of panels a probe finds nearly always that there is nothing
    judged = open_judgements(session, every)
    claimed = {item for (item,) in tuples(session, _CLAIMED, items=[*every, *loose])}
    names = _names(session, stand)
    found = {}
    for lot in lots:
        things = panels.get(lot.item, []) if lot.form == "panel" else [lot.item]
        steps = Counter((stand[one].route, stand[one].next_step) for one in things)
        found[lot.item] = Standing(
            len(things) if lot.form == "panel" else 0,
            tuple((name, steps[key]) for key, name in names.items() if key in steps),
            any(one in held for one in things),
            any(open_one.at_risk for one in things for open_one in judged.get(one, [])),
            sum(one in claimed for one in things),
        )
    return found


def _panels(session: Session, lots: list[int]) -> dict[int, list[int]]:
    found: defaultdict[int, list[int]] = defaultdict(list)
    for lot, panel in tuples(session, _HELD, lots=lots):
        found[lot].append(panel)
    return found


# of a thousand lots there are more panels than either database takes parameters
_CLAIMED = select(Claim.item).where(among(Claim.item, "items"))
_HELD = (
    select(LotHolding.lot, Member.panel)
    .join(Member, Member.set == LotHolding.set)
    .where(among(LotHolding.lot, "lots"), LotHolding.closed_e.is_(None))
)


def _names(session: Session, stand: dict[int, Progress]) -> dict[tuple[int | None, str | None], str]:
    """The steps of all routes concerned, in order, by route and key; and the end of a route."""
    routes = catalogue.with_ids(session, list({one.route for one in stand.values() if one.route is not None}))
    names: dict[tuple[int | None, str | None], str] = {(route, step.key): step.name for route, one in routes.items() for step in one.body.steps}
    return names | {(route, None): "every step is done" for route in routes}

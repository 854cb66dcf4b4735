"""What a scan or a call names, gathered into groups that can start a run together: panels by lot and round, loose lots, packs."""

from collections import defaultdict
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import bad_input, few, refuse
from app.floor.progress import Progress, loose_progress, progress
from app.ledger.inside import is_inside
from app.ledger.items import Lot
from app.ledger.places import Content
from app.ledger.sets import Member, panels_of_lot
from app.naming.resolve import Named, codes_of


@dataclass(frozen=True)
class Group:
    """Things of one lot that stand alike. `panels` of a panel lot, or one `item` (loose lot or pack)."""

    lot: int | None
    panels: tuple[int, ...]
    item: int | None
    route: int | None
    next_step: str | None
    round: int
    progress: tuple[Progress, ...]

    @property
    def items(self) -> tuple[int, ...]:
        return self.panels if self.item is None else (self.item,)


def gather(session: Session, things: list[Named], only: list[int] | None = None) -> list[Group]:
    """Groups of what the things hold. `only`: just these panels of it. Panels without a lot are refused as not here."""
    panels: list[int] = []
    items: list[int] = []
    for thing in things:
        inside, loose = contents(session, thing)
        panels += inside
        items += loose
    panels = list(dict.fromkeys(panels))
    if only is not None:
        _must_hold(session, things, panels, only)
        panels = [panel for panel in panels if panel in set(only)]
    return panel_groups(session, panels) + [_loose_group(session, item) for item in dict.fromkeys(items)]


def contents(session: Session, thing: Named) -> tuple[list[int], list[int]]:
    """(panels, loose lots and other items) that a container, lot, panel or pack stands for now."""
    if thing.kind == "container":
        rows = list(session.scalars(select(Content).where(Content.container == thing.id, is_inside())))
        if not rows:
            raise refuse("not_here", f"{thing.code} is empty.", "Nothing is in it now.", "Scan the lot, or put it into the container first.")
        sets = [row.set for row in rows if row.set is not None]
        panels = list(session.scalars(select(Member.panel).where(Member.set.in_(sets)).order_by(Member.panel))) if sets else []
        return panels, [row.item for row in rows if row.item is not None]
    if thing.kind == "lot":
        panels = panels_of_lot(session, thing.id)
        return (panels, []) if panels or session.get_one(Lot, thing.id).form == "panel" else ([], [thing.id])
    if thing.kind == "panel":
        return [thing.id], []
    if thing.kind in ("pack", "sample"):
        return [], [thing.id]
    raise bad_input(f"{thing.code} can't be worked on.", thing.code, f"It is a {thing.kind}.", "Name a container, lot, panel or pack.")


def panel_groups(session: Session, panels: list[int]) -> list[Group]:
    """Panels of one lot with the same next step and round make one group."""
    stand = progress(session, panels)
    by_key: defaultdict[tuple[int | None, str | None, int], list[int]] = defaultdict(list)
    for panel in panels:
        one = stand[panel]
        by_key[one.lot, one.next_step, one.round].append(panel)
    return [
        Group(lot, tuple(members), None, stand[members[0]].route, step, round_, tuple(stand[panel] for panel in members))
        for (lot, step, round_), members in by_key.items()
    ]


def _loose_group(session: Session, item: int) -> Group:
    if session.get(Lot, item) is None:
        return Group(None, (), item, None, None, 1, (Progress(),))
    stand = loose_progress(session, [item])[item]
    return Group(item, (), item, stand.route, stand.next_step, stand.round, (stand,))


def _must_hold(session: Session, things: list[Named], panels: list[int], only: list[int]) -> None:
    missing = [panel for panel in only if panel not in set(panels)]
    if missing:
        names, is_are = few(codes_of(session, "panel", missing).values(), 10), "is" if len(missing) == 1 else "are"
        where = few(thing.code for thing in things)
        raise refuse("not_here", f"{names} {is_are} not in {where}.", "What was named is elsewhere.", "Scan the container that it is in.")



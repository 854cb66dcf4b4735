"""Containers: labelled magazines, trays and jars. What is in one, from entry to entry; scanning one means what is in it.

A magazine holds one panel set at a time (adding makes a new one), a jar one loose lot, a tray any number of samples.
Sets name panels and not lots, so splitting or merging lots changes no container.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.errors import Reason, bad_input, few, refuse
from app.floor.facts import refuse_or_hold
from app.journal.act import By, lock
from app.ledger.inside import is_inside
from app.ledger.items import Item, Lot
from app.ledger.places import Container, Content
from app.ledger.sets import Member, PanelSet, panels_of, set_of
from app.naming.resolve import code_of, codes_of, give_code

KINDS = ("magazine", "tray", "jar", "box")


@dataclass(frozen=True)
class Inside:
    """What is in a container now."""

    panels: tuple[int, ...] = ()
    loose: tuple[int, ...] = ()
    samples: tuple[int, ...] = ()

    @property
    def items(self) -> tuple[int, ...]:
        return self.panels + self.loose + self.samples


def add_container(session: Session, by: By, kind: str, name: str) -> Container:
    """A new container with a code of ours for its label."""
    if kind not in KINDS:
        raise bad_input("A container is of a known kind.", "kind", f"{kind!r} is not one of: {', '.join(KINDS)}.", "Choose one of them.")
    container = Container(e=by.e, kind=kind, name=name.strip())
    session.add(container)
    session.flush()
    give_code(session, by, "container", container.id)
    session.flush()
    return container


def put_panels(session: Session, by: By, container: int, panels: Sequence[int]) -> None:
    """Panels go into a container, and leave the one that they were in."""
    ids = sorted(set(panels))
    if not ids:
        raise bad_input("Nothing to put in.", "panels", "No panel is named.", "Scan the panels.")
    _lock(session, ids, [container, *_containers_of_panels(session, ids)])
    reasons = taken_reasons(session, container, "panels")
    refuse_or_hold(session, by, "The panels were not put in.", reasons, panels=ids)
    _emptied_lots_leave(session, by, container)
    panels_leave_containers(session, by, [panel for panel in ids if panel not in content_of(session, container).panels])
    _now_has(session, by, container, sorted({*content_of(session, container).panels, *ids}))


def put_item(session: Session, by: By, container: int, item: int) -> None:
    """A loose lot or a sample goes into a container, and leaves the one that it was in."""
    loose = _is_loose(session, item)
    was_in = container_of(session, item)
    _lock(session, [item], [container, *([was_in] if was_in else [])])
    if container_of(session, item) == container:
        return
    reasons = taken_reasons(session, container, "loose" if loose else "samples")
    refuse_or_hold(session, by, "It was not put in.", reasons, loose=[item] if loose else [])
    _emptied_lots_leave(session, by, container)
    item_leaves_container(session, by, item)
    session.add(Content(e=by.e, container=container, set=None, item=item))
    session.flush()


def take_out(session: Session, by: By, container: int, things: Sequence[int] | None = None) -> Inside:
    """Takes panels, loose lots or samples out of a container: all that is in it when none are named."""
    _lock(session, list(content_of(session, container).items), [container])
    there = content_of(session, container)
    wanted = set(there.items if things is None else things)
    missing = sorted(wanted - set(there.items))
    name = code_of(session, "container", container)
    if not there.items or missing:
        why = f"{len(missing)} of what is named is not in {name}." if missing else f"{name} is empty."
        raise refuse("not_here", "Nothing was taken out.", why, "Look at what is in the container now.")
    out = Inside(*(tuple(i for i in part if i in wanted) for part in (there.panels, there.loose, there.samples)))
    if out.panels:
        panels_leave_containers(session, by, out.panels)
    for item in out.loose + out.samples:
        item_leaves_container(session, by, item)
    return out


def move_content(session: Session, by: By, source: int, target: int, things: Sequence[int] | None = None) -> Inside:
    """What is in one container goes into another: all of it when nothing is named."""
    _lock(session, list(content_of(session, source).items), [source, target])
    out = take_out(session, by, source, things)
    if out.panels:
        put_panels(session, by, target, out.panels)
    for item in out.loose + out.samples:
        put_item(session, by, target, item)
    return out


def content_of(session: Session, container: int, *, but: int | None = None) -> Inside:
    """What is in a container now. `but`: a content to overlook."""
    rows = session.execute(
        select(Content.set, Content.item, Item.kind)
        .outerjoin(Item, Item.id == Content.item)
        .where(Content.container == container, is_inside(), Content.id != (but or 0))
        .order_by(Content.id)
    ).all()
    panels = [panel for row in rows if row[0] is not None for panel in panels_of(session, row[0])]
    items = [(item, kind) for _, item, kind in rows if item is not None]
    loose, samples = (tuple(item for item, kind in items if kind == wanted) for wanted in ("lot", "sample"))
    return Inside(tuple(panels), loose, samples)


def how_much_is_in(session: Session, containers: Sequence[int]) -> dict[int, tuple[int, int]]:
    """(panels, loose lots and samples) in each of these: two statements."""
    here = (Content.container.in_(containers), is_inside())
    panels = select(Content.container, func.sum(PanelSet.n)).join(PanelSet, PanelSet.id == Content.set).where(*here).group_by(Content.container)
    items = select(Content.container, func.count()).where(*here, Content.item.is_not(None)).group_by(Content.container)
    in_sets, apart = dict(session.execute(panels).all()), dict(session.execute(items).all())
    return {one: (int(in_sets.get(one, 0)), int(apart.get(one, 0))) for one in containers}


def container_of(session: Session, item: int) -> int | None:
    """The container that a loose lot or sample is in."""
    return session.scalar(select(Content.container).where(Content.item == item, Content.closed_e.is_(None)))


def containers_of_panels(session: Session, panels: Sequence[int]) -> dict[int, int]:
    """The container that each panel is in."""
    query = (
        select(Member.panel, Content.container)
        .join(Content, (Content.set == Member.set) & Content.closed_e.is_(None))
        .where(Member.panel.in_(panels))
    )
    return dict(session.execute(query).all())


def panels_leave_containers(session: Session, by: By, panels: Sequence[int]) -> None:
    """These panels are in no container any more; what else was in theirs stays."""
    gone = set(panels)
    lock(session, Container, _containers_of_panels(session, panels))
    for container in _containers_of_panels(session, panels):
        _now_has(session, by, container, [panel for panel in content_of(session, container).panels if panel not in gone])


def item_leaves_container(session: Session, by: By, item: int) -> int | None:
    """The loose lot or sample is in no container any more. Gives the one that it was in."""
    row = session.scalar(select(Content).where(Content.item == item, Content.closed_e.is_(None)))
    if row is None:
        return None
    row.closed_e = by.e
    session.flush()
    return row.container


def _emptied_lots_leave(session: Session, by: By, container: int) -> None:
    """Before something else goes in: units that come back to such a lot (a count was wrong) are not in this jar."""
    for row in session.scalars(select(Content).where(Content.container == container, Content.closed_e.is_(None), ~is_inside())):
        row.closed_e = by.e
    session.flush()


def _containers_of_panels(session: Session, panels: Sequence[int]) -> list[int]:
    return sorted(set(containers_of_panels(session, panels).values()))


def _now_has(session: Session, by: By, container: int, panels: list[int]) -> None:
    for row in session.scalars(select(Content).where(Content.container == container, Content.set.is_not(None), Content.closed_e.is_(None))):
        row.closed_e = by.e
    session.flush()
    if panels:
        session.add(Content(e=by.e, container=container, set=set_of(session, by, panels), item=None))
    session.flush()


def taken_reasons(session: Session, container: int, kind: str, *, but: int | None = None) -> list[Reason]:
    """Panels, loose units and samples don't share a container, and two loose lots in one jar would be mixed. `but`: a content to overlook."""
    there = content_of(session, container, but=but)
    others = there.loose if kind == "loose" else ()
    others += tuple(item for name in ("panels", "loose", "samples") if name != kind for item in getattr(there, name) if item not in others)
    if not others:
        return []
    names = few(code for of in ("panel", "lot", "sample") for code in codes_of(session, of, list(others)).values())
    why = f"{code_of(session, 'container', container)} holds {names}."
    return [Reason("container_taken", why, "Empty it, merge the lots, or take another container.")]


def _is_loose(session: Session, item: int) -> bool:
    kind = session.get_one(Item, item).kind
    if kind == "sample":
        return False
    if kind == "lot" and session.get_one(Lot, item).form == "loose":
        return True
    raise bad_input("That can't be put in as it is.", "item", f"It is a {kind}.", "Put panels, a loose lot or a sample into a container.")


def _lock(session: Session, items: list[int], containers: list[int]) -> None:
    """Items before containers, everywhere."""
    lock(session, Item, sorted(set(items)))
    lock(session, Container, sorted(set(containers)))

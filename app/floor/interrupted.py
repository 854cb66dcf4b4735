"""What a run that was interrupted or aborted left of its step: panels that it did, and panels that it may have begun.

Those done are no part of the rest that one scan of the magazine or lot starts again. Those that may have been begun are: the step is not
done for them, and whoever starts it is told of them, for they may be half worked.
"""

from collections import defaultdict
from collections.abc import Iterable, Set
from dataclasses import dataclass
from typing import NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.floor.groups import Group
from app.ledger.runs import Cover, Line, Run
from app.ledger.sets import Member
from app.listed import among, listed, tuples
from app.naming.resolve import codes_of


@dataclass(frozen=True)
class Begun:
    """Panels that an earlier run may have begun, and did not surely do."""

    run: str
    outcome: str  # interrupted or aborted
    panels: tuple[str, ...]


def without_done(session: Session, groups: list[Group], able: Set[tuple[int, str]]) -> list[Group]:
    """The groups but those for which an interrupted run did the step that others of their route come to next. `able`: route and step, of a start."""
    steps = {(group.route, group.next_step) for group in groups if group.panels and (group.route, group.next_step) in able}
    done = {i: step for i, group in enumerate(groups) for route, step in steps if group.route == route and _have_done(group, step)}
    if not done:
        return groups
    lines = {i: {last.line for stand in groups[i].progress if (last := stand.last(step or ""))} for i, step in done.items()}
    interrupted = set(session.scalars(_INTERRUPTED.where(among(Line.id, set().union(*lines.values())))))
    return [group for i, group in enumerate(groups) if i not in done or not lines[i] <= interrupted]


def _have_done(group: Group, step: str | None) -> bool:
    return step is not None and group.next_step != step and bool(group.panels) and all(stand.times(step) for stand in group.progress)


def may_have_begun(session: Session, groups: Iterable[Group]) -> list[Begun]:
    """Of panels that come to a step next: who may have been at it before."""
    coming = {panel: group.next_step for group in groups for panel in group.panels}
    found: defaultdict[tuple[int, str], set[int]] = defaultdict(set)
    for panel, step, run, outcome in tuples(session, _BEGUN, panels=coming):
        if coming[panel] == step:
            found[run, outcome].add(panel)
    runs, panels = codes_of(session, "run", [run for run, _ in found]), codes_of(session, "panel", list(set().union(*found.values())))
    return [Begun(runs[run], outcome, tuple(sorted(panels[one] for one in some))) for (run, outcome), some in sorted(found.items())]


class Covered(NamedTuple):
    """What a line did: panels for which the step is done by it or by one before it; those that it may have begun; those that it alone did."""

    done: list[int]
    perhaps: list[int]
    surely: list[int]


def covered(session: Session, run: Run) -> dict[int, Covered]:
    """By line that has closed."""
    query = select(Cover.line, Cover.done, Cover.extent, Member.panel).join(Line, Line.id == Cover.line).join(Member, Member.set == Cover.set)
    found: defaultdict[int, Covered] = defaultdict(lambda: Covered([], [], []))
    for line, is_done, extent, panel in session.execute(query.where(Line.run == run.id).order_by(Member.panel)):
        did = found[line]
        (did.done if is_done else did.perhaps).append(panel)
        if is_done and extent == "whole":
            did.surely.append(panel)
    return found


_INTERRUPTED = select(Line.id).join(Run, Run.id == Line.run).where(Run.outcome == "interrupted")
_BEGUN = listed(
    """
    select m.panel, l.step, r.id, r.outcome
    from member m cross join cover c cross join line l cross join run r
    where m.panel in :panels and c."set" = m."set" and c.extent = 'either' and not c.done and l.id = c.line and r.id = l.run
    and r.outcome in ('interrupted', 'aborted') and not exists (select 1 from run_void v where v.run = r.id)
    and not exists (
        select 1 from member n cross join cover d cross join line k
        where n.panel = m.panel and d."set" = n."set" and d.done and k.id = d.line and k.step = l.step and k.id > l.id
    )
    order by r.id
    """,
    "panels",
)

"""Start a run: gather what was scanned, ask the gates, claim it, open its lines."""

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Route, Station, Step
from app.catalogue.models import Thing
from app.catalogue.route_rules import asks_line_clear
from app.errors import Reason, Refused, bad_input, few, refuse
from app.floor.gate_facts import Facts, Loaded, read_facts
from app.floor.gates import grounds, to_refuse
from app.floor.groups import Group, contents, gather
from app.floor.in_work import on_shelves
from app.floor.interrupted import without_done
from app.floor.loose import lot_for_work
from app.floor.mounts import going_into
from app.floor.out_of_turn import hold_what_left_later
from app.floor.told_late import add_what_lay_there
from app.floor.windows import may_repeat
from app.holds.place import against_rules, hold_line
from app.journal.act import By, lock_in_order
from app.journal.record import AtOnce, enter, number
from app.ledger.items import Item, Lot
from app.ledger.runs import Line, Run, Use
from app.ledger.sets import set_of
from app.listed import Question, listed, together
from app.naming.resolve import Named, code_for

_CLAIMED = listed(
    "insert into claim (item, run) select id, :run from item where id in :items order by id on conflict do nothing returning item", "items"
)
# runs that have a pack, and begin and end with what is done to it
_OF_PACKS = {
    "tape": Reason("bad_input", "Taping fills a pack, and none is named.", "Fill a pack from the lot: its run begins with it."),
    "dry pack": Reason("bad_input", "Only a closed pack goes into a bag.", "Seal the pack at this station: its run begins and ends with it."),
}
_NOTHING = Reason("not_here", "Nothing is in it now that could start.", "Scan what you mean; its page says where its contents went.")


@dataclass(frozen=True)
class Start:
    """What a start did: the run, its lines, and the rules that a fact broke."""

    run: Run
    code: str
    lines: list[Line]
    broken: list[Reason]


def start_run(
    session: Session,
    by: By,
    station: int,
    things: list[Named],
    *,
    step: str | None = None,
    only: list[int] | None = None,
    person: int | None = None,
    shelf: str | None = None,
    line_clear: bool = False,
) -> Start:
    """Starts the next step (or `step`) of `things` at a station. `only`: just these panels of them. Refuses as the gates say.

    Panels that an interrupted run did already are left out of a magazine or lot; those that it may have begun are not.
    """
    facts = read_facts(session, station, lock_and_gather(session, things, only, station=station), person, by.happened_at)
    if shelf is not None:
        must_have_shelf(facts.station.body, shelf)
    facts, steps = _settle_steps(facts if only is not None else rest_of(session, facts, things, step), step)
    found = grounds(facts, steps) + _in_a_load(session, facts, steps) + _line_clear(facts, steps, line_clear=line_clear) + _told_late(facts, by)
    what = _may_not(facts, steps, things)
    if not by.fact and found:
        raise Refused(what, *to_refuse(found))
    if not steps:
        raise Refused(what, *(found or [_NOTHING]))
    if of_packs := [_OF_PACKS[one.operation] for one in steps.values() if one.operation in _OF_PACKS]:
        raise Refused(what, of_packs[0])
    hold_what_left_later(session, by, [item for i in steps for item in facts.groups[i].items])
    facts = replace(facts, groups=[_for_work(session, by, group) for group in facts.groups])
    return open_run(session, by, facts, steps, found, person=person, shelf=dict.fromkeys(steps, shelf) if shelf else {})


def must_have_shelf(oven: Station, shelf: str) -> None:
    """No sensor watches a shelf that is not there. An oven without names for its shelves takes any word."""
    if oven.shelves and shelf not in oven.shelves:
        raise bad_input(f"{oven.name} has no shelf {shelf}.", "shelf", f"Its shelves are {', '.join(oven.shelves)}.", "Name one of them.")


@dataclass(frozen=True)
class Would:
    """What a start would meet now: the groups that would work, at which step, and why it would be refused."""

    facts: Facts
    steps: dict[int, Step]
    refusal: Refused | None


def would_start(session: Session, station: int, things: list[Named], *, person: int | None, at: datetime) -> Would:
    """Asks before the act; writes and locks nothing. Whether the line is clear is asked of the person, so it is no ground here."""
    facts = read_facts(session, station, gather(session, things), person, at)
    facts, steps = _settle_steps(rest_of(session, facts, things, None), None)
    found = (grounds(facts, steps) + _in_a_load(session, facts, steps)) or ([] if steps else [_NOTHING])
    return Would(facts, steps, Refused(_may_not(facts, steps, things), *to_refuse(found)) if found else None)


def _in_a_load(session: Session, facts: Facts, steps: dict[int, Step]) -> list[Reason]:
    """What lies on a shelf of a load that is being filled is cured with it: alone it would leave the load with what is in work elsewhere."""
    panels = [panel for i, step in steps.items() if step.operation == "cure" for panel in facts.groups[i].panels]
    return on_shelves(session, panels, "Start that load, or take them out of it first.") if panels else []


def lock_and_gather(session: Session, things: list[Named], only: list[int] | None = None, *, station: int | None = None) -> list[Group]:
    """The groups, read after their rows are locked in id order. SQLite has one writer, which is in its turn already.

    `station`: where they start. It is locked too: what is taken off or put on while a line that names it opens would be in no line.
    """
    if session.get_bind().dialect.name == "postgresql":
        inside = [contents(session, thing) for thing in things]
        ids = sorted({item for panels, items in inside for item in [*panels, *items]})
        lock_in_order(session, (Item, ids), (Thing, [station] if station is not None else []))
        session.expire_all()
    return gather(session, things, only)


def open_run(
    session: Session,
    by: By,
    facts: Facts,
    steps: dict[int, Step],
    broken: list[Reason],
    *,
    person: int | None,
    shelf: dict[int, str],
    recipe: int | None = None,
) -> Start:
    """The rows of a start that was let through: run, claims, lines with what they use."""
    run = Run(
        operation=next(iter(steps.values())).operation, station=facts.station.id, person=person,
        recipe=recipe or _recipe(session, steps), started_at=by.happened_at, source=by.source,
    )  # fmt: skip
    parts = [(part, step, shelf.get(i)) for i, step in steps.items() for part in _by_round(facts.groups[i], step)]
    lines = [_line(session, by, facts, part, step, its_shelf) for part, step, its_shelf in parts]
    number(session, by.number, run, *lines)
    code = code_for(session, by, "run", run.id)
    with AtOnce(session) as writes:
        writes.enter(run, code)
        for line, (_, step, _) in zip(lines, parts, strict=True):
            line.run = run.id
            writes.enter(line, *_uses(by, line, _into(facts.loaded, run.operation, step)))
        writes.ask(_claims(run.id, [item for i in steps for item in facts.groups[i].items], fact=by.fact))
    for line in lines if broken else []:
        hold_line(session, by, line.id, against_rules(broken))
    add_what_lay_there(session, by, run, lines)
    return Start(run, code.code, lines, broken)


def use_what_is_loaded(session: Session, by: By, line: Line, loaded: list[Loaded], operation: str, step: Step | None) -> None:
    """A line had everything that was on the station when it opened and goes into its work."""
    enter(session, *_uses(by, line, _into(loaded, operation, step)))


def _into(loaded: list[Loaded], operation: str, step: Step | None) -> list[Loaded]:
    return [one for one, goes in zip(loaded, going_into([(one.kind, one.roles) for one in loaded], operation, step), strict=True) if goes]


def _uses(by: By, line: Line, loaded: list[Loaded]) -> list[Use]:
    return [Use(e=by.e, line=line.id, item=item, place=place) for item, place in {one.item: one.place for one in loaded}.items()]


def claim(session: Session, run: int, items: list[int]) -> None:
    together(session, _claims(run, items))


def _claims(run: int, items: list[int], *, fact: bool = False) -> Question[None]:
    """The loser of two starts meets the winner's key here."""
    wanted = set(items)

    def told(claimed: list[Any]) -> None:
        if len(claimed) < len(wanted) and not fact:
            raise refuse("in_work", "Someone else has just started it.", "It is in work.", "Look at its page to see where.")

    return Question(_CLAIMED, {"items": wanted, "run": run}, told)


def _for_work(session: Session, by: By, group: Group) -> Group:
    """A loose lot that has given out goes on as a new one before it is worked on (rule 4). Not before it may: a refusal would name it."""
    if group.item is None or session.get(Lot, group.item) is None:
        return group
    lot = lot_for_work(session, by, group.item).item
    return replace(group, lot=lot, item=lot)


def rest_of(session: Session, facts: Facts, things: list[Named], step: str | None) -> Facts:
    """Of a magazine or lot whose run was interrupted, the rest: panels that were done then are left out. A panel that is named is meant."""
    if len({group.next_step for group in facts.groups}) < 2 or any(thing.kind == "panel" for thing in things):
        return facts
    operations = facts.station.body.operations
    able = {
        (route, one.key)
        for route, body in facts.routes.items()
        for one in body.steps
        if one.operation in operations and step in (None, one.key, one.name)
    }
    groups = without_done(session, facts.groups, able)
    if len(groups) == len(facts.groups):
        return facts
    rest = {item for group in groups for item in group.items}
    stops = {item: each for item, each in facts.stops.items() if item in rest}
    return replace(facts, groups=groups, stops=stops, claims={item: where for item, where in facts.claims.items() if item in rest})


def _settle_steps(facts: Facts, step: str | None) -> tuple[Facts, dict[int, Step]]:
    """The step of each group that can work; panels with nothing good on them are left out unless all are so."""
    groups = [_only_good(group, facts.good) for group in facts.groups]
    kept = [group for group in groups if group is not None] or facts.groups
    facts = replace(facts, groups=kept)
    return facts, {i: found for i, group in enumerate(kept) if (found := _step_of(facts, group, step))}


def _only_good(group: Group, good: dict[int, int]) -> Group | None:
    if group.item is not None:
        return group
    keep = [i for i, panel in enumerate(group.panels) if good.get(panel, 0) > 0]
    return _part(group, keep) if keep else None


def _part(group: Group, keep: list[int]) -> Group:
    return replace(group, panels=tuple(group.panels[i] for i in keep), progress=tuple(group.progress[i] for i in keep))


def _by_round(group: Group, step: Step) -> list[Group]:
    """A line has one round. Panels that come to the same step next may have done the one that they repeat some twice, some once."""
    if group.item is not None or group.next_step == step.key:
        return [group]
    alike: defaultdict[int, list[int]] = defaultdict(list)
    for i, stand in enumerate(group.progress):
        alike[stand.round_of(step.key)].append(i)
    return [_part(group, keep) for _, keep in sorted(alike.items())]


def _step_of(facts: Facts, group: Group, stated: str | None) -> Step | None:
    """The step meant: as stated; else the next one; else, at a station that can't do it, one that it can: to repeat, to come, or done."""
    if group.route is None:
        return None
    route: Route = facts.routes[group.route]
    if stated is not None:
        return next((step for step in route.steps if stated in (step.key, step.name)), None)
    following = next((step for step in route.steps if step.key == group.next_step), None)
    operations = facts.station.body.operations
    if following is not None and following.operation in operations:
        return following
    stand = group.progress[0]
    able = [step for step in route.steps if step.operation in operations]
    again = [step for step in able if may_repeat(route, stand, step.key, facts.at)[0]]
    to_come = [step for step in able if not stand.times(step.key)]
    return next(iter([*again[-1:], *to_come[:1], *able[-1:]]), following)


def _line(session: Session, by: By, facts: Facts, group: Group, step: Step, shelf: str | None) -> Line:
    """To be entered when its run has a number."""
    units = sum(facts.good[panel] for panel in group.panels) if group.panels else None
    return Line(
        set=set_of(session, by, list(group.panels)) if group.panels else None, item=group.item, lot=group.lot,
        route=group.route, step=step.key, round=group.progress[0].round_of(step.key), shelf=shelf, units=units, judged=step.judged,
        started_at=by.happened_at,
    )  # fmt: skip


def _recipe(session: Session, steps: dict[int, Step]) -> int | None:
    name = next(iter(steps.values())).recipe
    return catalogue.recipe(session, name).definition if name else None


def _line_clear(facts: Facts, steps: dict[int, Step], *, line_clear: bool) -> list[Reason]:
    if line_clear or not any(map(asks_line_clear, steps.values())):
        return []
    return [
        Reason(
            "line_not_clear", f"Nobody said that {facts.station.name} is clear.", "Look for units of the lot before; then say that the line is clear."
        )
    ]


def _told_late(facts: Facts, by: By) -> list[Reason]:
    """A fact about something on which later work was entered before it."""
    later = [stand for group in facts.groups for stand in group.progress for doing in stand.doings if doing.ended_at > by.happened_at]
    if not by.fact or not later:
        return []
    return [Reason("changed", "Later work on the same thing was entered before this.", "Let quality look at it.")]


def _may_not(facts: Facts, steps: dict[int, Step], things: list[Named]) -> str:
    step = next((step.name for step in steps.values()), facts.station.body.operations[0])
    return f"{few(thing.code for thing in things)} may not start {step} at {facts.station.name}."

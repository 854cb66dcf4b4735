"""Oven loads: several lots or parts of lots on the shelves of one oven, filled, started as one run, ended or aborted."""

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Station, Step
from app.catalogue.models import Thing
from app.errors import Reason, Refused, refuse
from app.floor.gate_facts import Facts, read_facts
from app.floor.gates import grounds
from app.floor.groups import Group, gather, panel_groups
from app.floor.starts import Start, lock_and_gather, must_have_shelf, open_run, rest_of
from app.journal.act import By, lock
from app.ledger.places import Load, LoadPlace
from app.ledger.runs import Line, Run
from app.ledger.sets import Member, panels_of, set_of
from app.naming.resolve import Named, code_of, codes_of, give_code


def begin_load(session: Session, by: By, station: int, recipe: str) -> Load:
    """A load that is being filled, for one recipe at its revision now."""
    body: Station = catalogue.station(session, station).body
    if "cure" not in body.operations:
        raise refuse("station_cannot", f"{body.name} is not an oven.", f"It does {', '.join(body.operations)}.", "Name an oven.")
    load = Load(e=by.e, station=station, recipe=catalogue.recipe(session, recipe).definition)
    session.add(load)
    session.flush()
    give_code(session, by, "load", load.id)
    return load


def add_to_load(session: Session, by: By, load: Load, things: list[Named], shelf: str, only: list[int] | None = None) -> list[LoadPlace]:
    """Puts panels on a shelf. Each must come to a cure of the load's recipe next, at the same revision, and there must be room.

    Of a magazine or lot whose cure was interrupted the rest goes in; panels that are named are meant.
    """
    _lock_open(session, load)
    facts = read_facts(session, load.station, lock_and_gather(session, things, only), None, by.happened_at)
    facts = facts if only is not None else rest_of(session, facts, things, None)
    steps = {i: step for i, group in enumerate(facts.groups) if (step := _next(facts, group))}
    found = _misfits(session, load, facts, steps, shelf)
    if not by.fact and not any(reason.kind == "not_next_step" for reason in found):  # what comes to another step is not asked what that needs
        found += _not_yet(grounds(facts, steps))
    if found:
        raise Refused(f"{', '.join(thing.code for thing in things)} may not go into load {code_of(session, 'load', load.id)}.", *found)
    places = []
    for group in facts.groups:
        places.append(
            LoadPlace(
                e=by.e,
                load=load.id,
                shelf=shelf,
                set=set_of(session, by, list(group.panels)),
                lot=group.lot,
                route=group.route,
                step=group.next_step,
            )
        )
    session.add_all(places)
    session.flush()
    return places


def lie_on(session: Session, load: Load, things: list[Named], shelf: str) -> bool:
    """All panels of the things are on the shelf already: they were scanned a second time."""
    panels = {panel for group in gather(session, things) for panel in group.panels}
    there = {panel for place in places_of(session, load) if place.shelf == shelf for panel in panels_of(session, place.set)}
    return bool(panels) and panels <= there


def take_from_load(session: Session, by: By, load: Load, things: list[Named]) -> None:
    """Takes panels out of a load that has not started; what stays of a place goes on as a place of its own."""
    _lock_open(session, load)
    leaving = {panel for group in gather(session, things) for panel in group.panels}
    places = places_of(session, load)
    if not leaving & {panel for place in places for panel in panels_of(session, place.set)}:
        what, name = f"Nothing was taken out of load {code_of(session, 'load', load.id)}.", ", ".join(thing.code for thing in things)
        raise refuse("not_here", what, f"Nothing of {name} lies in it.", "Look at its shelves.")
    for place in places:
        panels = panels_of(session, place.set)
        if not leaving & set(panels):
            continue
        place.closed_e = by.e
        session.flush()
        rest = [panel for panel in panels if panel not in leaving]
        if rest:
            stays = LoadPlace(
                e=by.e, load=load.id, shelf=place.shelf, set=set_of(session, by, rest), lot=place.lot, route=place.route, step=place.step
            )
            session.add(stays)
    session.flush()


def cancel_load(session: Session, by: By, load: Load) -> None:
    """A load that never started: what lay in it is free again."""
    _lock_open(session, load)
    for place in places_of(session, load):
        place.closed_e = by.e
    load.closed_e = by.e


def start_load(session: Session, by: By, load: Load, seen: int | None, *, person: int | None = None) -> Start:
    """Starts the load as one run. `seen`: its version as the starter saw it; another one is refused, with the difference."""
    _lock_open(session, load)
    if seen is not None and seen != version(session, load):
        raise Refused(
            f"Load {code_of(session, 'load', load.id)} is not as you saw it.",
            Reason("changed", _difference(session, load, seen), "Look at the shelves, and start it again."),
        )
    places = places_of(session, load)
    if not places:
        raise refuse("not_here", f"Load {code_of(session, 'load', load.id)} is empty.", "Nothing is on its shelves.", "Put panels in first.")
    groups, shelves, wanted = _groups_on_shelves(session, places)
    lock(session, Thing, [load.station])
    facts = read_facts(session, load.station, groups, person, by.happened_at)
    steps = {i: step for i, group in enumerate(groups) if (step := _named_step(facts, group, wanted[i]))}
    found = grounds(facts, steps)
    found += dict.fromkeys(reason for step in steps.values() for reason in _recipe_differs(session, load, step))
    if found and not by.fact:
        raise Refused(f"Load {code_of(session, 'load', load.id)} may not start.", *found)
    start = open_run(session, by, facts, steps, found, person=person, shelf=shelves, recipe=load.recipe)
    for place in places:
        place.closed_e = by.e
    load.closed_e, load.run = by.e, start.run.id
    session.flush()
    return start


def version(session: Session, load: Load) -> int:
    """Grows with every change of what is in the load: the entry of the last one."""
    row = session.execute(select(func.max(LoadPlace.e), func.max(LoadPlace.closed_e)).where(LoadPlace.load == load.id)).one()
    return max(load.e, row[0] or 0, row[1] or 0)


def places_of(session: Session, load: Load) -> list[LoadPlace]:
    """What lies on the shelves of a load that is being filled."""
    return list(session.scalars(select(LoadPlace).where(LoadPlace.load == load.id, LoadPlace.closed_e.is_(None)).order_by(LoadPlace.id)))


@dataclass(frozen=True)
class OnShelf:
    """Panels of a lot on a shelf, for a step."""

    shelf: str
    lot: int
    step: str
    set: int


def on_shelves(session: Session, load: Load) -> list[OnShelf]:
    """What lies in the oven; of a load that has ended, what lay in it: from its start on the lines of its run say so."""
    if load.closed_e is None or load.run is None:
        return [OnShelf(place.shelf, place.lot, place.step, place.set) for place in places_of(session, load)]
    lines = session.scalars(select(Line).where(Line.run == load.run).order_by(Line.id))
    return [OnShelf(line.shelf or "", line.lot or 0, line.step or "", line.set or 0) for line in lines]


def state_of(session: Session, load: Load) -> str:
    """being filled, cancelled, running, or ended (done, aborted, interrupted)."""
    if load.closed_e is None:
        return "being filled"
    if load.run is None:
        return "cancelled"
    outcome = session.get_one(Run, load.run).outcome
    return "running" if outcome is None else "ended" if outcome == "done" else outcome


def _lock_open(session: Session, load: Load) -> None:
    lock(session, Load, [load.id])
    session.refresh(load)
    if load.closed_e is not None:
        name = code_of(session, "load", load.id)
        if load.run is None:
            raise refuse("finished", f"Load {name} was cancelled.", "It can't be changed.", "Begin another load.")
        state = state_of(session, load)
        now = {"running": "is running already", "ended": "has ended"}.get(state, f"was {state}")
        started = catalogue.site_time(session, session.get_one(Run, load.run).started_at)
        raise refuse("finished", f"Load {name} {now}.", f"It was started at {started}.", "Look at its page.")


def _misfits(session: Session, load: Load, facts: Facts, steps: dict[int, Step], shelf: str) -> list[Reason]:
    found = []
    must_have_shelf(facts.station.body, shelf)
    for i, group in enumerate(facts.groups):
        step = steps.get(i)
        if group.item is not None:
            now = "Start it at the oven alone: that is a run of its own."
            found.append(Reason("bad_input", f"Only panels lie on the shelves of a load, and {facts.names[group.item]} is none.", now))
        elif step is None or step.operation != "cure":
            now = f"Take it to {step.name}." if step else "It has done every step of its route."
            found.append(Reason("not_next_step", f"{_name(facts, group)} does not come to a cure next.", now))
        else:
            found += _recipe_differs(session, load, step)
    return found + _no_room(session, load, facts, shelf) + _elsewhere(session, facts)


def _recipe_differs(session: Session, load: Load, step: Step) -> list[Reason]:
    if catalogue.recipe(session, step.recipe or "").definition == load.recipe:
        return []
    loaded = catalogue.definition(session, load.recipe).name
    if loaded == step.recipe:
        why = f"Recipe {loaded} was changed after load {code_of(session, 'load', load.id)} was begun, which would run it as it was."
        return [Reason("recipe_differs", why, "Cancel the load, and begin another for the recipe as it is now.")]
    return [Reason("recipe_differs", f"{step.name} needs recipe {step.recipe}; this load runs {loaded}.", "Begin a load for its recipe.")]


def _no_room(session: Session, load: Load, facts: Facts, shelf: str) -> list[Reason]:
    body: Station = facts.station.body
    there = [(place.shelf, len(panels_of(session, place.set))) for place in places_of(session, load)]
    new = sum(len(group.panels) for group in facts.groups)
    found = []
    for limit, used, what in (
        (body.capacity_panels, sum(n for _, n in there), body.name),
        (body.shelf_panels, sum(n for name, n in there if name == shelf), f"shelf {shelf}"),
    ):
        if limit is not None and used + new > limit:
            found.append(Reason("capacity", f"{what} holds {limit} panels; {used} are there and {new} more come.", "Use another shelf or load."))
    return found


def _elsewhere(session: Session, facts: Facts) -> list[Reason]:
    """Panels that lie in a load that is being filled, this one or another."""
    panels = [panel for group in facts.groups for panel in group.panels]
    query = (
        select(LoadPlace.load, LoadPlace.shelf)
        .join(Member, Member.set == LoadPlace.set)
        .join(Load, Load.id == LoadPlace.load)
        .where(Member.panel.in_(panels), LoadPlace.closed_e.is_(None), Load.closed_e.is_(None))
        .distinct()
    )
    found = sorted((load, shelf) for load, shelf in session.execute(query))
    names = codes_of(session, "load", [load for load, _ in found])
    return [Reason("in_work", f"It is on shelf {shelf} of load {names[load]} already.", "Take it out there first.") for load, shelf in found]


def _not_yet(found: list[Reason]) -> list[Reason]:
    """What is said while filling is what would refuse the start, but for the state of the oven, which may change until then."""
    return [reason for reason in found if reason.kind not in ("station_down", "station_held", "calibration", "certificate", "in_work")]


def _groups_on_shelves(session: Session, places: list[LoadPlace]) -> tuple[list[Group], dict[int, str], list[str]]:
    groups: list[Group] = []
    shelves: dict[int, str] = {}
    wanted: list[str] = []
    for place in places:
        for group in panel_groups(session, panels_of(session, place.set)):
            shelves[len(groups)] = place.shelf
            wanted.append(place.step)
            groups.append(group)
    return groups, shelves, wanted


def _next(facts: Facts, group: Group) -> Step | None:
    return _named_step(facts, group, group.next_step)


def _named_step(facts: Facts, group: Group, key: str | None) -> Step | None:
    route = facts.routes.get(group.route or 0)
    return next((step for step in route.steps if step.key == key), None) if route else None


def _name(facts: Facts, group: Group) -> str:
    return facts.names.get(group.lot or 0, "It")


def _difference(session: Session, load: Load, seen: int) -> str:
    rows = list(session.scalars(select(LoadPlace).where(LoadPlace.load == load.id).order_by(LoadPlace.id)))
    came = [row for row in rows if row.e > seen and row.closed_e is None]
    left = [row for row in rows if row.e <= seen and row.closed_e is not None and row.closed_e > seen]
    names = codes_of(session, "lot", [row.lot for row in rows])
    words = [f"{names[row.lot]} came onto shelf {row.shelf}" for row in came] + [f"{names[row.lot]} left shelf {row.shelf}" for row in left]
    return "; ".join(words) + "." if words else "Its content changed and changed back."

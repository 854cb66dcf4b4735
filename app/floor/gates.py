"""The gates before a run: facts are read once, then pure rules say every ground of refusal. Nothing is written here."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import bindparam, func, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Order, Part, Product, Route, Station, Step
from app.catalogue.queries import Defined
from app.clock import told
from app.errors import Reason
from app.floor.groups import Group
from app.floor.marks import good_units_of
from app.floor.moves import Place, places_of
from app.floor.open_judgements import OpenJudgement, open_lines, with_risks_signed
from app.floor.windows import WindowState, may_repeat, windows_into
from app.holds.stopped import Stop, stops_at, stops_here
from app.ledger.counts import CountEntry
from app.ledger.items import Batch, Item, Lot, Opening, Wafer
from app.ledger.places import Mount
from app.ledger.runs import Claim, Line, Run, StationState
from app.listed import Question, among, ask, together
from app.naming.models import Code
from app.naming.resolve import codes_of
from app.people.models import Certificate, Person

DOWN = ("scheduled_down", "unscheduled_down", "non_scheduled")


@dataclass(frozen=True)
class Loaded:
    """Material on a place of the station, with what decides whether it may be used."""

    place: str
    item: int
    code: str
    kind: str  # wafer, or the part's kind
    part: str
    roles: tuple[str, ...]  # of a wafer: what its die may be
    expires_at: datetime | None
    pot_life_ends_at: datetime | None


@dataclass(frozen=True)
class Facts:
    """What the gates need to know of one start, read after the locks."""

    station: Defined[Station]
    state: tuple[str, str] | None
    station_stops: list[Stop]
    groups: list[Group]
    routes: dict[int, Route]
    products: dict[int, Product]  # by lot
    orders: dict[int, Order]  # by lot
    stops: dict[int, list[Stop]]
    stops_on_material: dict[int, list[Stop]]
    open: dict[int, list[OpenJudgement]]
    unsigned: list[str]
    claims: dict[int, str]
    places: dict[int, Place]
    loaded: list[Loaded]
    good: dict[int, int]  # good units, by panel
    certificates: list[tuple[str, datetime | None]]
    person: str | None
    names: dict[int, str]
    hold_names: dict[int, str]
    at: datetime
    zone: str  # of the site, in which times are told


def read_facts(session: Session, station: int, groups: list[Group], person: int | None, at: datetime) -> Facts:
    items = [item for group in groups for item in group.items]
    panels = [panel for group in groups for panel in group.panels]
    lot_ids = {group.lot for group in groups if group.lot}
    on_station, states, certified, named, counts, stops_found, open_found, places, good = together(
        session,
        Question(_ON_STATION, {"station": station}, list),
        Question(_STATE, {"station": station}, list),
        Question(_CERTIFIED, {"person": person}, list),
        Question(_NAMED_AND_CLAIMED, {"items": [*items, *lot_ids]}, list),
        Question(_COUNTS, {"lots": lot_ids}, list),
        stops_at(station),
        open_lines(panels),
        places_of(items),
        good_units_of(panels),
    )
    lots = {row.thing: row for row in named if row.product}
    routes = {group.route for group in groups if group.route is not None}
    of_lots = {thing for lot in lots.values() for thing in (lot.product, lot.order) if thing}
    things = catalogue.with_ids(session, [station, *routes, *of_lots])
    loaded = _loaded(session, on_station)
    station_stops, stops = stops_here(session, stops_found, [*items, *(one.item for one in loaded)])
    holds = {stop.hold for found in stops.values() for stop in found}
    claims = _claims(session, named)
    return Facts(
        station=catalogue.station(session, station),
        state=(states[0].state, states[0].reason) if states else None,
        station_stops=station_stops,
        groups=groups,
        routes={route: things[route].body for route in routes},
        products={item: things[lot.product].body for item, lot in lots.items()},
        orders={item: things[lot.order].body for item, lot in lots.items() if lot.order},
        stops={item: found for item, found in stops.items() if item in set(items)},
        stops_on_material=stops,
        open=with_risks_signed(session, panels, open_found),
        unsigned=_unsigned_differences(counts),
        claims={item: where for item, where in claims.items() if item in set(items)},
        places=places,
        loaded=loaded,
        good=good,
        certificates=[(row.certificate, row.valid_until) for row in certified if row.certificate is not None],
        person=certified[0].person if certified else None,
        names={row.thing: row.code for row in named},
        hold_names=codes_of(session, "hold", list(holds)),
        at=at,
        zone=catalogue.site(session).zone,
    )


def loaded_on(session: Session, station: int) -> list[Loaded]:
    """What is mounted on a station now."""
    return _loaded(session, ask(session, _ON_STATION, station=station))


def _loaded(session: Session, rows: Sequence[Any]) -> list[Loaded]:
    parts = catalogue.with_ids(session, [row.part for row in rows])
    found = []
    for place, item, code, part, role, expires_at, pot_life_ends_at in rows:
        body: Part = parts[part].body
        found.append(Loaded(place, item, code, "wafer" if role else body.kind, body.number, body.roles, expires_at, pot_life_ends_at))
    return found


def material_grounds(session: Session, line: Line, step: Step, mounts: Sequence[Mount]) -> list[Reason]:
    """What would have been wrong with the material when a line opened, had these mounts been known. Holds on it are walked, not copied."""
    lot = session.get_one(Lot, line.lot) if line.lot else None
    order = catalogue.with_id(session, lot.order).body if lot and lot.order else None
    group = Group(line.lot, (), None, line.route, step.key, line.round, ())
    station = catalogue.station(session, session.get_one(Run, line.run).station)
    products = {lot.item: catalogue.with_id(session, lot.product).body} if lot else {}
    loaded = _loaded(session, session.execute(_LOADED.where(Mount.id.in_([mount.id for mount in mounts]))).all())
    facts = Facts(
        station=station, state=None, station_stops=[], groups=[group], routes={}, products=products,
        orders={lot.item: order} if lot and order else {}, stops={}, stops_on_material={}, open={}, unsigned=[], claims={}, places={},
        loaded=loaded, good={}, certificates=[], person=None, names={}, hold_names={}, at=line.started_at, zone=catalogue.site(session).zone,
    )  # fmt: skip
    return _material(facts, group, step)


def grounds(facts: Facts, steps: dict[int, Step]) -> list[Reason]:
    """Every ground on which this start is refused. `steps`: the step meant, by the index of the group."""
    found = [*_claimed(facts), *_held(facts), *_station(facts)]
    for i, group in enumerate(facts.groups):
        step = steps.get(i)
        if step is None:
            found.append(_no_step(facts, group))
            continue
        found += _position(facts, group, step)
        found += _operation(facts, step)
        found += _away(facts, group, step)
        found += _judged(facts, group, step)
        found += _certified(facts, step)
        found += _material(facts, group, step)
        found += _windows(facts, group, step)
    found += _together(facts, list(steps.values()))
    return list(dict.fromkeys(found))


def _claimed(facts: Facts) -> list[Reason]:
    taken: dict[str, list[str]] = {}
    for item, where in facts.claims.items():
        taken.setdefault(where, []).append(facts.names.get(item, "It"))
    now = "Finish that run first, or ask the person who has it."
    return [Reason("in_work", f"{_some(names)} {'is' if len(names) == 1 else 'are'} in work: {where}.", now) for where, names in taken.items()]


def _held(facts: Facts) -> list[Reason]:
    found: dict[int, list[str]] = {}
    for item, stops in facts.stops.items():
        for stop in stops:
            found.setdefault(stop.hold, []).append(facts.names.get(item, str(item)))
    words = {stop.hold: stop.reason for stops in facts.stops.values() for stop in stops}
    return [
        Reason(
            "held",
            f"{_some(names)} {'is' if len(names) == 1 else 'are'} on hold ({facts.hold_names.get(hold, '')}: {words[hold]}).",
            f"Put {'it' if len(names) == 1 else 'them'} on the hold rack and ask quality for the release.",
        )
        for hold, names in found.items()
    ]


def _station(facts: Facts) -> list[Reason]:
    body, found = facts.station.body, []
    if facts.state and facts.state[0] in DOWN:
        found.append(Reason("station_down", f"{body.name} is {facts.state[0].replace('_', ' ')}: {facts.state[1]}.", "Use another station."))
    for stop in facts.station_stops:
        found.append(Reason("station_held", f"{body.name} is on hold: {stop.reason}.", "Use another station, or ask quality to release it."))
    if body.calibration_due is not None and facts.at > body.calibration_due:
        due = told(body.calibration_due, facts.zone)
        found.append(Reason("calibration", f"The calibration of {body.name} was due on {due}.", "Use another station and tell engineering."))
    return found


def _no_step(facts: Facts, group: Group) -> Reason:
    name = facts.names.get(group.lot or group.items[0], "It")
    if group.route is None:
        return Reason("not_here", f"{name} is in no lot.", "Start a lot with it first.")
    return Reason("not_next_step", f"{name} has done every step of its route.", "Scan another lot.")


def _position(facts: Facts, group: Group, step: Step) -> list[Reason]:
    if group.next_step == step.key or group.route is None:
        return []
    route = facts.routes[group.route]
    if group.item is not None and step.operation == "test" and group.progress[0].times(step.key) and not _went_on(route, group, step):
        return []  # a re-test is a further run
    repeats = [may_repeat(route, stand, step.key, facts.at) for stand in group.progress]
    if all(over for over, _ in repeats):
        if all(left for _, left in repeats):
            return []
        return [Reason("repeats_used", f"{step.name} was repeated as often as its time window allows.", "Ask quality for a disposition.")]
    following = next((one.name for one in route.steps if one.key == group.next_step), None)
    names, is_one = _some([facts.names.get(item, str(item)) for item in group.items]), len(group.items) == 1
    comes = f"{'comes' if is_one else 'come'} to {following} next" if following else f"{'has' if is_one else 'have'} done every step"
    return [
        Reason(
            "not_next_step",
            f"{names} {comes}, not to {step.name}.",
            f"Take {'it' if is_one else 'them'} to {following}." if following else "Scan another lot.",
        )
    ]


def _went_on(route: Route, group: Group, step: Step) -> bool:
    later = [one.key for one in route.steps[[one.key for one in route.steps].index(step.key) + 1 :]]
    return any(group.progress[0].times(key) for key in later)


def _operation(facts: Facts, step: Step) -> list[Reason]:
    body = facts.station.body
    if step.operation in body.operations:
        return []
    can = ", ".join(body.operations)
    return [Reason("station_cannot", f"{body.name} does {can}, not {step.operation}.", f"Take it to a station for {step.operation}.")]


def _away(facts: Facts, group: Group, step: Step) -> list[Reason]:
    allowed = ("floor", "stock", "returned", "outside") if step.operation == "outside work" else ("floor", "stock", "returned")
    away = {item: facts.places[item] for item in group.items if facts.places[item].kind not in allowed}
    if not away:
        return []
    names, place = _some([facts.names.get(item, str(item)) for item in away]), next(iter(away.values()))
    return [Reason("not_here", f"{names} {'is' if len(away) == 1 else 'are'} not here, but {place}.", "Bring it back first.")]


def _judged(facts: Facts, group: Group, step: Step) -> list[Reason]:
    found = []
    for panel in group.panels:
        for one in facts.open.get(panel, []):
            how = "does not conform" if one.verdict == "does_not_conform" else "can't be told yet" if one.verdict else "is not judged yet"
            why = f"The {one.judged} judgement of step {one.step} {how}."
            if step.barrier:
                found.append(Reason("barrier_open", why, "Nothing uncertain passes this step: quality must judge or sign a disposition first."))
            if not one.at_risk:
                first = "Ask quality for a disposition" if one.verdict == "does_not_conform" else "Wait for the judgement"
                found.append(Reason("judgement_open", why, f"{first}, or ask the lead to let it go on at risk."))
    if step.barrier:
        found += [Reason("barrier_open", why, "Ask the lead or quality to sign for the difference.") for why in facts.unsigned]
    return list(dict.fromkeys(found))


def _certified(facts: Facts, step: Step) -> list[Reason]:
    if step.certificate is None:
        return []
    valid = [until for name, until in facts.certificates if name == step.certificate]
    who = facts.person or "Nobody was named who"
    if not valid:
        why = f"{who} is not certified for {step.certificate}." if facts.person else f"{who} is certified for {step.certificate}."
        return [Reason("certificate", why, "Ask someone who is, or a lead.")]
    if all(until is not None and until < facts.at for until in valid):
        return [Reason("certificate", f"The certificate of {who} for {step.certificate} has lapsed.", "Renew it, or ask someone else.")]
    return []


def _material(facts: Facts, group: Group, step: Step) -> list[Reason]:
    found: list[Reason] = []
    order = facts.orders.get(group.lot or 0)
    needs = [(need.kind, need.part if not need.by_order else None) for need in step.needs]
    if step.role and group.lot in facts.products:
        role_parts = [role.part for role in facts.products[group.lot].roles if role.role == step.role]
        needs.append(("wafer", role_parts[0] if role_parts else None))
    for kind, part in needs:
        there = [one for one in facts.loaded if one.kind == kind]
        if not there:
            found.append(Reason("material_missing", f"No {kind} is on {facts.station.body.name}.", f"Mount {part or 'the ' + kind} first."))
            continue
        if kind == "wafer" and step.role and not any(step.role in one.roles for one in there):
            why = f"The wafer on {facts.station.body.name} is {' or '.join(there[0].roles)}, not {step.role}."
            found.append(Reason("role_wrong", why, f"Mount a {step.role} wafer."))
            continue
        if part is not None and not any(one.part == part for one in there):
            found.append(Reason("material_wrong", f"{there[0].code} is {there[0].part}; this step needs {part}.", f"Mount {part}."))
            continue
        found += _order_differs(there, kind, order)
        found += [reason for one in there if part is None or one.part == part for reason in _usable(facts, one)]
    return found


def _order_differs(there: list[Loaded], kind: str, order: Order | None) -> list[Reason]:
    asked = [material.part for material in order.materials if material.kind == kind] if order else []
    if not order or not asked or any(one.part in asked for one in there):
        return []
    return [
        Reason(
            "order_differs",
            f"Order {order.number} asks for {kind} {' or '.join(asked)}; {there[0].code} is {there[0].part}.",
            f"Mount {asked[0]}, or take the lot to a station that has it.",
        )
    ]


def _usable(facts: Facts, one: Loaded) -> list[Reason]:
    found = []
    if one.expires_at is not None and facts.at > one.expires_at:
        why = f"{one.code} expired at {told(one.expires_at, facts.zone)}."
        found.append(Reason("material_lapsed", why, "Take it off and mount a fresh one."))
    if one.pot_life_ends_at is not None and facts.at > one.pot_life_ends_at:
        why = f"The pot life of {one.code} ended at {told(one.pot_life_ends_at, facts.zone)}."
        found.append(Reason("material_lapsed", why, "Take it off and mount a fresh one."))
    for stop in facts.stops_on_material.get(one.item, []):
        found.append(Reason("material_held", f"{one.code} is on hold: {stop.reason}.", "Take it off and put it on the hold rack."))
    return found


def _windows(facts: Facts, group: Group, step: Step) -> list[Reason]:
    if group.route is None or group.next_step != step.key:
        return []
    route = facts.routes[group.route]
    alike: dict[_WindowGround, list[str]] = {}
    for item, stand in zip(group.items, group.progress, strict=True):
        for state in windows_into(route, stand, step.key):
            if ground := _window_ground(facts, route, state):
                alike.setdefault(ground, []).append(facts.names.get(item, str(item)))
    return [Reason(ground.kind, f"{ground.before}{_some(names)}{ground.after}", ground.now) for ground, names in alike.items()]


class _WindowGround(NamedTuple):
    """A reason without the names of those that it is said of, which stand between `before` and `after`: many panels run out together."""

    kind: str
    before: str
    after: str
    now: str


def _window_ground(facts: Facts, route: Route, state: WindowState) -> _WindowGround | None:
    first = next(step.name for step in route.steps if step.key == state.window.from_step)
    if state.over(facts.at):
        now = f"Repeat {first} first." if state.repeats_left > 0 else "No repeat is left: ask quality for a disposition."
        return _WindowGround("window_over", f"The time window after {first} has run out for ", ".", now)
    if state.begins_at is not None and state.early(facts.at):
        return _WindowGround("window_early", "", f" must wait after {first} until {told(state.begins_at, facts.zone)}.", "Come back then.")
    return None


def _together(facts: Facts, steps: list[Step]) -> list[Reason]:
    products = {facts.products[group.lot].part_number for group in facts.groups if group.lot in facts.products}
    found = []
    if len(products) > 1 and not all(step.mixed_products or step.operation == "cure" for step in steps):
        found.append(Reason("steps_differ", f"Products {', '.join(sorted(products))} may not run together here.", "Start them one after another."))
    if len({step.operation for step in steps}) > 1:
        found.append(Reason("steps_differ", f"They come to different work: {', '.join(sorted({s.name for s in steps}))}.", "Start them apart."))
    if len(facts.groups) > 1 and any(step.operation == "test" for step in steps):
        now = "Test one after another, or merge them first."
        found.append(Reason("steps_differ", "A test sorts one lot: whose units its bins held could not be told else.", now))
    if len({step.recipe for step in steps}) > 1:
        found.append(
            Reason("recipe_differs", f"They need different recipes: {', '.join(sorted({str(s.recipe) for s in steps}))}.", "Run them apart.")
        )
    return found


def _some(names: list[str]) -> str:
    shown = ", ".join(names[:3])
    return f"{shown} and {len(names) - 3} more" if len(names) > 3 else shown


def _unsigned_differences(counts: Sequence[Any]) -> list[str]:
    """Counts beyond counting that nobody signed for since."""
    found: dict[int, Any] = {}
    for entry in counts:
        if entry.kind == "counted" and entry.within is False:
            found[entry.item] = entry
        elif entry.kind in ("difference", "counted"):
            found.pop(entry.item, None)
    return [f"A count of {entry.units} units differs from the book ({entry.book}) and is not signed for." for entry in found.values()]


def _claims(session: Session, rows: Sequence[Any]) -> dict[int, str]:
    """Of items that are in work: where, since when, by whom."""
    stations = catalogue.with_ids(session, [row.station for row in rows if row.station])
    return {
        row.thing: f"{row.operation} at {stations[row.station].name} since {catalogue.site_time(session, row.started_at)}"
        + (f", by {row.name}" if row.name else "")
        for row in rows
        if row.station
    }


_STATE = (
    select(StationState.state, StationState.reason)
    .where(StationState.station == bindparam("station"), StationState.closed_e.is_(None))
    .order_by(StationState.id.desc())
    .limit(1)
)
_COUNTS = (
    select(CountEntry.item, CountEntry.kind, CountEntry.within, CountEntry.units, CountEntry.book)
    .where(among(CountEntry.item, "lots"), CountEntry.closed_e.is_(None))
    .order_by(CountEntry.id)
)
_NAMED_AND_CLAIMED = (
    select(Code.thing, Code.code, Lot.product, Lot.order, Run.operation, Run.station, Run.started_at, Person.name)
    .join(Item, (Item.kind == Code.kind) & (Item.id == Code.thing))
    .outerjoin(Lot, Lot.item == Item.id)
    .outerjoin(Claim, Claim.item == Code.thing)
    .outerjoin(Run, Run.id == Claim.run)
    .outerjoin(Person, Person.id == Run.person)
    .where(among(Item.id, "items"))
)
_CERTIFIED = (
    select(Person.name.label("person"), Certificate.name.label("certificate"), Certificate.valid_until)
    .outerjoin(Certificate, (Certificate.person == Person.id) & Certificate.closed_e.is_(None))
    .where(Person.id == bindparam("person"))
)
_LOADED = (
    select(
        Mount.place, Mount.item, Code.code, func.coalesce(Wafer.part, Batch.part).label("part"), Wafer.role, Batch.expires_at,
        Opening.pot_life_ends_at,
    )
    .join(Code, (Code.thing == Mount.item) & Code.kind.in_(("batch", "wafer")))
    .outerjoin(Wafer, Wafer.item == Mount.item)
    .outerjoin(Batch, Batch.item == Mount.item)
    .outerjoin(Opening, Opening.batch == Mount.item)
    .order_by(Mount.place)
)  # fmt: skip
_ON_STATION = _LOADED.where(Mount.station == bindparam("station"), Mount.closed_e.is_(None))

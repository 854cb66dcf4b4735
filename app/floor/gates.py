"""The gates before a run: pure rules over the facts (`gate_facts.py`) say every ground of refusal. Nothing is written here."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Order, Route, Step
from app.clock import told
from app.errors import Reason, few
from app.floor.gate_facts import Facts, Loaded, facts_of_mounts
from app.floor.groups import Group
from app.floor.progress import Progress
from app.floor.station_states import WORDS
from app.floor.windows import WindowState, may_repeat, windows_into
from app.ledger.places import Mount
from app.ledger.runs import Line

DOWN = ("scheduled_down", "unscheduled_down", "non_scheduled")
# no disposition: that is of a judgement or a hold, and what waited too long has neither until it is done and told
_UP_TO_QUALITY = (
    "put it on the hold rack and ask quality what becomes of it. "
    "If they let it go on, a lead enters what was done as a fact, which is held until they release it."
)


def material_grounds(session: Session, line: Line, step: Step, mounts: Sequence[Mount]) -> list[Reason]:
    """What would have been wrong with the material when a line opened, had these mounts been known. Holds on it are walked, not copied."""
    group = Group(line.lot, (), None, line.route, step.key, line.round, ())
    return _material(facts_of_mounts(session, line, group, mounts), group, step)


def grounds(facts: Facts, steps: dict[int, Step]) -> list[Reason]:
    """Every ground on which this start is refused. `steps`: the step meant, by the index of the group."""
    found = [*_claimed(facts), *_held(facts), *_station(facts)]
    for i, group in enumerate(facts.groups):
        step = steps.get(i)
        if step is None:
            found.append(_no_step(facts, group))
            continue
        found += _empty(facts, group)
        found += _position(facts, group, step)
        found += _operation(facts, step)
        found += _away(facts, group, step)
        found += _judged(facts, group, step)
        found += certificate_grounds(step, facts.person, facts.certificates, facts.at)
        found += _material(facts, group, step)
        found += _windows(facts, group, step)
    found += _together(facts, list(steps.values()))
    return list(dict.fromkeys(found))


def to_refuse(found: Sequence[Reason]) -> list[Reason]:
    """The grounds as they are told to who may not start. What comes to another step needs nothing here: asked for it, someone would mount that."""
    if not any(reason.kind == "not_next_step" for reason in found):
        return list(found)
    return [reason for reason in found if reason.kind not in ("material_missing", "material_wrong", "role_wrong")]


def _claimed(facts: Facts) -> list[Reason]:
    taken: dict[str, list[str]] = {}
    for item, where in facts.claims.items():
        taken.setdefault(where, []).append(facts.names.get(item, "It"))
    now = "Finish that run first, or ask the person who has it."
    return [Reason("in_work", f"{few(names)} {'is' if len(names) == 1 else 'are'} in work: {where}.", now) for where, names in taken.items()]


def _held(facts: Facts) -> list[Reason]:
    found: dict[int, list[str]] = {}
    for item, stops in facts.stops.items():
        for stop in stops:
            found.setdefault(stop.hold, []).append(facts.names.get(item, str(item)))
    words = {stop.hold: stop.reason for stops in facts.stops.values() for stop in stops}
    reasons = []
    for hold, names in found.items():
        are, it = ("is", "it") if len(names) == 1 else ("are", "them")
        on_hold, now = f"{few(names)} {are} on hold ({facts.hold_names.get(hold, '')}", f"Put {it} on the hold rack and ask quality for the release."
        reasons.append(Reason("held", f"{on_hold}: {words[hold]}).", now, brief=f"{on_hold})."))
    return reasons


def _station(facts: Facts) -> list[Reason]:
    body, found = facts.station.body, []
    if facts.state and facts.state[0] in DOWN:
        found.append(Reason("station_down", f"{body.name} is down ({WORDS[facts.state[0]]}): {facts.state[1]}.", "Use another station."))
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


def _empty(facts: Facts, group: Group) -> list[Reason]:
    if group.item not in facts.empty:
        return []
    return [Reason("too_few_units", f"{facts.names[group.item]} is empty.", "Scan what its units went into: the lot's page says where they are.")]


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
        return [Reason("repeats_used", f"{step.name} was repeated as often as its time window allows.", f"No repeat is left: {_UP_TO_QUALITY}")]
    following = next((one.name for one in route.steps if one.key == group.next_step), None)
    names, is_one = few([facts.names.get(item, str(item)) for item in group.items]), len(group.items) == 1
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
    names, place = few([facts.names.get(item, str(item)) for item in away]), next(iter(away.values()))
    return [Reason("not_here", f"{names} {'is' if len(away) == 1 else 'are'} not here, but {place}.", "Bring it back first.")]


_WAIT = {"placements": "Import the placement log, and mark cells that stayed empty", "readings": "Record what the step reads at that run"}


def _judged(facts: Facts, group: Group, step: Step) -> list[Reason]:
    found = []
    route = facts.routes[group.route] if group.route is not None else None
    for panel in group.panels:
        for one in facts.open.get(panel, []):
            no, told = ("does not", "is") if one.judged == "cure" else ("do not", "are")  # readings, placements
            how = f"{no} conform" if one.verdict == "does_not_conform" else "can't be told yet" if one.verdict else f"{told} not judged yet"
            why = f"The {one.judged} of step {catalogue.step_name(route, one.step)}, run {one.run_code}, {how}."
            if step.barrier:
                found.append(Reason("barrier_open", why, "Nothing uncertain passes this step: quality must judge or sign a disposition first."))
            if not one.at_risk:
                first = "Ask quality for a disposition" if one.verdict == "does_not_conform" else _WAIT.get(one.judged, "Wait for the judgement")
                found.append(Reason("judgement_open", why, f"{first}, or ask the lead to let it go on at risk."))
    found += _unsigned(facts, group) if step.barrier else []
    return list(dict.fromkeys(found))


def _unsigned(facts: Facts, group: Group) -> Iterable[Reason]:
    """Open differences of what would start, and of its lot."""
    for item in dict.fromkeys((group.lot, *group.items)):
        if item is not None and (found := facts.unsigned.get(item)) is not None:
            now = "Count it again, or have a lead or quality sign for the difference."
            if item == group.lot and group.panels:  # nobody signs for a panel lot: it is not known where units are missing
                now = "Count panel by panel and have those signed for, or mark the cells; then count the lot again."
            yield found.reason(facts.names.get(item, str(item)), now)


def certificate_grounds(step: Step, person: str | None, certificates: Iterable[tuple[str, datetime | None]], at: datetime) -> list[Reason]:
    """Why a person, by name, may not do this step: `certificates` are theirs, each with its end."""
    if step.certificate is None:
        return []
    valid = [until for name, until in certificates if name == step.certificate]
    who = person or "Nobody was named who"
    if not valid:
        why = f"{who} is not certified for {step.certificate}." if person else f"{who} is certified for {step.certificate}."
        return [Reason("certificate", why, "Let someone do it who is; your lead knows who.")]
    if all(until is not None and until < at for until in valid):
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
            found.append(Reason("role_wrong", why, f"Mount a wafer of {step.role} dies."))
            continue
        if part is not None and not any(one.part == part for one in there):
            found.append(_lacking(facts, part, [one for one in there if (kind, one.part) not in needs]))
            continue
        found += _order_differs(there, kind, order)
        found += [reason for one in there if part is None or one.part == part for reason in _usable(facts, one)]
    return found


def _lacking(facts: Facts, part: str, wrong: list[Loaded]) -> Reason:
    """What is there for another need of the step, like the thin wire beside a thick one, is not wrong and stays."""
    if wrong:
        return Reason("material_wrong", f"{wrong[0].code} is {wrong[0].part}; this step needs {part}.", f"Mount {part}.")
    return Reason("material_missing", f"No {part} is on {facts.station.body.name}.", f"Mount {part} beside what is there.")


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
        why, brief = f"{one.code} is on hold: {stop.reason}.", f"{one.code} is on hold."
        found.append(Reason("material_held", why, "Take it off and put it on the hold rack.", brief=brief))
    return found


def _windows(facts: Facts, group: Group, step: Step) -> list[Reason]:
    if group.route is None or group.next_step != step.key:
        return []
    route = facts.routes[group.route]
    alike: dict[_WindowGround, list[str]] = {}
    for item, stand in zip(group.items, group.progress, strict=True):
        for state in _into(route, stand, step):
            if ground := _window_ground(facts, route, state):
                alike.setdefault(ground, []).append(facts.names.get(item, str(item)))
    return [Reason(ground.kind, f"{ground.before}{few(names)}{ground.after}", ground.now) for ground, names in alike.items()]


def _into(route: Route, stand: Progress, step: Step) -> list[WindowState]:
    """Windows to the end of a step are judged at its end, but of a dry pack, which begins and ends at once."""
    ends = ("start", "end") if step.operation == "dry pack" else ("start",)
    return [state for until in ends for state in windows_into(route, stand, step.key, until)]


class _WindowGround(NamedTuple):
    """A reason without the names of those that it is said of, which stand between `before` and `after`: many panels run out together."""

    kind: str
    before: str
    after: str
    now: str


def _window_ground(facts: Facts, route: Route, state: WindowState) -> _WindowGround | None:
    first = next(step.name for step in route.steps if step.key == state.window.from_step)
    if state.over(facts.at):
        now = f"Repeat {first} first." if state.repeats_left > 0 else f"No repeat is left: {_UP_TO_QUALITY}"
        if not state.may_repeat:
            now = f"{first} can't be done to it again: {_UP_TO_QUALITY}"
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
        found.append(Reason("steps_differ", f"Their next steps differ: {', '.join(sorted({s.name for s in steps}))}.", "Start them separately."))
    if len(facts.groups) > 1 and any(step.operation == "test" for step in steps):
        now = "Test one after another, or merge them first."
        found.append(Reason("steps_differ", "A test sorts one lot: otherwise nobody could tell whose units are in its bins.", now))
    if len({step.recipe for step in steps}) > 1:
        found.append(
            Reason("recipe_differs", f"They need different recipes: {', '.join(sorted({str(s.recipe) for s in steps}))}.", "Run them separately.")
        )
    return found

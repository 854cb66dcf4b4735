"""What a catalogue must keep beyond the shape of its tables: names that lead somewhere, steps in order, polygons that are areas.

Pure. Each problem names its key's path, counted from 0 as JSON does; `file.py` adds the line.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from zoneinfo import ZoneInfo

from app import codes
from app.catalogue.definitions import (
    THINGS,
    BinTableBody,
    Catalogue,
    Customer,
    Order,
    Part,
    PersonEntry,
    Product,
    ReasonEntry,
    Recipe,
    Route,
    Site,
    Station,
    Step,
    Window,
    named_by,
    thing_name,
)  # fmt: skip
from app.catalogue.no_cure import no_cure
from app.catalogue.route_rules import mixing_step

Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Problem:
    """One thing wrong: where, why, and what to do."""

    path: Path
    why: str
    now: str


def path_text(path: Path) -> str:
    """products[0].roles[1].part"""
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path)
    return text.removeprefix(".")


def problems(new: Catalogue, known: Catalogue) -> list[Problem]:
    """Everything wrong with `new` where `known` is on the record already. Names may lead to either."""
    found = list(_twice(new))
    both = together(known, new)
    names = _Names(both)
    if new.site:
        found += _site(new.site)
    checks: list[tuple[str, Callable[..., Iterator[Problem]]]] = [
        ("parts", _part), ("bin_tables", _bin_table), ("recipes", _recipe), ("products", _product), ("routes", _route), ("stations", _station),
        ("people", _person), ("reasons", _reason), ("customers", _customer), ("orders", _order),
    ]  # fmt: skip
    for name, check in checks:
        for i, body in enumerate(getattr(new, name)):
            found += _under((name, i), check(body, names))
    found += _routes_left_behind(new, known, names)
    return found


def together(known: Catalogue, new: Catalogue) -> Catalogue:
    """`known` as it would be after `new` was loaded; people apart."""
    merged = {
        field: tuple(({thing_name(kind, b): b for b in getattr(known, field)} | {thing_name(kind, b): b for b in getattr(new, field)}).values())
        for kind, (field, _) in THINGS.items()
    }
    return Catalogue(site=new.site or known.site, people=known.people, **merged)


class _Names:
    """What each name leads to."""

    def __init__(self, both: Catalogue) -> None:
        self.parts = {part.number: part for part in both.parts}
        self.bin_tables = {table.name for table in both.bin_tables}
        self.recipes = {recipe.name for recipe in both.recipes}
        self.products = {product.part_number: product for product in both.products}
        self.seconds = {product.seconds_part_number for product in both.products if product.seconds_part_number}
        self.customers = {customer.name for customer in both.customers}


def _under(path: Path, found: Iterable[Problem]) -> list[Problem]:
    return [Problem((*path, *one.path), one.why, one.now) for one in found]


def _twice(new: Catalogue) -> Iterator[Problem]:
    for kind, (field, _) in THINGS.items():
        yield from _repeats([thing_name(kind, body) for body in getattr(new, field)], partial(_list_path, field, named_by(kind)))
    yield from _repeats([person.badge for person in new.people if person.badge], partial(_badge_path, new))
    no_badge = [person.name for person in new.people if not person.badge]
    yield from _repeats(no_badge, partial(_person_path, new))


def _list_path(field: str, key: str, i: int) -> Path:
    return field, i, key


def _badge_path(new: Catalogue, i: int) -> Path:
    return "people", [j for j, person in enumerate(new.people) if person.badge][i], "badge"


def _person_path(new: Catalogue, i: int) -> Path:
    return "people", [j for j, person in enumerate(new.people) if not person.badge][i], "name"


def _repeats(values: Sequence[str | None], path: Callable[[int], Path]) -> Iterator[Problem]:
    seen: set[str | None] = set()
    for i, value in enumerate(values):
        if value in seen:
            yield Problem(path(i), f"{value} appears twice.", "Keep one of the two, or give this one a name of its own.")
        seen.add(value)


def _same_twice(field: str, values: Sequence[str], key: str | None = None) -> Iterator[Problem]:
    yield from _repeats(values, lambda i: (field, i) if key is None else (field, i, key))


def _site(site: Site) -> Iterator[Problem]:
    if not _is_zone(site.zone):
        yield Problem(("site", "zone"), f"{site.zone!r} is not an IANA time zone.", 'Name one such as "Europe/Vienna".')
    yield from _under(("site",), _same_twice("shifts", [shift.name for shift in site.shifts], "name"))
    for i, shift in enumerate(site.shifts):
        if shift.begins == shift.ends:
            yield Problem(("site", "shifts", i, "ends"), f"{shift.name} ends when it begins.", "Give the time of day at which it ends.")


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # unknown, not a relative path, a folder
        return False
    return True


def _part(part: Part, names: _Names) -> Iterator[Problem]:
    if part.kind == "wafer" and part.role is None:
        yield Problem(("role",), f"Wafer part {part.number} has no role.", "Say what its die is in a product, such as driver or red.")
    if part.kind != "wafer":
        for field in ("role", "more_roles", "passing_bins"):
            if getattr(part, field):
                yield Problem((field,), f"{part.number} is {part.kind}: only a wafer part has this.", "Take the key out, or make it a wafer part.")
    if (part.rows is None) != (part.columns is None):
        yield Problem(("rows" if part.rows is None else "columns",), f"{part.number} has only one of rows and columns.", "Give both.")
    if part.kind != "lead frame" and part.rows is not None:
        yield Problem(("rows",), f"{part.number} is {part.kind}: only a lead frame has rows and columns.", "Take rows and columns out.")


def _bin_table(table: BinTableBody, names: _Names) -> Iterator[Problem]:
    by_name = {one.name: one for one in table.bins}
    for field in ("unbinned", "failed"):
        name = getattr(table, field)
        if name not in by_name:
            yield Problem((field,), f"{table.name} has no bin {name}.", f"Name one of its bins: {', '.join(by_name)}.")
        elif by_name[name].grade != "reject":
            yield Problem((field,), f"Bin {name} is {by_name[name].grade}: what fits no bin must be a reject.", "Name a bin of grade reject.")
    yield from _same_twice("bins", [one.name for one in table.bins], "name")
    codes_seen: dict[str, str] = {}
    for i, one in enumerate(table.bins):
        for j, polygon in enumerate(one.polygons):
            yield from _under(("bins", i, "polygons", j, "points"), _area(polygon.points))
        for j, rank in enumerate(one.ranks):
            if rank.low >= rank.high:
                why = f"The rank of {rank.column} ends at {rank.high:g}, not above {rank.low:g}."
                yield Problem(("bins", i, "ranks", j, "high"), why, "Give low < high.")
        yield from _under(("bins", i), _same_twice("ranks", [rank.column for rank in one.ranks], "column"))
        for j, code in enumerate(one.fail_codes):
            if code in codes_seen:
                yield Problem(("bins", i, "fail_codes", j), f"Failure code {code} is in bin {codes_seen[code]} too.", "One code leads to one bin.")
            codes_seen[code] = one.name


def _area(points: Sequence[tuple[float, float]]) -> Iterator[Problem]:
    from shapely import Polygon as Area  # a server starts without it
    from shapely.validation import explain_validity

    area = Area(points)
    if not area.is_valid:
        yield Problem((), f"The polygon encloses no area: {explain_validity(area)}.", "Give its corners in order around it, without crossing lines.")
    elif area.area == 0:
        yield Problem((), "The polygon has no area.", "Give three corners or more that are not on one line.")


def _recipe(recipe: Recipe, names: _Names) -> Iterator[Problem]:
    if not recipe.band_low_c <= recipe.set_point_c <= recipe.band_high_c or recipe.band_low_c == recipe.band_high_c:
        why = f"The set point {recipe.set_point_c:g} is not inside the band {recipe.band_low_c:g} to {recipe.band_high_c:g}."
        yield Problem(("set_point_c",), why, "Give band_low_c <= set_point_c <= band_high_c.")
    if recipe.soak_max_minutes is not None and recipe.soak_max_minutes < recipe.soak_minutes:
        yield Problem(("soak_max_minutes",), "The longest soak is shorter than the shortest.", "Give at least soak_minutes.")
    if recipe.min_equivalent_minutes is not None and recipe.activation_energy_kj_mol is None:
        why = "Equivalent minutes need an activation energy."
        yield Problem(("min_equivalent_minutes",), why, "Give activation_energy_kj_mol as the adhesive's data sheet has it.")
    for field in ("ramp_up_max_c_per_min", "ramp_down_max_c_per_min", "spread_max_c", "overshoot_max_c", "activation_energy_kj_mol"):
        value = getattr(recipe, field)
        if value is not None and value <= 0:
            yield Problem((field,), f"It is {value:g}.", "Give a number above 0, or leave the key out.")
    if recipe.kinetics is not None:
        for field, why, now in no_cure(recipe.kinetics, recipe.set_point_c):
            yield Problem(("kinetics", field), why, now)


def _product(product: Product, names: _Names) -> Iterator[Problem]:
    yield from _same_twice("roles", [role.role for role in product.roles], "role")
    for i, role in enumerate(product.roles):
        part = names.parts.get(role.part)
        if part is None:
            yield Problem(("roles", i, "part"), f"There is no part {role.part}.", "Add it to the parts, or name another.")
        elif part.kind != "wafer":
            yield Problem(("roles", i, "part"), f"{role.part} is {part.kind}, not a wafer part.", "Name a wafer part.")
        elif part.role and role.role not in part.roles:
            now = f"Name a wafer part of role {role.role}; or, if a unit has several of the same die, put it among the more_roles of {role.part}."
            yield Problem(("roles", i, "part"), f"{role.part} is a {' or '.join(part.roles)} die, not {role.role}.", now)
    if product.bin_table is not None and product.bin_table not in names.bin_tables:
        yield Problem(("bin_table",), f"There is no bin table {product.bin_table}.", "Add it to bin_tables, or name another.")
    if product.seconds_part_number is not None and product.seconds_part_number in names.products:
        yield Problem(("seconds_part_number",), f"{product.seconds_part_number} is a prime part number.", "Give seconds a part number of their own.")


def _route(route: Route, names: _Names) -> Iterator[Problem]:
    product = names.products.get(route.product)
    if product is None:
        yield Problem(("product",), f"There is no product {route.product}.", "Add it to the products, or name another.")
    yield from _same_twice("steps", [step.key for step in route.steps], "key")
    for i, step in enumerate(route.steps):
        yield from _under(("steps", i), _step(step, product, names))
    yield from _every_role_placed(route, product)
    yield from _barrier(route)
    for i, window in enumerate(route.windows):
        yield from _under(("windows", i), _window(window, [step.key for step in route.steps]))


def _step(step: Step, product: Product | None, names: _Names) -> Iterator[Problem]:
    if step.operation == "die attach" and step.role is None:
        yield Problem(("role",), f"Step {step.key} attaches dies of no role.", "Say which: role = ...")
    if step.operation != "die attach" and step.role is not None:
        yield Problem(("role",), f"Step {step.key} is {step.operation}: only a die attach has a role.", "Take the key out.")
    if product and step.operation == "die attach" and step.role and step.role not in [role.role for role in product.roles]:
        roles = ", ".join(role.role for role in product.roles) or "none"
        yield Problem(("role",), f"{product.part_number} has no role {step.role}.", f"Its roles: {roles}.")
    if step.operation == "cure" and step.recipe is None:
        yield Problem(("recipe",), f"Cure step {step.key} has no recipe.", "Name one of the recipes.")
    if step.recipe is not None and step.recipe not in names.recipes:
        yield Problem(("recipe",), f"There is no recipe {step.recipe}.", "Add it to the recipes, or name another.")
    if step.bin_table is not None and step.operation != "test":
        yield Problem(("bin_table",), f"Step {step.key} is {step.operation}: only a test sorts into bins.", "Take the key out.")
    if step.bin_table is not None and step.bin_table not in names.bin_tables:
        yield Problem(("bin_table",), f"There is no bin table {step.bin_table}.", "Add it to bin_tables, or name another.")
    yield from _judged(step)
    for i, need in enumerate(step.needs):
        if need.part is not None and need.by_order:
            yield Problem(("needs", i, "by_order"), "The part is named here and left to the order.", "Keep part or by_order.")
        if need.part is not None:
            yield from _under(("needs", i), _part_of_kind(need.part, need.kind, names))
    yield from _same_twice("records", [record.name for record in step.records], "name")
    for i, record in enumerate(step.records):
        if record.low is not None and record.high is not None and record.low > record.high:
            yield Problem(("records", i, "high"), f"The limits of {record.name} are {record.low:g} to {record.high:g}.", "Give low <= high.")


def _judged(step: Step) -> Iterator[Problem]:
    if step.operation == "cure" and step.judged != "cure":
        yield Problem(("judged",), f"Cure step {step.key} is not judged.", 'Write judged = "cure".')
    if step.judged == "cure" and step.operation != "cure":
        yield Problem(("judged",), f"Step {step.key} is {step.operation}: it leaves no cure trace.", "Take the key out.")
    if step.judged == "placements" and step.operation != "die attach":
        yield Problem(("judged",), f"Step {step.key} is {step.operation}: it leaves no placement log.", "Take the key out.")
    if step.judged == "readings" and not step.records:
        yield Problem(("judged",), f"Step {step.key} records nothing that could be judged.", "Add records, or take the key out.")


def _part_of_kind(number: str, kind: str, names: _Names) -> Iterator[Problem]:
    part = names.parts.get(number)
    if part is None:
        yield Problem(("part",), f"There is no part {number}.", "Add it to the parts, or name another.")
    elif part.kind != kind:
        yield Problem(("part",), f"{number} is {part.kind}, not {kind}.", f"Name a part of kind {kind}, or correct the kind.")


def _every_role_placed(route: Route, product: Product | None) -> Iterator[Problem]:
    attached = {step.role for step in route.steps if step.operation == "die attach"}
    for role in product.roles if product else ():
        if role.role not in attached:
            why = f"No die attach of {route.product} rev {route.revision} places the {role.role} die."
            yield Problem(("steps",), why, f'Add a step with operation = "die attach" and role = "{role.role}".')


def _barrier(route: Route) -> Iterator[Problem]:
    """One barrier, the last chance before units mix: at singulation or before it, with nothing judged from there to the mixing."""
    barriers = [i for i, step in enumerate(route.steps) if step.barrier]
    mixes = mixing_step(route)
    for i in barriers[1:]:
        yield Problem(("steps", i, "barrier"), f"Step {route.steps[barriers[0]].key} is the barrier already.", "A route has one barrier.")
    if mixes is None:
        return
    key = route.steps[mixes].key
    if not barriers:
        yield Problem(("steps", mixes), f"Units mix at step {key}, and no step is the barrier.", "Write barrier = true at the last step before it.")
    elif barriers[0] > mixes:
        yield Problem(("steps", barriers[0], "barrier"), f"Units have mixed before it, at step {key}.", f"The barrier stands before step {key}.")
    else:
        for i in range(barriers[0], mixes):
            if route.steps[i].judged:
                why = f"Step {route.steps[i].key} is judged, and nothing stops at it: the barrier is {route.steps[barriers[0]].key}."
                yield Problem(("steps", i, "judged"), why, f"Let the barrier stand after it, at {key} at the latest.")
    for i in range(mixes + 1, len(route.steps)):
        if route.steps[i].operation in ("die attach", "singulate"):
            why = f"Step {route.steps[i].key} needs panels, and units are loose from step {key} on."
            yield Problem(("steps", i, "operation"), why, f"Put it before step {key}.")


def _window(window: Window, keys: list[str]) -> Iterator[Problem]:
    for field in ("from_step", "to_step"):
        if getattr(window, field) not in keys:
            yield Problem((field,), f"The route has no step {getattr(window, field)}.", f"Name one of: {', '.join(keys)}.")
    if window.from_step in keys and window.to_step in keys and keys.index(window.from_step) >= keys.index(window.to_step):
        yield Problem(("to_step",), f"{window.to_step} does not come after {window.from_step}.", "Name a later step.")
    if window.max_minutes is None and window.min_minutes is None:
        yield Problem((), "The window has no limit.", "Give max_minutes, min_minutes or both.")
    if window.max_minutes is not None and window.min_minutes is not None and window.min_minutes > window.max_minutes:
        yield Problem(("min_minutes",), "The shortest time is longer than the longest.", "Give min_minutes <= max_minutes.")


def _station(station: Station, names: _Names) -> Iterator[Problem]:
    for field in ("operations", "places", "shelves"):
        yield from _same_twice(field, getattr(station, field))
    for i, sensor in enumerate(station.sensors):
        if sensor.shelf not in station.shelves:
            shelves = ", ".join(station.shelves) or "none"
            yield Problem(("sensors", i, "shelf"), f"{station.name} has no shelf {sensor.shelf}.", f"Its shelves: {shelves}.")
        if sensor.since and sensor.until and sensor.since >= sensor.until:
            yield Problem(("sensors", i, "until"), "It ends before it begins.", "Give since < until.")
    if station.shelf_panels is not None and not station.shelves:
        yield Problem(("shelf_panels",), f"{station.name} has no shelves.", "Name its shelves.")


def _person(person: PersonEntry, names: _Names) -> Iterator[Problem]:
    if person.badge is not None and not (codes.is_valid(person.badge) and person.badge[0] == codes.LETTERS["person"]):
        why = f"{person.badge} is not the code of a person: the letter E, a serial and a check character."
        yield Problem(("badge",), why, "Take the key out, and a badge is given; or correct the check character.")
    yield from _same_twice("duties", person.duties)
    yield from _same_twice("certificates", [f"{one.name} until {one.valid_until}" for one in person.certificates], "name")


def _reason(reason: ReasonEntry, names: _Names) -> Iterator[Problem]:
    if reason.state is not None and "station" not in reason.of:
        yield Problem(("state",), f"{reason.name} is not a reason of stations, so it sets no state.", "Take the state out, or add station to `of`.")


def _customer(customer: Customer, names: _Names) -> Iterator[Problem]:
    for number in customer.part_numbers:
        if number not in names.products and number not in names.seconds:
            yield Problem(("part_numbers", number), f"There is no product {number}.", "Add it to the products, or take the line out.")


def _order(order: Order, names: _Names) -> Iterator[Problem]:
    if order.customer not in names.customers:
        yield Problem(("customer",), f"There is no customer {order.customer}.", "Add it to the customers, or name another.")
    if order.product not in names.products:
        yield Problem(("product",), f"There is no product {order.product}.", "Add it to the products, or name another.")
    for i, material in enumerate(order.materials):
        yield from _under(("materials", i), _part_of_kind(material.part, material.kind, names))


def _routes_left_behind(new: Catalogue, known: Catalogue, names: _Names) -> Iterator[Problem]:
    """Routes on the record that a changed part, recipe or product of the file would break."""
    coming = {thing_name("route", route) for route in new.routes}
    mine: dict[str, Path] = {product.part_number: ("products", i) for i, product in enumerate(new.products)}
    if not new.products and not new.parts:
        return
    before = _Names(known)
    for route in known.routes:
        if thing_name("route", route) in coming:
            continue
        was = set(_route(route, before))
        for problem in _route(route, names):
            if problem not in was:
                path = mine.get(route.product) or ("parts",)
                why = f"{thing_name('route', route)}, which is on the record, would no longer hold: {problem.why}"
                yield Problem(path, why, "Load the changed route in the same file, or leave this as it is.")
                break


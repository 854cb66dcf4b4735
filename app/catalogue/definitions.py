"""What the catalogue's file holds, kind by kind: the bodies of definitions. Units stand in the names; times of day are local.

A step's `needs` say which material must be on the station; a need `by_order` takes its part from the order's `materials`.
"""

from datetime import UTC, date, datetime, time
from typing import Annotated, Literal, get_args

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints

Operation = Literal[
    "die attach", "cure", "plasma clean", "wire bond", "encapsulate", "mould", "inspect", "singulate", "clean", "test", "tape",
    "dry pack", "outside work",
]  # fmt: skip
Duty = Literal["operate", "lead", "quality", "engineer", "administer"]
PartKind = Literal[
    "wafer", "adhesive", "wire", "encapsulant", "mould compound", "lead frame", "carrier tape", "cover tape", "bag", "blade", "other"
]  # fmt: skip
StationState = Literal["productive", "standby", "engineering", "scheduled_down", "unscheduled_down", "non_scheduled"]  # SEMI E10
STATION_STATES: tuple[str, ...] = get_args(StationState)


def _in_utc(moment: datetime) -> datetime:
    try:
        return moment.astimezone(UTC)
    except OverflowError:
        raise ValueError("the time is out of range") from None


def _local(moment: time) -> time:
    if moment.tzinfo is not None:
        raise ValueError("a time of day is local and has no zone")
    return moment


# no control characters: names stand in codes' texts, labels and file names of exports
Name = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f]+$")]
PersonName = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]  # as the people's room has it
Moment = Annotated[AwareDatetime, AfterValidator(_in_utc)]
TimeOfDay = Annotated[time, AfterValidator(_local)]


# far beyond any plant, and near enough that no sum of times or counts leaves what databases and calendars hold
Pieces = Annotated[int, Field(ge=1, le=1_000_000)]
Minutes = Annotated[float, Field(gt=0, le=10_000_000)]  # 19 years


class Body(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class Shift(Body):
    name: Name
    begins: TimeOfDay
    ends: TimeOfDay


class Site(Body):
    """One a catalogue. `zone` is an IANA name; the production day begins at `day_start` there."""

    name: Name
    zone: Name
    day_start: TimeOfDay = time(6, 0)
    shifts: tuple[Shift, ...] = ()
    country: Annotated[str, Field(pattern=r"^[A-Z]{2}$")] = "ZZ"  # ISO 3166-1 alpha-2, for labels


class Part(Body):
    """A material part: what a batch or wafer is of."""

    number: Name
    kind: PartKind
    description: str = ""
    role: Name | None = None  # of a wafer part: what its die is, such as driver or red
    more_roles: tuple[Name, ...] = ()  # its other roles, where a unit has several of the same die: each is placed by a step of its own
    passing_bins: tuple[str, ...] = ()  # of a wafer part, where the map's file does not say
    rows: Annotated[int, Field(ge=1, le=1000)] | None = None  # of a lead frame
    columns: Annotated[int, Field(ge=1, le=1000)] | None = None
    shelf_life_days: Annotated[int, Field(ge=1, le=36_500)] | None = None
    pot_life_minutes: Annotated[int, Field(ge=1, le=10_000_000)] | None = None  # from opening
    activation_energy_kj_mol: Annotated[float, Field(gt=0)] | None = None  # of an adhesive, for the heat ledger where the recipe has none

    @property
    def roles(self) -> tuple[str, ...]:
        """All that its die may be in a product."""
        return (self.role, *self.more_roles) if self.role else ()


class Role(Body):
    role: Name
    part: Name  # wafer part


class Product(Body):
    part_number: Name
    description: str = ""
    rows: Annotated[int, Field(ge=1, le=1000)]
    columns: Annotated[int, Field(ge=1, le=1000)]
    roles: tuple[Role, ...]
    bin_table: Name | None = None
    units_per_reel: Pieces = 4500
    max_lots_per_pack: Pieces = 4
    moisture_level: Literal["1", "2", "2a", "3", "4", "5", "5a", "6"] = "3"  # J-STD-020
    shelf_months: Annotated[int, Field(ge=1, le=1200)] = 12  # sealed, J-STD-033
    seconds_part_number: Name | None = None  # empty: seconds are not sold


class Need(Body):
    """Material that must be on the station when the step starts. `part` empty: any part of that kind; `by_order`: as the order says."""

    kind: PartKind
    part: Name | None = None
    by_order: bool = False


class Record(Body):
    """A value that the step records when it finishes."""

    name: Name
    unit: str = ""
    low: float | None = None
    high: float | None = None


class Step(Body):
    key: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,39}$")]
    name: Name
    operation: Operation
    role: Name | None = None  # of a die attach
    recipe: Name | None = None  # of a cure; or a station's program elsewhere
    bin_table: Name | None = None  # of a test, where it is not the product's: a first stage sorts by less than the last
    needs: tuple[Need, ...] = ()
    records: tuple[Record, ...] = ()
    certificate: Name | None = None
    judged: Literal["cure", "readings", "placements"] | None = None
    barrier: bool = False
    count: Literal["none", "cells", "hand", "counter", "weight"] = "none"  # how units are counted at the finish
    mixed_products: bool = False
    wrong_placements_limit: Annotated[float, Field(ge=0, le=1)] = 0.002  # share of a lot's placements at this step; strict
    standard_minutes: Minutes = 60
    wait_limit_minutes: Minutes | None = None  # waiting longer is stuck; empty: the 95th percentile of the last 30 days
    instruction: str = ""
    caution: str = ""


class Window(Body):
    """The longest (and shortest) time for a panel, or for the units that came of it, from the end of one step to the start (or end) of another."""

    from_step: str
    to_step: str
    until: Literal["start", "end"] = "start"
    max_minutes: Minutes | None = None
    min_minutes: Annotated[float, Field(ge=0, le=10_000_000)] | None = None
    repeats: Annotated[int, Field(ge=0, le=1000)] = 1  # how many times the first step may be done again; the first doing does not count


class Route(Body):
    """One revision of a product's route. Its identity is `product` and `revision`."""

    product: Name
    revision: Name
    steps: Annotated[tuple[Step, ...], Field(min_length=1)]
    windows: tuple[Window, ...] = ()


class Kinetics(Body):
    """Degree of cure: n-th order (k1 only) or Kamal-Sourour. Pre-exponential factors per second, energies kJ/mol."""

    model: Literal["nth order", "kamal"] = "nth order"
    a1_per_s: float
    e1_kj_mol: float
    a2_per_s: float = 0.0
    e2_kj_mol: float = 0.0
    m: float = 0.0
    n: float = 1.0
    least_degree: Annotated[float, Field(ge=0, le=1)] | None = None
    greatest_degree: Annotated[float, Field(ge=0, le=1)] | None = None


class Recipe(Body):
    """What an oven must do. A changed recipe is a new revision: runs keep the very definition that they ran."""

    name: Name
    set_point_c: float
    band_low_c: float
    band_high_c: float
    soak_minutes: Minutes
    soak_max_minutes: float | None = None
    sum_soaks: bool = False  # the soaks of an aborted round and of the one that completes it may be added
    ramp_up_max_c_per_min: float | None = None
    ramp_down_max_c_per_min: float | None = None
    spread_max_c: float | None = None
    overshoot_max_c: float | None = None
    max_gap_seconds: Annotated[float, Field(gt=0, le=10_000_000)] = 120
    min_sensors: Pieces = 1
    activation_energy_kj_mol: float | None = None
    min_equivalent_minutes: float | None = None
    kinetics: Kinetics | None = None


class Sensor(Body):
    """A logger's sensor and the shelf that it watches, since when."""

    name: Name
    shelf: Name
    since: Moment | None = None
    until: Moment | None = None


class Station(Body):
    name: Name
    area: Name
    operations: Annotated[tuple[Operation, ...], Field(min_length=1)]
    places: tuple[Name, ...] = ()  # where material is put; empty: one place for each kind of material
    capacity_panels: Pieces | None = None  # of an oven, per load
    shelves: tuple[Name, ...] = ()
    shelf_panels: Pieces | None = None
    sensors: tuple[Sensor, ...] = ()
    calibration_due: Moment | None = None
    units_per_hour: Annotated[float, Field(gt=0)] | None = None


class CertificateOfPerson(Body):
    name: PersonName
    valid_until: Moment | None = None


class PersonEntry(Body):
    """People stand in the catalogue's file with badge, duties and certificates; never with a secret."""

    name: PersonName
    badge: str | None = None  # a code of ours; empty: one is given
    duties: tuple[Duty, ...] = ()
    certificates: tuple[CertificateOfPerson, ...] = ()


class Rank(Body):
    column: Name
    low: float
    high: float


class Polygon(Body):
    x: Name  # column of the unit results, e.g. x_red
    y: Name
    points: Annotated[tuple[tuple[float, float], ...], Field(min_length=3)]


class BinEntry(Body):
    name: Name
    grade: Literal["prime", "second", "reject"]
    polygons: tuple[Polygon, ...] = ()
    ranks: tuple[Rank, ...] = ()
    fail_codes: tuple[str, ...] = ()


class BinTableBody(Body):
    name: Name
    unbinned: Name  # the reject bin for what fits nowhere
    failed: Name  # the reject bin for failure codes that no bin names
    bins: Annotated[tuple[BinEntry, ...], Field(min_length=1)]


class ReasonEntry(Body):
    name: Name
    of: tuple[Literal["mark", "scrap", "scrap wafer", "sample", "hold", "count", "short pack", "station", "return", "void", "risk"], ...]
    state: StationState | None = None  # of a station: what it is for this reason; its card says both in one scan


class Customer(Body):
    name: Name
    part_numbers: dict[str, str] = Field(default_factory=dict)  # our part number -> theirs
    supplier_code: str | None = None  # that they gave us


class OrderMaterial(Body):
    kind: PartKind
    part: Name


class Order(Body):
    number: Name
    customer: Name
    product: Name
    units: Annotated[int, Field(ge=1, le=10**9)]
    due: date | None = None
    materials: tuple[OrderMaterial, ...] = ()  # what this customer asks, e.g. the wire
    accepts_seconds: bool = False
    over_percent: Annotated[float, Field(ge=0, le=100)] = 0  # so much more than `units` the customer takes without being asked


class Catalogue(Body):
    """The whole file."""

    site: Site | None = None
    parts: tuple[Part, ...] = ()
    bin_tables: tuple[BinTableBody, ...] = ()
    recipes: tuple[Recipe, ...] = ()
    products: tuple[Product, ...] = ()
    routes: tuple[Route, ...] = ()
    stations: tuple[Station, ...] = ()
    people: tuple[PersonEntry, ...] = ()
    reasons: tuple[ReasonEntry, ...] = ()
    customers: tuple[Customer, ...] = ()
    orders: tuple[Order, ...] = ()


# kind of thing -> (list in the file, model, how its name is made)
THINGS: dict[str, tuple[str, type[Body]]] = {
    "part": ("parts", Part),
    "bin_table": ("bin_tables", BinTableBody),
    "recipe": ("recipes", Recipe),
    "product": ("products", Product),
    "route": ("routes", Route),
    "station": ("stations", Station),
    "reason": ("reasons", ReasonEntry),
    "customer": ("customers", Customer),
    "order": ("orders", Order),
}


def thing_name(kind: str, body: Body) -> str:
    """The name by which the catalogue knows a thing: its number or name; a route by product and revision."""
    if isinstance(body, Route):
        return f"{body.product} rev {body.revision}"
    return str(getattr(body, named_by(kind)))


def named_by(kind: str) -> str:
    """The field that tells things of a kind apart; of routes, those of one product."""
    return {"part": "number", "product": "part_number", "order": "number", "route": "revision"}.get(kind, "name")

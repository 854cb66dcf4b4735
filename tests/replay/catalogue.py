"""The catalogue that a history needs, written as the program's own definitions."""

from typing import TYPE_CHECKING, Any

from sqlalchemy.orm import Session

from app.catalogue.definitions import (
    BinEntry,
    BinTableBody,
    Body,
    Customer,
    Need,
    Part,
    Product,
    Recipe,
    Role,
    Route,
    Station,
    Step,
    thing_name,
)  # fmt: skip
from app.journal.act import By
from tests.oracle.actions import Setting
from tests.oracle.acts import CUSTOMERS
from tests.small_factory import define

if TYPE_CHECKING:
    from tests.replay.driver import Replay

RECIPE = "C170"
_KINDS = ("adhesive", "wire", "encapsulant", "carrier tape", "bag")


def wafer_part(role: str) -> Part:
    return Part(number=f"die {role}", kind="wafer", role=role)


def load_catalogue(replay: "Replay", setting: Setting) -> dict[str, int]:
    """Writes it; station name -> thing."""

    def write(session: Session, by: By) -> dict[str, int]:
        bodies = [(kind, thing_name(kind, body), body) for kind, body in _bodies(setting)]
        things = define(session, by, bodies)
        return {name: things[name] for kind, name, _ in bodies if kind == "station"}

    return replay.do("load_catalogue", write)


def as_json(setting: Setting) -> dict[str, list[Any]]:
    """The same as a body of POST /catalogue."""
    found: dict[str, list[Any]] = {}
    for kind, body in _bodies(setting):
        found.setdefault(f"{kind}s", []).append(body.model_dump(mode="json", exclude_none=True, exclude_defaults=True))
    return found


def _bodies(setting: Setting) -> list[tuple[str, Body]]:
    parts = [wafer_part(role) for role in setting.roles] + [Part(number=kind, kind=kind) for kind in _KINDS]  # type: ignore[arg-type]
    parts.append(Part(number="lead frame", kind="lead frame", rows=setting.rows, columns=setting.columns))
    bins = [BinEntry(name=name, grade=grade) for name, grade in setting.bins]  # type: ignore[arg-type]
    product = Product(
        part_number="P1", rows=setting.rows, columns=setting.columns, roles=tuple(Role(role=role, part=f"die {role}") for role in setting.roles),
        bin_table="B", units_per_reel=setting.pack_size, max_lots_per_pack=10_000, seconds_part_number="P1-S",
    )  # fmt: skip
    stations = [Station(name=name, area="hall", operations=(does,), shelves=setting.shelves) for name, does in setting.stations]  # type: ignore[arg-type]
    return [
        *(("part", part) for part in parts),
        ("recipe", Recipe(name=RECIPE, set_point_c=170, band_low_c=165, band_high_c=175, soak_minutes=90)),
        ("bin_table", BinTableBody(name="B", unbinned="R", failed="R", bins=tuple(bins))),
        ("product", product),
        ("route", Route(product="P1", revision="A", steps=_steps(setting))),
        *(("customer", Customer(name=name)) for name in CUSTOMERS),
        *(("station", station) for station in stations),
    ]


def _steps(setting: Setting) -> tuple[Step, ...]:
    steps = []
    for step in setting.route:
        more: dict[str, Any] = {"recipe": RECIPE, "judged": "cure"} if step.operation == "cure" else {}
        if step.role and setting.judged_logs:
            more["judged"] = "placements"
        if step.operation == "singulate":
            more["barrier"] = True
        needs = tuple(Need(kind=kind, part=kind) for kind in step.needs)  # type: ignore[arg-type]
        steps.append(
            Step(key=step.key, name=step.key, operation=step.operation, role=step.role, needs=needs, wrong_placements_limit=1.0, **more)  # type: ignore[arg-type]
        )
    return tuple(steps)

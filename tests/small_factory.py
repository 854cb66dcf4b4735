"""A small cast for tests: one product on a short route, and verbs in one line each. Panels are 4 x 5 cells."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy.orm import Session

from app.catalogue.definitions import (
    BinEntry,
    BinTableBody,
    Body,
    Customer,
    Need,
    Order,
    OrderMaterial,
    Part,
    Product,
    Recipe,
    Record,
    Role,
    Route,
    Station,
    Step,
    Window,
    thing_name,
)  # fmt: skip
from app.catalogue.models import Approval, Definition, Thing
from app.db import House
from app.floor import ends, lots, mounts, starts
from app.journal.act import SYSTEM, Actor, By, act
from app.ledger.items import Item, Wafer
from app.ledger.runs import Run
from app.naming.resolve import Named, code_for, code_of, give_code
from app.receiving import batches, panels

T = TypeVar("T")

PARTS = (
    Part(number="WR", kind="wafer", role="red"), Part(number="GLUE", kind="adhesive", pot_life_minutes=480), Part(number="AU20", kind="wire"),
    Part(number="AG20", kind="wire"), Part(number="FRAME", kind="lead frame", rows=4, columns=5), Part(number="TAPE", kind="carrier tape"),
)  # fmt: skip
PRODUCT = Product(
    part_number="P1", rows=4, columns=5, roles=(Role(role="red", part="WR"),), units_per_reel=30, seconds_part_number="P1-S", bin_table="B"
)
STEPS = (
    Step(key="attach", name="red attach", operation="die attach", role="red", needs=(Need(kind="adhesive", part="GLUE"),)),
    Step(key="cure", name="cure 1", operation="cure", recipe="C170", judged="cure"),
    Step(key="plasma", name="plasma", operation="plasma clean"),
    Step(
        key="bond", name="bond", operation="wire bond", needs=(Need(kind="wire", by_order=True),), records=(Record(name="pull", unit="gf", low=3.0),)
    ),
    Step(key="look", name="look", operation="inspect", barrier=True),
    Step(key="cut", name="singulate", operation="singulate"),
    Step(key="test", name="test", operation="test"),
    Step(key="tape", name="tape", operation="tape"),
    Step(key="dry", name="dry pack", operation="dry pack"),
)
ROUTE = Route(product="P1", revision="A", steps=STEPS, windows=(Window(from_step="plasma", to_step="bond", max_minutes=240, repeats=1),))
STATIONS = {
    "Attach": "die attach", "Oven": "cure", "Plasma": "plasma clean", "Bond 1": "wire bond", "Bond 2": "wire bond", "Scope": "inspect",
    "Saw": "singulate", "Tester": "test", "Taper": "tape", "Bagger": "dry pack",
}  # fmt: skip
BINS = BinTableBody(
    name="B",
    unbinned="R",
    failed="R",
    bins=(BinEntry(name="B1", grade="prime"), BinEntry(name="B2", grade="second"), BinEntry(name="R", grade="reject")),
)
ORDERS = (
    Order(number="4711", customer="Arden Lights", product="P1", units=3000, materials=(OrderMaterial(kind="wire", part="AU20"),)),
    Order(number="4712", customer="Brook Signs", product="P1", units=3000, accepts_seconds=True),
)


@dataclass
class Factory:
    """Verbs of the floor, each in an act of its own. `things`: ids in the catalogue by name."""

    house: House
    actor: Actor = SYSTEM
    things: dict[str, int] = field(default_factory=dict)
    stations: tuple[str, ...] = tuple(STATIONS)

    def do(self, action: str, verb: Callable[[Session, By], T], **how: Any) -> T:
        kept: list[T] = []

        def once(session: Session, by: By) -> dict[str, Any]:
            kept[:] = [verb(session, by)]
            return {}

        how.setdefault("signed", True)
        act(self.house, self.actor, action, {"test": action}, once, **how)
        return kept[0]

    def load(self, *more: tuple[str, Body]) -> "Factory":
        bodies: list[tuple[str, Body]] = [("part", part) for part in PARTS]
        bodies += [("recipe", Recipe(name="C170", set_point_c=170, band_low_c=165, band_high_c=175, soak_minutes=90)), ("bin_table", BINS)]
        bodies += [("product", PRODUCT), ("route", ROUTE), ("customer", Customer(name="Arden Lights")), ("customer", Customer(name="Brook Signs"))]
        bodies += [("order", order) for order in ORDERS]
        bodies += [("station", Station(name=name, area="hall", operations=(operation,))) for name, operation in STATIONS.items()]  # type: ignore[arg-type]

        def write(session: Session, by: By) -> None:
            self.things |= define(session, by, [(kind, thing_name(kind, body), body) for kind, body in [*bodies, *more]])

        self.do("load_catalogue", write)
        return self

    def wafer(self, part: str = "WR", role: str = "red") -> Named:
        def write(session: Session, by: By) -> Named:
            item = Item(e=by.e, kind="wafer")
            session.add(item)
            session.flush()
            session.add(Wafer(e=by.e, item=item.id, part=self.things[part], role=role))
            return Named("wafer", item.id, give_code(session, by, "wafer", item.id))

        return self.do("receive_wafers", write)

    def batch(self, part: str, **facts: Any) -> Named:
        return self.do("receive_batch", lambda s, by: batches.receive_batch(s, by, part, **facts))

    def panels(self, n: int, frames: Named | None = None) -> list[Named]:
        frames = frames or self.batch("FRAME")
        return self.do("receive_panels", lambda s, by: panels.receive_panels(s, by, frames, count=n))

    def lot(self, wanted: list[Named], order: str | None = None, product: str = "P1") -> Named:
        ids = [panel.id for panel in wanted]
        return self.do("start_lot", lambda s, by: named_lot(s, lots.start_lot(s, by, product, ids, order=order).item))

    def mount(self, station: str, *items: Named, place: str | None = None) -> None:
        for item in items:
            self.do("mount", lambda s, by, item=item: mounts.mount(s, by, self.things[station], item.id, place))

    def start(self, station: str, *things: Named, at: datetime | None = None, **more: Any) -> int:
        return self.do(
            "start_run", lambda s, by: starts.start_run(s, by, self.things[station], list(things), line_clear=True, **more).run.id, happened_at=at
        )

    def finish(self, run: int, at: datetime | None = None, **values: float) -> None:
        given = [ends.Value(name, value) for name, value in values.items()]
        self.do("finish_run", lambda s, by: len(ends.finish_run(s, by, s.get_one(Run, run), given)), happened_at=at)

    def run(self, station: str, *things: Named, **values: float) -> int:
        run = self.start(station, *things)
        self.finish(run, **values)
        return run


def define(session: Session, by: By, bodies: Sequence[tuple[str, str, Body]]) -> dict[str, int]:
    """Things of a kind and a name, stations and orders with a code, routes approved; their ids by name.

    All rows of a table at once: so many tests begin with it that one by one took a quarter of what those of the floor compute.
    """
    things = [Thing(e=by.e, kind=kind, name=name) for kind, name, _ in bodies]
    session.add_all(things)
    session.flush()
    definitions = [Definition(e=by.e, thing=thing.id, body=body.model_dump(mode="json")) for thing, (_, _, body) in zip(things, bodies, strict=True)]
    session.add_all(definitions)
    session.flush()
    defined = list(zip(things, definitions, strict=True))
    session.add_all(Approval(e=by.e, route=thing.id, definition=one.id) for thing, one in defined if thing.kind == "route")
    session.add_all(code_for(session, by, thing.kind, thing.id) for thing in things if thing.kind in ("station", "order"))
    session.flush()
    return {thing.name: thing.id for thing in things}


def named_lot(session: Session, item: int) -> Named:
    return Named("lot", item, code_of(session, "lot", item))


def named_pack(session: Session, item: int) -> Named:
    return Named("pack", item, code_of(session, "pack", item))

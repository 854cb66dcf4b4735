"""Doing things in tests the way everyone does: through the one door. And a small factory of what the floor needs."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

from sqlalchemy.orm import Session

from app.catalogue import definitions as c
from app.db import House
from app.errors import Refused
from app.floor.containers import panels_leave_containers
from app.floor.loose import new_loose_lot
from app.floor.lot_families import part_of_lot
from app.floor.lots import panels_leave_lots, start_lot
from app.floor.marks import good_units
from app.journal.act import SYSTEM, By, act
from app.ledger.flows import Flow
from app.ledger.items import Batch, Item, Lot, Panel, Wafer
from app.ledger.runs import Claim, Line, Run
from app.ledger.sets import set_of
from app.naming.resolve import give_code
from tests.small_factory import define

ROWS, COLUMNS = 4, 5
T = TypeVar("T")


@dataclass(frozen=True)
class Factory:
    """Ids of things by name: "product", "route", "bonder", "taper", parts and orders by their names."""

    things: dict[str, int]

    def __getitem__(self, name: str) -> int:
        return self.things[name]


def do(house: House, verb: Callable[[Session, By], T], action: str = "start_lot", **how: Any) -> T:
    """Runs a verb as an action of the system; gives what the verb gave."""
    got: list[T] = []

    def _verb(session: Session, by: By) -> dict[str, Any]:
        got.append(verb(session, by))
        session.flush()
        return {}

    act(house, SYSTEM, action, {}, _verb, signed=True, **how)
    return got[-1]


def refused(house: House, verb: Callable[[Session, By], Any], action: str = "start_lot", **how: Any) -> Refused:
    """Runs a verb that must be refused."""
    try:
        do(house, verb, action, **how)
    except Refused as refusal:
        return refusal
    raise AssertionError("was not refused")


def read(house: House, question: Callable[[Session], T]) -> T:
    with house.reading() as session:
        return question(session)


def make_factory(house: House) -> Factory:
    wire = c.Need(kind="wire", part="GOLD-20")
    steps = (
        c.Step(key="attach", name="Attach", operation="die attach", role="red", needs=(c.Need(kind="adhesive", part="GLUE-1"),)),
        c.Step(key="bond", name="Bond", operation="wire bond", needs=(wire,)),
        c.Step(key="inspect", name="Inspect", operation="inspect"),
        c.Step(key="singulate", name="Singulate", operation="singulate", barrier=True),
        c.Step(key="clean", name="Clean", operation="clean"),
    )
    bodies: list[tuple[str, str, str, c.Body]] = [
        ("part", "GOLD-20", "GOLD-20", c.Part(number="GOLD-20", kind="wire")),
        ("part", "COPPER-20", "COPPER-20", c.Part(number="COPPER-20", kind="wire")),
        ("part", "GLUE-1", "GLUE-1", c.Part(number="GLUE-1", kind="adhesive", pot_life_minutes=60)),
        ("part", "RED-DIE", "RED-DIE", c.Part(number="RED-DIE", kind="wafer", role="red")),
        ("product", "product", "GLIM-4", c.Product(part_number="GLIM-4", rows=ROWS, columns=COLUMNS, roles=(c.Role(role="red", part="RED-DIE"),))),
        ("product", "other", "GLIM-9", c.Product(part_number="GLIM-9", rows=9, columns=9, roles=())),
        ("route", "route", "GLIM-4 rev 1", c.Route(product="GLIM-4", revision="1", steps=steps)),
        ("route", "other route", "GLIM-9 rev 1", c.Route(product="GLIM-9", revision="1", steps=steps)),
        ("station", "bonder", "bonder 1", c.Station(name="bonder 1", area="bond", operations=("wire bond",))),
        ("station", "bonder 2", "bonder 2", c.Station(name="bonder 2", area="bond", operations=("wire bond",))),
        ("station", "attach 1", "attach 1", c.Station(name="attach 1", area="attach", operations=("die attach",), places=("syringe", "wafer"))),
        ("station", "attach 2", "attach 2", c.Station(name="attach 2", area="attach", operations=("die attach",))),
        ("station", "bench", "bench", c.Station(name="bench", area="clean", operations=("clean", "inspect"))),
        ("customer", "customer", "Harbour Lamps", c.Customer(name="Harbour Lamps")),
        ("order", "order", "PO-7", c.Order(number="PO-7", customer="Harbour Lamps", product="GLIM-4", units=100)),
        ("reason", "scratched", "scratched", c.ReasonEntry(name="scratched", of=("mark", "scrap"))),
    ]  # fmt: skip

    def load(session: Session, by: By) -> Factory:
        things = define(session, by, [(kind, name, body) for kind, _, name, body in bodies])
        return Factory({key: things[name] for _, key, name, _ in bodies})

    return do(house, load, "load_catalogue")


def make_panels(house: House, n: int, rows: int = ROWS, columns: int = COLUMNS) -> list[int]:
    def make(session: Session, by: By) -> list[int]:
        items = [Item(e=by.e, kind="panel") for _ in range(n)]
        session.add_all(items)
        session.flush()
        for item in items:
            session.add(Panel(e=by.e, item=item.id, rows=rows, columns=columns))
            give_code(session, by, "panel", item.id)
        return [item.id for item in items]

    return do(house, make, "receive_panels")


def make_lot(house: House, panels: list[int], order: str | None = None) -> int:
    return do(house, lambda s, by: start_lot(s, by, "GLIM-4", panels, order=order).item)


def make_loose(house: House, lot: int, panels: list[int]) -> int:
    """Units of the panels' good cells become a loose lot, as singulation makes one."""

    def make(session: Session, by: By) -> int:
        loose = part_of_lot(session, by, session.get_one(Lot, lot), form="loose")
        _pour_cells(session, by, loose.item, panels)
        return loose.item

    return do(house, make, "singulate")


def make_own_loose(house: House, factory: Factory, panels: list[int]) -> int:
    """As `make_loose`, but a family of its own."""

    def make(session: Session, by: By) -> int:
        loose = new_loose_lot(session, by, factory["product"], None, factory["route"])
        _pour_cells(session, by, loose.item, panels)
        return loose.item

    return do(house, make, "singulate")


def _pour_cells(session: Session, by: By, loose: int, panels: list[int]) -> None:
    for panel, units in good_units(session, panels).items():
        session.add(Flow(e=by.e, child=loose, parent=panel, kind="cells", walked=True, run=None, units=units))
    panels_leave_lots(session, by, panels)
    panels_leave_containers(session, by, panels)
    session.flush()


def make_bins(house: House, lot: int, bins: list[tuple[str, str, int]]) -> list[int]:
    """(bin, grade, units) come out of a loose lot, as a test gives them."""

    def make(session: Session, by: By) -> list[int]:
        made = []
        for name, grade, units in bins:
            child = part_of_lot(session, by, session.get_one(Lot, lot), bin=name, grade=grade)
            session.add(Flow(e=by.e, child=child.item, parent=lot, kind="bin", walked=True, run=None, units=units))
            made.append(child.item)
        return made

    return do(house, make, "bin_out")


def make_batch(house: House, part: int, *, expires_in: timedelta | None = None) -> int:
    def make(session: Session, by: By) -> int:
        item = Item(e=by.e, kind="batch")
        session.add(item)
        session.flush()
        expires = datetime.now(UTC) + expires_in if expires_in is not None else None
        session.add(Batch(e=by.e, item=item.id, part=part, supplier="Quay Metals", expires_at=expires))
        give_code(session, by, "batch", item.id)
        return item.id

    return do(house, make, "receive_batch")


def make_wafer(house: House, part: int, role: str = "red") -> int:
    def make(session: Session, by: By) -> int:
        item = Item(e=by.e, kind="wafer")
        session.add(item)
        session.flush()
        session.add(Wafer(e=by.e, item=item.id, part=part, role=role))
        give_code(session, by, "wafer", item.id)
        return item.id

    return do(house, make, "receive_wafers")


def begin(house: House, station: int, items: list[int], operation: str = "wire bond", *, panels: bool = True) -> int:
    """An open run with its claims, as a start leaves them."""

    def make(session: Session, by: By) -> int:
        run = Run(e=by.e, operation=operation, station=station, recipe=None, person=None, started_at=by.happened_at, source="server")
        session.add(run)
        session.flush()
        give_code(session, by, "run", run.id)
        for set_, item in [(set_of(session, by, items), None)] if panels else [(None, item) for item in items]:
            session.add(
                Line(
                    e=by.e, run=run.id, set=set_, item=item, lot=None, route=None, step=None, round=1, shelf=None, units=None, judged=None,
                    started_at=by.happened_at,
                )
            )  # fmt: skip
        session.add_all([Claim(item=item, run=run.id) for item in items])
        return run.id

    return do(house, make, "start_run")


def units_of(house: House, panels: list[int]) -> int:
    return sum(read(house, lambda s: good_units(s, panels)).values())

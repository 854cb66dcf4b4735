"""A reel made by the small factory, and a client that may do anything."""

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import Any

from fastapi.testclient import TestClient

from app.catalogue.definitions import BinEntry, BinTableBody, Polygon
from app.final_test.bin_tables import bin_table_of
from app.final_test.results_in import import_unit_results, read_results
from app.final_test.singulate import singulate
from app.floor.dispositions import dispose
from app.floor.ends import finish_run
from app.floor.moves import move_item
from app.journal.act import SYSTEM, act
from app.ledger.places import Load
from app.ledger.runs import Run
from app.main import make_app
from app.naming.resolve import Named
from app.ovens import loads
from app.packing import fill
from app.people.tokens import make_token
from tests.small_factory import Factory, named_lot, named_pack

SQUARE = Polygon(x="x_red", y="y_red", points=((0.68, 0.29), (0.70, 0.29), (0.70, 0.31), (0.68, 0.31)))
COLOURED = BinTableBody(
    name="C",
    unbinned="OUT",
    failed="BAD",
    bins=(
        BinEntry(name="C1", grade="prime", polygons=(SQUARE,)), BinEntry(name="OUT", grade="reject"),
        BinEntry(name="OPEN", grade="reject", fail_codes=("E07",)), BinEntry(name="BAD", grade="reject"),
    ),
)  # fmt: skip


@dataclass
class Made:
    glue: Named
    wire: Named
    wafer: Named
    panels: list[Named]
    lot: Named
    loose: Named
    best: Named
    test: int
    bond: int
    reel: Named


def made_loose(factory: Factory, panels: int = 4, were: Sequence[str] = ()) -> tuple[Named, Named, Named, list[Named], Named, int, Named]:
    """Panels of 20 cells each, singulated: (glue, wire, wafer, panels, their lot, the bonding's run, the loose lot), moved as `were` says."""
    glue, wire, wafer = factory.batch("GLUE"), factory.batch("AU20"), factory.wafer()
    factory.mount("Attach", glue, wafer)
    factory.mount("Bond 1", wire)
    some = factory.panels(panels)
    lot = factory.lot(some)
    factory.run("Attach", lot)
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, factory.things["Oven"], "C170").id)
    factory.do("add_to_load", lambda s, by: len(loads.add_to_load(s, by, s.get_one(Load, load), [lot], "1")))
    run = factory.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load), None).run.id)
    for line in factory.do("end_load", lambda s, by: [one.id for one in finish_run(s, by, s.get_one(Run, run))]):
        factory.do("dispose", lambda s, by, line=line: dispose(s, by, line, "concession", "no logger").id)
    factory.run("Plasma", lot)
    bond = factory.run("Bond 1", lot, pull=5.0)
    factory.run("Scope", lot)
    for kind in were:
        moved(factory, lot, kind)
    saw = factory.start("Saw", lot)
    loose = factory.do("singulate", lambda s, by: named_lot(s, singulate(s, by, s.get_one(Run, saw)).item))
    return glue, wire, wafer, some, lot, bond, loose


def moved(factory: Factory, thing: Named, kind: str) -> None:
    factory.do("move_item", lambda s, by: str(move_item(s, by, thing.id, kind, "Tolland Slicing")))


def made(factory: Factory, panels: int = 4) -> Made:
    """The same tested; 4 units fail; a reel of 30 out of bin B1."""
    glue, wire, wafer, some, lot, bond, loose = made_loose(factory, panels)
    test = factory.start("Tester", loose)
    best = tested(factory, test, 20 * panels, 4)
    taper = factory.things["Taper"]
    reel = factory.do("fill_pack", lambda s, by: named_pack(s, fill.fill_pack(s, by, taper, [fill.Part(best, 30)], line_clear=True).item))
    return Made(glue, wire, wafer, some, lot, loose, best, test, bond, reel)


def tested(factory: Factory, run: int, units: int, failing: int) -> Named:
    """Takes in a tester's file; the lot of bin B1."""
    rows = ["unit,result"] + [f"{n},{'E07' if n <= failing else 'pass'}" for n in range(1, units + 1)]
    with factory.house.reading() as session:
        table = bin_table_of(session, session.get_one(Run, run))
    file = read_results(factory.house, "results.csv", BytesIO("\n".join(rows).encode() + b"\n"), table)

    def verb(session: Any, by: Any) -> Named:
        return named_lot(session, import_unit_results(session, by, session.get_one(Run, run), file)["B1"].item)

    return factory.do("import_unit_results", verb)


def client_of(factory: Factory) -> TestClient:
    kept: list[str] = []

    def token(session: Any, by: Any) -> dict[str, Any]:
        kept[:] = [make_token(session, by, "tests", ("operate", "lead", "quality", "engineer"))[1]]
        return {}

    act(factory.house, SYSTEM, "make_token", {}, token, signed=True)
    return TestClient(make_app(factory.house.settings, factory.house), headers={"Authorization": f"Bearer {kept[0]}"}, follow_redirects=False)

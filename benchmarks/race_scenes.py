"""States of a small plant in which several calls are possible at once, each made anew for one burst: for `races.py`."""

import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.catalogue.definitions import Body, Need, Order, Product, Role, Route, Station, Step, thing_name
from app.catalogue.models import Definition, Thing
from app.db import House
from app.final_test.bins_out import take_bins_out
from app.final_test.singulate import singulate
from app.floor import containers, ends, mounts
from app.floor.attendance import attend
from app.floor.counting import count_units
from app.floor.dispositions import dispose
from app.floor.marking import mark_cells
from app.floor.readings import take_reading
from app.holds.place import place_hold
from app.journal.act import By
from app.ledger.counts import CountEntry
from app.ledger.places import Content, Load, Mount, Move
from app.ledger.runs import Line, Reading, Run
from app.ledger.stops import Hold
from app.naming.resolve import Named, code_of, give_code
from app.ovens import loads
from app.packing import fill, shipping
from app.packing.dry import seal_pack
from app.people.people import add_person
from app.people.secrets import set_secret
from app.people.tokens import make_token
from tests.small_factory import STATIONS, Factory, named_lot, named_pack

DUTIES = ("operate", "lead", "quality", "engineer", "administer")
_LOGGED = Step(key="attach", name="attach", operation="die attach", role="red", judged="placements", needs=(Need(kind="adhesive", part="GLUE"),))
_SHORT = tuple(
    Step(key=key, name=key, operation=operation, barrier=key == "look")  # type: ignore[arg-type]
    for key, operation in (("look", "inspect"), ("cut", "singulate"), ("test", "test"), ("tape", "tape"), ("dry", "dry pack"))
)
_MAP = "wafer: {}\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n1111\n1111\n"


@dataclass(frozen=True)
class Ask:
    """A call. `once`: of those with the same word at most one is done. `frees`: what may rightly let a second one be done.

    `ends_duties`: what may rightly have others of its burst refused for want of a duty.
    """

    name: str
    path: str
    body: dict[str, Any]
    once: str = ""
    frees: bool = False
    files: tuple[tuple[str, bytes], ...] = ()
    ends_duties: bool = False
    field: str = "files"  # of the form, that the files are


@dataclass
class Scene:
    """`roots`: loose lots of which no unit may get lost or come to be. `wrong`: what else may not be on the record afterwards."""

    asks: list[Ask]
    roots: Sequence[int] = ()
    units: int = 0
    wrong: Callable[[Session], Iterable[str]] = lambda _session: ()


@dataclass
class Plant:
    house: House
    tokens: list[str]
    factory: Factory
    codes: dict[str, str]
    badges: list[str]
    people: list[int]
    password: str
    seen: int = 0
    orders: int = 0
    kept: dict[str, Any] = field(default_factory=dict)
    known: set[str] = field(default_factory=set)  # what a check found before

    def new(self, word: str) -> str:
        self.seen += 1
        return f"{word}{self.seen}"

    def signed(self, **body: Any) -> dict[str, Any]:
        return body | {"signed_by": self.badges[0], "password": self.password}

    def order(self, units: int) -> str:
        """A new one of Arden Lights."""
        self.orders += 1
        body = Order(number=f"6{self.orders:04}", customer="Arden Lights", product="P2", units=units)
        self._add("order", body)
        return body.number

    def oven(self) -> str:
        """The name of a new one: its logger has said nothing yet."""
        body = Station(name=self.new("Oven "), area="hall", operations=("cure",))
        self.factory.things[body.name] = self._add("station", body)
        self.codes[body.name] = self.code("station", self.factory.things[body.name])
        return body.name

    def _add(self, kind: str, body: Body) -> int:
        def write(session: Session, by: By) -> int:
            thing = Thing(e=by.e, kind=kind, name=thing_name(kind, body))
            session.add(thing)
            session.flush()
            session.add(Definition(e=by.e, thing=thing.id, body=body.model_dump(mode="json")))
            give_code(session, by, kind, thing.id)
            return thing.id

        return self.factory.do("load_catalogue", write)

    def code(self, kind: str, number: int) -> str:
        with self.house.reading() as session:
            return code_of(session, kind, number)

    def newest(self, table: Any) -> int:
        with self.house.reading() as session:
            return session.scalar(select(func.max(table.id))) or 0

    def box(self, kind: str = "magazine") -> Named:
        made = self.factory.do("add_container", lambda s, by: containers.add_container(s, by, kind, self.new("box ")).id)
        return Named("container", made, self.code("container", made))

    def put(self, box: Named, *panels: Named, item: Named | None = None) -> None:
        if item:
            self.factory.do("fill_container", lambda s, by: containers.put_item(s, by, box.id, item.id))
        else:
            self.factory.do("fill_container", lambda s, by: containers.put_panels(s, by, box.id, [one.id for one in panels]))


def make_plant(house: House, terminals: int) -> Plant:
    more: list[tuple[str, Body]] = [
        ("product", Product(
            part_number="P2", rows=4, columns=5, roles=(Role(role="red", part="WR"),), units_per_reel=30, seconds_part_number="P2-S", bin_table="B",
        )),
        ("route", Route(product="P2", revision="A", steps=_SHORT)),
        ("product", Product(part_number="P3", rows=4, columns=5, roles=(Role(role="red", part="WR"),), units_per_reel=30, bin_table="B")),
        ("route", Route(product="P3", revision="A", steps=(_LOGGED, *_SHORT))),
    ]  # fmt: skip
    factory = Factory(house).load(*more)
    tokens: list[str] = []

    def verb(session: Session, by: By) -> int:
        tokens[:] = [make_token(session, by, f"terminal {n}", DUTIES, may_state_facts=True)[1] for n in range(terminals)]
        return 0

    factory.do("make_token", verb)
    people, badges, password = [], [], "one that only a racer has"
    for name in ("Ida Moss", "Jon Reed", "Kai Wolff"):
        one = factory.do("add_person", lambda s, by, name=name: add_person(s, by, name, DUTIES).id)
        people.append(one)
    factory.do("set_secret", lambda s, by: set_secret(s, by, people[0], "password", password, cheap=True))
    plant = Plant(house, tokens, factory, {}, badges, people, password)
    plant.codes.update({name: plant.code("station", factory.things[name]) for name in STATIONS})
    badges += [plant.code("person", one) for one in people]
    factory.mount("Bond 1", factory.batch("AU20"))
    return plant


# what more than one scene offers ----------------------------------------------------------------------------------------------------------------


def on_panels(plant: Plant, lot: Named, panels: list[Named]) -> list[Ask]:
    """What may come to a panel lot whatever it is doing."""
    other, box, second = plant.factory.lot(plant.factory.panels(1), product=plant.kept["product"]), plant.box(), plant.box()
    first, code = panels[0].code, lot.code
    return [
        Ask("split 1", f"/lots/{code}/split", {"panels": [first]}, frees=True),
        Ask("split 2", f"/lots/{code}/split", {"panels": [one.code for one in panels[:2]]}, frees=True),
        Ask("merge", f"/lots/{code}/merge", {"others": [other.code]}, frees=True),
        Ask("merge into", f"/lots/{other.code}/merge", {"others": [code]}, frees=True),
        Ask("scrap cell", "/scrap", {"thing": first, "reason": "dropped", "cells": [{"row": 1, "column": 1}]}),
        Ask("scrap panel", "/scrap", {"thing": first, "reason": "dropped"}, frees=True),
        Ask("mark", f"/panels/{first}/marks", {"cells": [{"row": 1, "column": 1}, {"row": 2, "column": 2}], "reason": "scratched"}),
        Ask("sample", "/samples", {"thing": first, "purpose": "section", "cells": [{"row": 2, "column": 2}], "kept": False}, once="cell"),
        Ask("hold lot", "/holds", {"subject": code, "reason": "look"}),
        Ask("hold panel", "/holds", {"subject": first, "reason": "look"}),
        Ask("put lot", f"/containers/{box.code}/put", {"things": [code]}),
        Ask("put panel", f"/containers/{second.code}/put", {"things": [first]}),
        Ask("take out", f"/containers/{box.code}/take_out", {}),
        Ask("pour", f"/containers/{box.code}/pour", {"into": second.code}),
        Ask("hold box", "/holds", {"subject": box.code, "reason": "look"}),
        Ask("move out", "/moves", {"thing": code, "kind": "outside", "place": "Tolland Slicing"}, frees=True),
        Ask("move panel", "/moves", {"thing": first, "kind": "stock", "place": "shelf 4"}, frees=True),
        Ask("count panel", "/counts", {"thing": first, "units": 19}),
    ]


def on_run(plant: Plant, run: str, station: str, values: list[dict[str, Any]], *, ends: bool = True) -> list[Ask]:
    now = datetime.now(UTC).isoformat()
    asks = [
        Ask("interrupt", f"/runs/{run}/interrupt", {}, once="end"),
        Ask("abort", f"/runs/{run}/abort", {}, once="end"),
        Ask("void", f"/runs/{run}/void", {"reason": "wrong"}, once="void"),
        Ask("hold run", "/holds", {"subject": run, "reason": "look"}),
        Ask("hold station", "/holds", {"subject": plant.codes[station], "reason": "look", "span_from": now}),
        *_on_station(plant, station),
    ]
    if ends:
        asks += [Ask("finish", f"/runs/{run}/finish", {"values": values}, once="end")] * 2
        back = {"happened_at": now, "verb": "finish", "thing": run, "station": plant.codes[station], "values": values}
        asks.append(Ask("back entry", "/back_entry", back, once="end"))
    return asks


def _on_station(plant: Plant, station: str) -> list[Ask]:
    code = plant.codes[station]
    return [
        Ask("state", f"/stations/{code}/state", {"state": "standby", "reason": plant.new("why ")}),
        Ask("state down", f"/stations/{code}/state", {"state": "unscheduled_down", "reason": "jam"}),
        Ask("attend", f"/stations/{code}/attend", {"person": plant.badges[1]}),
        Ask("leave", f"/stations/{code}/attend", {"person": plant.badges[1], "here": False}),
        Ask("hand over", "/hand_over", {"from_person": plant.badges[1], "to_person": plant.badges[2]}),
    ]


def _on_material(plant: Plant) -> list[Ask]:
    """Glue and wafers come onto the die bonder and go off it."""
    factory, code = plant.factory, plant.codes["Attach"]
    glue, wafer, on_it = factory.batch("GLUE"), factory.wafer(), plant.kept["glue"]
    return [
        Ask("change over", f"/stations/{code}/change_over", {"item": glue.code}),
        Ask("mount glue", f"/stations/{code}/mount", {"item": glue.code}),
        Ask("mount wafer", f"/stations/{code}/mount", {"item": wafer.code}),
        Ask("change wafer", f"/stations/{code}/change_over", {"item": wafer.code}),
        Ask("unmount glue", f"/stations/{code}/unmount", {"item": on_it.code}),
        Ask("unmount wafer", f"/stations/{code}/unmount", {"item": plant.kept["wafer"].code}),
        Ask("open batch", f"/batches/{glue.code}/open", {}),
        Ask("hold glue", "/holds", {"subject": on_it.code, "reason": "look"}),
        Ask("hold wafer", "/holds", {"subject": plant.kept["wafer"].code, "reason": "look"}),
        Ask("scrap wafer", "/scrap", {"thing": wafer.code, "reason": "broken"}, once="wafer scrap"),
    ]


def ready_to_attach(plant: Plant) -> None:
    """Whatever was on the die bonder goes off, and fresh material on."""
    station = plant.factory.things["Attach"]
    with plant.house.reading() as session:
        on = [one.item for one in mounts.loaded(session, station)]
    for item in on:
        plant.factory.do("unmount", lambda s, by, item=item: len(mounts.unmount(s, by, station, item)))
    plant.kept["glue"], plant.kept["wafer"] = plant.factory.batch("GLUE"), plant.factory.wafer()
    plant.factory.mount("Attach", plant.kept["glue"], plant.kept["wafer"])


def panel_lot(plant: Plant, product: str, n: int = 4) -> tuple[Named, list[Named]]:
    plant.kept["product"] = product
    panels = plant.factory.panels(n)
    return plant.factory.lot(panels, product=product), panels


def loose_lot(plant: Plant, n: int = 2) -> Named:
    """A loose lot of 20 units a panel, before its test."""
    factory, (lot, _) = plant.factory, panel_lot(plant, "P2", n)
    factory.run("Scope", lot)
    saw = factory.start("Saw", lot)
    return factory.do("singulate", lambda s, by: named_lot(s, singulate(s, by, s.get_one(Run, saw)).item))


def binned_lot(plant: Plant, n: int = 2) -> Named:
    factory, loose = plant.factory, loose_lot(plant, n)
    test = factory.start("Tester", loose)
    return factory.do("bin_out", lambda s, by: named_lot(s, take_bins_out(s, by, s.get_one(Run, test), {("B1", "prime"): 20 * n})["B1"].item))


def _packs(plant: Plant, *, sealed: bool = True, order: int | None = None) -> tuple[Named, Named, Named]:
    """Two reels that fit into one, and the lot that they came from with some left."""
    factory, lot, taper = plant.factory, binned_lot(plant, 4), plant.factory.things["Taper"]
    made = []
    for _ in range(2):
        pack = factory.do(
            "fill_pack", lambda s, by: named_pack(
                s, fill.fill_pack(s, by, taper, [fill.Part(lot, 30)], size=60, short_reason="half a reel", line_clear=True, order=order).item
            )
        )
        if sealed:
            pack = factory.do("seal_pack", lambda s, by, pack=pack: named_pack(s, seal_pack(s, by, factory.things["Bagger"], pack).pack.item))
        made.append(pack)
    return made[0], made[1], lot


# the scenes -------------------------------------------------------------------------------------------------------------------------------------


def waiting(plant: Plant, _chance: random.Random) -> Scene:
    """A lot before its first step."""
    ready_to_attach(plant)
    lot, panels = panel_lot(plant, "P1")
    start: dict[str, Any] = {"station": plant.codes["Attach"], "things": [lot.code]}
    halves = [[one.code for one in half] for half in (panels[:2], panels[2:])]
    return Scene([
        *[Ask("start", "/runs", start, once="start")] * 3,
        Ask("start half", "/runs", start | {"panels": halves[0]}, once="start half"),
        Ask("start other half", "/runs", start | {"panels": halves[1]}, once="start other half"),
        Ask("start panel", "/runs", start | {"things": [panels[0].code]}, once="start half"),
        Ask("start lot again", "/lots", {"product": "P1", "panels": [panels[0].code]}),
        *on_panels(plant, lot, panels), *_on_material(plant), *_on_station(plant, "Attach"),
    ])  # fmt: skip


def attaching(plant: Plant, _chance: random.Random) -> Scene:
    ready_to_attach(plant)
    lot, panels = panel_lot(plant, "P1")
    run = plant.code("run", plant.factory.start("Attach", lot))
    return Scene(on_run(plant, run, "Attach", []) + on_panels(plant, lot, panels) + _on_material(plant) + _on_material(plant)[:2])


def attached(plant: Plant, _chance: random.Random) -> Scene:
    """Its run is over: it can be voided, corrected, cured."""
    ready_to_attach(plant)
    lot, panels = panel_lot(plant, "P1")
    run = plant.code("run", plant.factory.run("Attach", lot))
    mount, other = plant.newest(Mount), plant.factory.wafer()
    oven = {"station": plant.codes["Oven"], "things": [lot.code], "shelf": "1"}
    return Scene([
        *[Ask("start oven", "/runs", oven, once="start")] * 2,
        *[Ask("void", f"/runs/{run}/void", {"reason": "wrong"}, once="void")] * 2,
        *[Ask("correct mount", f"/mounts/{mount}/correct", {"item": other.code, "reason": "the one beside it"}, once="correct")] * 2,
        Ask("never mounted", f"/mounts/{mount}/correct", {"never": True, "reason": "was not"}, once="correct"),
        Ask("hold run", "/holds", {"subject": run, "reason": "look"}),
        Ask("repeat", "/runs", {"station": plant.codes["Attach"], "things": [lot.code], "step": "attach"}),
        *on_panels(plant, lot, panels), *_on_material(plant),
    ])  # fmt: skip


def bonding(plant: Plant, _chance: random.Random) -> Scene:
    """A run with readings, of a lot that came through its cure."""
    lot, panels, line = _cured(plant)
    plant.factory.do("dispose", lambda s, by: _dispose(s, by, line))
    plant.factory.run("Plasma", lot)
    station = "Bond 1"
    run = plant.factory.start(station, lot)
    code = plant.code("run", run)
    plant.factory.do("take_reading", lambda s, by: take_reading(s, by, s.get_one(Run, run), ends.Value("pull", 5.0)).id)
    reading = plant.newest(Reading)
    silver, wire = plant.factory.batch("AU20"), plant.codes[station]
    return Scene([
        *[Ask("reading", f"/runs/{code}/readings", {"name": "pull", "value": 4.0})] * 2,
        *[Ask("correct reading", f"/readings/{reading}/correct", {"value": 4.5, "reason": "wrong scale"}, once="correct")] * 2,
        Ask("change wire", f"/stations/{wire}/change_over", {"item": silver.code}),
        Ask("dispose", f"/lines/{line}/disposition", plant.signed(what="scrap", words="bad")),
        *on_run(plant, code, station, [{"name": "pull", "value": 5.0}]), *on_panels(plant, lot, panels),
    ])  # fmt: skip


def _dispose(session: Session, by: By, line: int) -> int:
    return dispose(session, by, line, "concession", "no logger").id


def _cured(plant: Plant) -> tuple[Named, list[Named], int]:
    ready_to_attach(plant)
    factory, (lot, panels) = plant.factory, panel_lot(plant, "P1")
    factory.run("Attach", lot)
    load = load_of(plant, (lot, "1"))
    run = factory.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load.id), None).run.id)
    line = factory.do("end_load", lambda s, by: ends.finish_run(s, by, s.get_one(Run, run))[0].id)
    return lot, panels, line


def load_of(plant: Plant, *lots: tuple[Named, str], oven: str = "Oven") -> Named:
    factory = plant.factory
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, factory.things[oven], "C170").id)
    for lot, shelf in lots:
        factory.do("add_to_load", lambda s, by, lot=lot, shelf=shelf: len(loads.add_to_load(s, by, s.get_one(Load, load), [lot], shelf)))
    return Named("load", load, plant.code("load", load))


def judged(plant: Plant, _chance: random.Random) -> Scene:
    """A cure without its logger's file: open until it is signed for."""
    lot, panels, line = _cured(plant)
    start = {"station": plant.codes["Plasma"], "things": [lot.code]}
    return Scene([
        *[Ask("start plasma", "/runs", start, once="start")] * 2,
        *[Ask("judge", f"/lines/{line}/judge", {})] * 2,
        *[Ask("dispose", f"/lines/{line}/disposition", plant.signed(what="concession", words="looked at"))] * 2,
        Ask("dispose scrap", f"/lines/{line}/disposition", plant.signed(what="scrap", words="bad")),
        *[Ask("at risk", "/at_risk", plant.signed(things=[lot.code], reason="the file comes"))] * 2,
        Ask("hold line", "/holds", {"line": line, "reason": "look"}),
        *on_panels(plant, lot, panels),
    ])  # fmt: skip


def loading(plant: Plant, _chance: random.Random) -> Scene:
    """An oven load with two lots on its shelves and one beside it, and a second load."""
    ready_to_attach(plant)
    factory = plant.factory
    (one, panels), (two, _), (third, beside) = panel_lot(plant, "P1"), panel_lot(plant, "P1", 2), panel_lot(plant, "P1", 2)
    for lot in (one, two, third):
        factory.run("Attach", lot)
    load, other = load_of(plant, (one, "1"), (two, "2")), load_of(plant)
    path = f"/loads/{load.code}"
    return Scene([
        *[Ask("start load", f"{path}/start", {}, once="load")] * 2,
        Ask("start version", f"{path}/start", {"version": 2}, once="load"),
        *[Ask("cancel", f"{path}/cancel", {}, once="load")] * 2,
        *[Ask("put", f"{path}/put", {"things": [third.code], "shelf": "1"}, once="third", frees=False)] * 2,
        Ask("put other load", f"/loads/{other.code}/put", {"things": [third.code], "shelf": "1"}, once="third"),
        Ask("put panel", f"{path}/put", {"things": [beside[0].code], "shelf": "2"}),
        Ask("put one other", f"/loads/{other.code}/put", {"things": [one.code], "shelf": "1"}),
        *[Ask("take out of load", f"{path}/take_out", {"things": [one.code]}, frees=True)] * 2,
        Ask("take panel out", f"{path}/take_out", {"things": [panels[0].code]}, frees=True),
        Ask("take third out", f"{path}/take_out", {"things": [third.code]}, frees=True),
        Ask("start other", f"/loads/{other.code}/start", {}),
        Ask("cancel other", f"/loads/{other.code}/cancel", {}, frees=True),
        Ask("start oven", "/runs", {"station": plant.codes["Oven"], "things": [third.code], "shelf": "1"}),
        Ask("begin load", "/loads", {"station": plant.codes["Oven"], "recipe": "C170"}),
        Ask("split third", f"/lots/{third.code}/split", {"panels": [beside[0].code]}, frees=True),
        Ask("hold load", "/holds", {"subject": third.code, "reason": "look"}),
        *_on_station(plant, "Oven"), *on_panels(plant, one, panels),
    ])  # fmt: skip


def curing(plant: Plant, _chance: random.Random) -> Scene:
    """A load in the oven."""
    ready_to_attach(plant)
    factory, (lot, panels) = plant.factory, panel_lot(plant, "P1")
    factory.run("Attach", lot)
    load = load_of(plant, (lot, "1"))
    run = plant.code("run", factory.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load.id), None).run.id))
    line = plant.newest(Line)
    path = f"/loads/{load.code}"
    return Scene([
        *[Ask("end load", f"{path}/end", {}, once="end")] * 2,
        *[Ask("abort load", f"{path}/abort", {}, once="end")] * 2,
        Ask("start load", f"{path}/start", {}, once="never"),
        Ask("cancel load", f"{path}/cancel", {}, once="never"),
        Ask("take out", f"{path}/take_out", {"things": [lot.code]}),
        Ask("hold line", "/holds", {"line": line, "reason": "look"}),
        Ask("judge", f"/lines/{line}/judge", {}),
        *on_run(plant, run, "Oven", []), *on_panels(plant, lot, panels),
    ])  # fmt: skip


def sawing(plant: Plant, _chance: random.Random) -> Scene:
    """Two saws over the halves of one lot."""
    factory, (lot, panels), jar, other = plant.factory, panel_lot(plant, "P2"), plant.box("jar"), plant.box("jar")
    magazine = plant.box()
    plant.put(magazine, *panels)
    factory.run("Scope", lot)
    runs = [plant.code("run", factory.start("Saw", *half)) for half in (panels[:2], panels[2:])]
    counted = {"counted": {"units": 40, "method": "hand"}}
    return Scene([
        *[Ask("singulate", f"/runs/{runs[0]}/singulate", {"container": jar.code}, once="end")] * 2,
        Ask("singulate counted", f"/runs/{runs[0]}/singulate", counted, once="end"),
        *[Ask("singulate second", f"/runs/{runs[1]}/singulate", {"container": jar.code}, once="second")] * 2,
        Ask("singulate other jar", f"/runs/{runs[1]}/singulate", {"container": other.code}, once="second"),
        Ask("abort second", f"/runs/{runs[1]}/abort", {}, once="second"),
        Ask("take magazine", f"/containers/{magazine.code}/take_out", {}),
        *on_run(plant, runs[0], "Saw", [], ends=False), *on_panels(plant, lot, panels),
    ])  # fmt: skip


def loose(plant: Plant, _chance: random.Random) -> Scene:
    """A jar of units before its test."""
    lot, other, jar, second = loose_lot(plant), loose_lot(plant, 1), plant.box("jar"), plant.box("jar")
    plant.put(jar, item=lot)
    return Scene([*on_loose(plant, lot, other, jar, second), *_starts_test(plant, lot), *_on_station(plant, "Tester")], (lot.id, other.id), 60)


def _starts_test(plant: Plant, lot: Named) -> list[Ask]:
    return [Ask("start test", "/runs", {"station": plant.codes["Tester"], "things": [lot.code], "line_clear": True}, once="start")] * 3


def on_loose(plant: Plant, lot: Named, other: Named, jar: Named, second: Named) -> list[Ask]:
    return [
        *[Ask("split loose", f"/lots/{lot.code}/split", {"units": 25}, frees=True)] * 2,
        Ask("split all", f"/lots/{lot.code}/split", {"units": 40}, frees=True),
        Ask("merge loose", f"/lots/{lot.code}/merge", {"others": [other.code]}, frees=True),
        Ask("merge loose into", f"/lots/{other.code}/merge", {"others": [lot.code]}, frees=True),
        *[Ask("scrap units", "/scrap", {"thing": lot.code, "reason": "dropped", "units": 25})] * 2,
        *[Ask("sample units", "/samples", {"thing": lot.code, "purpose": "solder", "units": 25, "kept": False})] * 2,
        Ask("sample kept", "/samples", {"thing": lot.code, "purpose": "solder", "units": 5}),
        *[Ask("count", "/counts", {"thing": lot.code, "units": 38})] * 2,
        Ask("sign", "/counts/sign", plant.signed(thing=lot.code, words="spilled")),
        Ask("hold loose", "/holds", {"subject": lot.code, "reason": "look"}),
        Ask("put loose", f"/containers/{second.code}/put", {"things": [lot.code]}),
        Ask("put other", f"/containers/{jar.code}/put", {"things": [other.code]}),
        Ask("pour", f"/containers/{jar.code}/pour", {"into": second.code}),
        Ask("take out", f"/containers/{jar.code}/take_out", {}),
        Ask("move loose", "/moves", {"thing": lot.code, "kind": "stock", "place": "shelf 1"}, frees=True),
    ]


def testing(plant: Plant, _chance: random.Random) -> Scene:
    lot, other, jar, second = loose_lot(plant), loose_lot(plant, 1), plant.box("jar"), plant.box("jar")
    plant.put(jar, item=lot)
    run = plant.code("run", plant.factory.start("Tester", lot))
    path = f"/runs/{run}/bins"
    return Scene([
        *[Ask("bins", path, {"bins": [{"bin": "B1", "units": 40}]}, once="end")] * 2,
        Ask("bins apart", path, {"bins": [{"bin": "B1", "units": 30}, {"bin": "B2", "units": 6}, {"bin": "R", "units": 4}]}, once="end"),
        *on_run(plant, run, "Tester", [], ends=False), *on_loose(plant, lot, other, jar, second),
    ], (lot.id, other.id), 60)  # fmt: skip


def taping(plant: Plant, _chance: random.Random) -> Scene:
    """Forty tested units: enough for one reel."""
    lot, other, jar, second = binned_lot(plant), binned_lot(plant, 1), plant.box("jar"), plant.box("jar")
    plant.put(jar, item=lot)
    pack = {"station": plant.codes["Taper"], "line_clear": True}
    order = plant.order(30)
    return Scene([
        *[Ask("fill", "/packs", pack | {"parts": [{"lot": lot.code, "units": 30}]}, once="fill")] * 3,
        Ask("fill short", "/packs", pack | {"parts": [{"lot": lot.code, "units": 20}], "short_reason": "the last"}),
        Ask("fill two", "/packs", pack | {"parts": [{"lot": lot.code, "units": 10}, {"lot": other.code, "units": 20}]}),
        Ask("fill two other", "/packs", pack | {"parts": [{"lot": other.code, "units": 20}, {"lot": lot.code, "units": 10}]}),
        Ask("begin pack", "/packs", pack | {"parts": [{"lot": lot.code, "units": 0}], "close": False}),
        Ask("fill order", "/packs", pack | {"parts": [{"lot": lot.code, "units": 30}], "order": order}, once="fill"),
        *on_loose(plant, lot, other, jar, second), *_on_station(plant, "Taper"),
    ], (lot.id, other.id), 60)  # fmt: skip


def filling(plant: Plant, _chance: random.Random) -> Scene:
    """An open reel with ten pockets filled."""
    factory, lot, other, jar, second = plant.factory, binned_lot(plant), binned_lot(plant, 1), plant.box("jar"), plant.box("jar")
    taper = factory.things["Taper"]
    plant.put(jar, item=lot)
    pack = factory.do("fill_pack", lambda s, by: named_pack(s, fill.fill_pack(s, by, taper, [fill.Part(lot, 10)], line_clear=True, close=False).item))
    path = f"/packs/{pack.code}"
    with plant.house.reading() as session:
        run = session.scalar(select(Line.run).where(Line.item == pack.id, Line.closed_e.is_(None))) or 0
    return Scene([
        *[Ask("fill more", f"{path}/fill", {"parts": [{"lot": lot.code, "units": 20}]}, once="full")] * 2,
        Ask("fill some", f"{path}/fill", {"parts": [{"lot": lot.code, "units": 5}]}),
        Ask("fill other", f"{path}/fill", {"parts": [{"lot": other.code, "units": 15}]}),
        *[Ask("close", f"{path}/close", {"short_reason": "the last"}, once="close")] * 2,
        Ask("dry pack", f"{path}/dry_pack", {"station": plant.codes["Bagger"]}),
        Ask("cut", f"{path}/cut", {"units": 5}),
        Ask("ship", "/shipments", {"packs": [pack.code], "customer": "Arden Lights"}),
        Ask("hold pack", "/holds", {"subject": pack.code, "reason": "look"}),
        *on_run(plant, plant.code("run", run), "Taper", [], ends=False), *on_loose(plant, lot, other, jar, second),
    ], (lot.id, other.id), 60)  # fmt: skip


def packed(plant: Plant, chance: random.Random) -> Scene:
    """Two reels, half full."""
    order = plant.order(30)
    one, two, lot = _packs(plant, sealed=chance.random() < 0.6)
    path, ship = f"/packs/{one.code}", {"packs": [one.code], "customer": "Arden Lights"}
    box = plant.box("box")
    return Scene([
        *[Ask("ship", "/shipments", ship, once="gone")] * 2,
        Ask("ship both", "/shipments", ship | {"packs": [one.code, two.code]}, once="gone"),
        Ask("ship both turned", "/shipments", ship | {"packs": [two.code, one.code]}, once="gone"),
        Ask("ship for order", "/shipments", ship | {"order": order}, once="order"),
        Ask("ship second for order", "/shipments", ship | {"packs": [two.code], "order": order}, once="order"),
        *[Ask("dry pack", f"{path}/dry_pack", {"station": plant.codes["Bagger"]})] * 2,
        *[Ask("re-reel", f"{path}/re_reel", {}, once="gone")] * 2,
        *[Ask("cut", f"{path}/cut", {"units": 20}, once="cut")] * 2,
        Ask("cut few", f"{path}/cut", {"units": 5}),
        Ask("join", "/packs/join", {"packs": [one.code, two.code]}, once="gone"),
        Ask("join turned", "/packs/join", {"packs": [two.code, one.code]}, once="gone"),
        *[Ask("off the tape", f"{path}/take_off_tape", {}, once="gone")] * 2,
        Ask("some off the tape", f"{path}/take_off_tape", {"pocket_from": 5, "pocket_to": 20}),
        *[Ask("sample pockets", "/samples", {"thing": one.code, "purpose": "kept", "pocket_from": 20, "pocket_to": 30}, once="")] * 2,
        Ask("hold pack", "/holds", {"subject": one.code, "reason": "look"}),
        Ask("hold its lot", "/holds", {"subject": lot.code, "reason": "look"}),
        Ask("move pack", "/moves", {"thing": one.code, "kind": "stock", "place": "shelf 2"}),
        Ask("move pack back", "/moves", {"thing": one.code, "kind": "floor"}),
        Ask("put pack", f"/containers/{box.code}/put", {"things": [one.code]}),
        Ask("take back", f"{path}/take_back", {}),
        Ask("take back part", f"{path}/take_back", {"units": 10}),
    ], (lot.id,), 80)  # fmt: skip


def shipped(plant: Plant, _chance: random.Random) -> Scene:
    one, two, lot = _packs(plant)
    plant.factory.do("ship", lambda s, by: shipping.ship(s, by, [one, two], "Arden Lights").e)
    move, path = plant.newest(Move) - 1, f"/packs/{one.code}"
    return Scene([
        *[Ask("take back", f"{path}/take_back", {}, once="back")] * 2,
        *[Ask("take back part", f"{path}/take_back", {"units": 10})] * 2,
        *[Ask("never moved", f"/moves/{move}/correct", {"never": True, "reason": "was not"}, once="correct")] * 2,
        Ask("was in stock", f"/moves/{move}/correct", {"kind": "stock", "place": "shelf 1", "reason": "the one beside it"}, once="correct"),
        Ask("all never moved", f"/moves/{move}/correct", {"never": True, "together": True, "reason": "was not"}, once="correct"),
        Ask("ship again", "/shipments", {"packs": [one.code], "customer": "Arden Lights"}, frees=True),  # it may be taken back anew
        Ask("hold pack", "/holds", {"subject": one.code, "reason": "look"}),
        Ask("re-reel", f"{path}/re_reel", {}),
        Ask("cut", f"{path}/cut", {"units": 5}),
        Ask("dry pack", f"{path}/dry_pack", {"station": plant.codes["Bagger"]}),
        Ask("off the tape", f"{path}/take_off_tape", {}),
        Ask("move pack", "/moves", {"thing": one.code, "kind": "stock", "place": "shelf 2"}),
    ], (lot.id,), 80)  # fmt: skip


def held(plant: Plant, _chance: random.Random) -> Scene:
    """A held lot, and a reel of it."""
    one, two, lot = _packs(plant)
    plant.factory.do("place_hold", lambda s, by: place_hold(s, by, lot, "wrong").e)
    with plant.house.reading() as session:
        hold = code_of(session, "hold", session.scalar(select(func.max(Hold.id))) or 0)
    path, released = f"/holds/{hold}/release", plant.signed(disposition="concession", words="tested")
    return Scene([
        *[Ask("release", path, released, once="all")] * 2,
        *[Ask("release one", path, released | {"items": [one.code]})] * 2,
        Ask("release two", path, released | {"items": [two.code]}),
        Ask("release lot", path, released | {"items": [lot.code]}),
        Ask("hold again", "/holds", {"subject": lot.code, "reason": "again"}),
        *[Ask("ship", "/shipments", {"packs": [one.code], "customer": "Arden Lights"}, once="gone")] * 2,
        Ask("cut", f"/packs/{one.code}/cut", {"units": 5}),
        Ask("re-reel", f"/packs/{one.code}/re_reel", {}),
        Ask("join", "/packs/join", {"packs": [one.code, two.code]}),
        Ask("off the tape", f"/packs/{one.code}/take_off_tape", {}),
        Ask("split", f"/lots/{lot.code}/split", {"units": 10}),
        Ask("scrap", "/scrap", {"thing": lot.code, "reason": "bad", "units": 10}),
    ], (lot.id,), 80)  # fmt: skip


def marked(plant: Plant, _chance: random.Random) -> Scene:
    """Cells marked, a panel counted, things in a container: what was entered is taken back and corrected."""
    factory, (lot, panels), box, other = plant.factory, panel_lot(plant, "P2"), plant.box(), plant.box()
    plant.put(box, *panels)
    content = plant.newest(Content)
    mark = factory.do("mark_cells", lambda s, by: _mark(s, by, panels[0].id))
    run = {"station": plant.codes["Scope"], "things": [lot.code]}
    return Scene([
        *[Ask("take back mark", f"/marks/{mark}/take_back", {}, once="mark")] * 3,
        *[Ask("correct content", f"/contents/{content}/correct", {"things": [panels[1].code], "reason": "wrong"}, once="correct")] * 2,
        Ask("never in it", f"/contents/{content}/correct", {"never": True, "reason": "wrong"}, once="correct"),
        Ask("other box", f"/contents/{content}/correct", {"container": other.code, "reason": "wrong"}, once="correct"),
        *[Ask("start", "/runs", run, once="start")] * 2,
        Ask("start box", "/runs", run | {"things": [box.code]}, once="start"),
        Ask("take out of box", f"/containers/{box.code}/take_out", {"things": [panels[0].code]}),
        Ask("empty box", f"/containers/{box.code}/take_out", {}),
        Ask("pour box", f"/containers/{box.code}/pour", {"into": other.code}),
        Ask("pour back", f"/containers/{other.code}/pour", {"into": box.code}),
        *on_panels(plant, lot, panels),
    ])  # fmt: skip


def _mark(session: Session, by: By, panel: int) -> int:
    return mark_cells(session, by, panel, [(2, 2), (3, 3)], "scratched").id


def counted(plant: Plant, _chance: random.Random) -> Scene:
    """A loose lot whose count is beyond counting."""
    lot, other, jar, second = loose_lot(plant), loose_lot(plant, 1), plant.box("jar"), plant.box("jar")
    plant.put(jar, item=lot)
    plant.factory.do("count_units", lambda s, by: bool(count_units(s, by, lot.id, 35, "hand", 0.0)))
    count = plant.newest(CountEntry)
    return Scene([
        *[Ask("sign", "/counts/sign", plant.signed(thing=lot.code, words="spilled"))] * 3,
        *[Ask("take back count", f"/counts/{count}/take_back", {}, once="count")] * 3,
        *on_loose(plant, lot, other, jar, second), *_starts_test(plant, lot),
    ], (lot.id, other.id), 60)  # fmt: skip


def receiving(plant: Plant, _chance: random.Random) -> Scene:
    """What comes through the gate."""
    factory = plant.factory
    frames, glue, more = factory.batch("FRAME"), factory.batch("GLUE"), factory.batch("GLUE")
    name, wafer = plant.new("F"), plant.new("W")
    (lot, panels) = panel_lot(plant, "P1", 2)
    marks, free = {"frames": frames.code, "marks": [name]}, factory.panels(2)
    new_lot = {"product": "P2", "panels": [one.code for one in free]}
    return Scene([
        *[Ask("wafers", "/wafers", {"part": "WR", "passing": "1"}, once="wafer", files=((f"{wafer}.txt", _MAP.format(wafer).encode()),))] * 3,
        *[Ask("panels", "/panels", marks, once="panel")] * 3,
        *[Ask("count frames", "/counts", {"thing": frames.code, "units": 50})] * 2,
        Ask("panels by number", "/panels", {"frames": frames.code, "count": 30}),
        *[Ask("batch", "/batches", {"part": "GLUE", "supplier": "Harrow", "supplier_batch": name})] * 2,
        *[Ask("open batch", f"/batches/{glue.code}/open", {}, once="open")] * 2,
        *[Ask("mix", "/batches/mix", {"part": "GLUE", "parents": [glue.code, more.code]})] * 2,
        Ask("hold glue", "/holds", {"subject": glue.code, "reason": "look"}),
        Ask("hold frames", "/holds", {"subject": frames.code, "reason": "look"}),
        *[Ask("new lot", "/lots", new_lot, once="lot")] * 2,
        Ask("new lot of one", "/lots", new_lot | {"panels": [free[0].code]}, once="lot"),
        Ask("split", f"/lots/{lot.code}/split", {"panels": [panels[0].code]}),
        Ask("merge", f"/lots/{lot.code}/merge", {"others": [lot.code]}),
    ])  # fmt: skip


def people(plant: Plant, _chance: random.Random) -> Scene:
    factory, name = plant.factory, plant.new("racer ")
    one = factory.do("add_person", lambda s, by: add_person(s, by, name, ["operate"]).id)
    badge, station = plant.code("person", one), plant.codes["Scope"]
    factory.do("attend_station", lambda s, by: attend(s, by, plant.people[1], factory.things["Scope"]))
    give = lambda *certificates: {"certificates": [{"name": each} for each in certificates]}  # noqa: E731
    return Scene([
        Ask("duties", f"/people/{badge}/change", {"duties": ["operate", "lead"]}),
        Ask("fewer duties", f"/people/{badge}/change", {"duties": []}, ends_duties=True),
        Ask("certificate", f"/people/{badge}/change", give("look")),
        Ask("other certificate", f"/people/{badge}/change", give("look", "cut")),
        *[Ask("pin", f"/people/{badge}/secret", {"kind": "pin", "secret": "4711"})] * 2,
        Ask("end sessions", f"/people/{badge}/end_sessions", {}),
        *[Ask("here", f"/stations/{station}/attend", {"person": badge})] * 2,
        *[Ask("away", f"/stations/{station}/attend", {"person": badge, "here": False})] * 2,
        Ask("hand over to it", "/hand_over", {"from_person": plant.badges[1], "to_person": badge}),
        Ask("hand over from it", "/hand_over", {"from_person": badge, "to_person": plant.badges[1]}),
        Ask("hand over", "/hand_over", {"from_person": plant.badges[1], "to_person": plant.badges[2]}),
        *_on_station(plant, "Scope"),
    ])  # fmt: skip


SCENES: tuple[Callable[[Plant, random.Random], Scene], ...] = (
    waiting, attaching, attached, bonding, judged, loading, curing, sawing, loose, testing, taping, filling, packed, shipped, held, marked, counted,
    receiving, people,
)  # fmt: skip

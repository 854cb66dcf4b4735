"""A small factory with something of everything on its pages, and a server for it: what the browser tests walk through."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import uvicorn

from app.catalogue.definitions import Body
from app.db import House
from app.final_test.singulate import singulate
from app.floor.at_risk import go_on_at_risk
from app.floor.attendance import attend
from app.floor.containers import add_container, put_panels
from app.floor.dispositions import dispose
from app.floor.ends import finish_run
from app.floor.station_states import set_state
from app.holds.place import place_hold
from app.ledger.places import Load
from app.ledger.runs import Run
from app.ledger.sets import panels_of_lot
from app.main import make_app
from app.naming.resolve import Named, code_of, resolve
from app.ovens import loads
from app.packing import fill
from app.packing.dry import seal_pack
from app.packing.shipping import ship
from app.people.people import add_person
from app.people.secrets import set_secret
from tests.genealogy.made import tested
from tests.small_factory import Factory, named_lot, named_pack

PASSWORD = "long enough"
PEOPLE = {"Ola": ("operate",), "Quy": ("quality",), "Lea": ("lead",), "Ada": ("operate", "lead", "quality", "engineer", "administer")}


@dataclass
class Stage:
    """`codes`: what tests scan or open, by a name of theirs."""

    factory: Factory
    codes: dict[str, str] = field(default_factory=dict)
    badges: dict[str, str] = field(default_factory=dict)
    url: str = ""

    def station(self, name: str) -> str:
        with self.factory.house.reading() as session:
            return code_of(session, "station", self.factory.things[name])


def staged(house: House, *more: tuple[str, Body]) -> Stage:
    """Lots fresh, after plasma with the window running, on at risk, held and packed; a load being filled; people."""
    factory = Factory(house).load(*more)
    stage = Stage(factory)
    for name, duties in PEOPLE.items():
        stage.badges[name] = factory.do("add_person", lambda s, by, n=name, d=duties: _person(s, by, n, d))
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    factory.mount("Bond 1", factory.batch("AU20"))
    lots = {name: factory.lot(factory.panels(2)) for name in ("fresh", "other", "bonding", "risky", "held", "packed")}
    for name in ("bonding", "risky", "packed"):
        factory.run("Attach", lots[name])
    stage.codes |= {name: lot.code for name, lot in lots.items()}
    _cure(stage, lots["bonding"], lots["packed"])
    factory.run("Plasma", lots["bonding"])
    _cure(stage, lots["risky"], judged=False)
    stage.codes["hold"] = _held(factory, lots["held"])
    _packed(stage, lots["packed"])
    stage.codes["filling"] = factory.do("begin_load", lambda s, by: code_of(s, "load", loads.begin_load(s, by, factory.things["Oven"], "C170").id))
    stage.codes["box"] = factory.do("add_container", lambda s, by: _boxed(s, by, lots["other"]))
    factory.do("attend_station", lambda s, by: attend(s, by, resolve(s, stage.badges["Ola"]).id, factory.things["Attach"]))
    factory.do("set_station_state", lambda s, by: set_state(s, by, factory.things["Bond 2"], "unscheduled_down", "the wedge is worn").id)
    stage.codes["glue"], stage.codes["red"] = factory.batch("GLUE").code, factory.wafer().code
    return stage


@contextmanager
def serving(stage: Stage) -> Iterator[Stage]:
    """The real server on a free port of the loopback, on a thread of its own."""
    house = stage.factory.house
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        server = uvicorn.Server(uvicorn.Config(make_app(house.settings, house), log_level="warning", timeout_graceful_shutdown=1))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [door]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        stage.url = f"http://127.0.0.1:{door.getsockname()[1]}"
        yield stage
        server.should_exit = True
        thread.join(timeout=10)


def _person(session: Any, by: Any, name: str, duties: tuple[str, ...]) -> str:
    person = add_person(session, by, name, duties)
    set_secret(session, by, person.id, "password", PASSWORD, cheap=True)
    return code_of(session, "person", person.id)


def _cure(stage: Stage, *lots: Named, judged: bool = True) -> None:
    factory = stage.factory
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, factory.things["Oven"], "C170").id)
    for lot in lots:
        factory.do("add_to_load", lambda s, by, lot=lot: len(loads.add_to_load(s, by, s.get_one(Load, load), [lot], "1")))
    run = factory.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load), None).run.id)
    lines = factory.do("end_load", lambda s, by: [line.id for line in finish_run(s, by, s.get_one(Run, run))])
    if judged:
        for line in lines:
            factory.do("dispose", lambda s, by, line=line: dispose(s, by, line, "concession", "no logger").id)
    else:
        panels = factory.do("go_on_at_risk", lambda s, by: _panels(s, lots[0]))
        factory.do("go_on_at_risk", lambda s, by: len(go_on_at_risk(s, by, panels, "the order is urgent")))
    with factory.house.reading() as session:
        stage.codes["load"], stage.codes["cure"] = code_of(session, "load", load), code_of(session, "run", run)


def _panels(session: Any, lot: Named) -> list[int]:
    return panels_of_lot(session, lot.id)


def _held(factory: Factory, lot: Named) -> str:
    return factory.do("place_hold", lambda s, by: code_of(s, "hold", place_hold(s, by, lot, "bent frames").id))


def _packed(stage: Stage, lot: Named) -> None:
    factory = stage.factory
    factory.run("Plasma", lot)
    factory.run("Bond 1", lot, pull=5.0)
    factory.run("Scope", lot)
    saw = factory.start("Saw", lot)
    loose = factory.do("singulate", lambda s, by: named_lot(s, singulate(s, by, s.get_one(Run, saw)).item))
    test = factory.start("Tester", loose)
    good = tested(factory, test, 40, 0)
    taper = factory.things["Taper"]
    reel = factory.do("fill_pack", lambda s, by: named_pack(s, fill.fill_pack(s, by, taper, [fill.Part(good, 30)], line_clear=True).item))
    factory.do("seal_pack", lambda s, by: seal_pack(s, by, factory.things["Bagger"], reel).pack.item)
    sent = factory.do("ship", lambda s, by: code_of(s, "shipment", ship(s, by, [reel], "Arden Lights").id))
    with factory.house.reading() as session:
        stage.codes |= {"loose": good.code, "reel": reel.code, "shipment": sent, "test": code_of(session, "run", test)}


def _boxed(session: Any, by: Any, lot: Named) -> str:
    box = add_container(session, by, "magazine", "Magazine 1")
    put_panels(session, by, box.id, _panels(session, lot))
    return code_of(session, "container", box.id)

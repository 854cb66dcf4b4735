"""A bonding bay for the walks of the terminal: a product with windows, values, a count, cautions; cards; an enrolled terminal; magazines."""

from typing import Any

from app.catalogue.definitions import Need, Product, ReasonEntry, Recipe, Record, Role, Route, Station, Step, Window
from app.codes import START_CARD
from app.db import House
from app.floor import containers, lots
from app.naming.resolve import Named, code_of, give_code, resolve
from app.people.people import add_person
from app.people.secrets import set_secret
from app.people.terminals import enrol_terminal
from tests.browser.staging import PASSWORD, Stage
from tests.small_factory import Factory

PIN = "402817"
BAY = "bay"
RULES = "Site rules, local codes and licensed practice come first."
STEPS = (
    Step(key="attach", name="die attach", operation="die attach", role="red", needs=(Need(kind="adhesive", part="GLUE"),)),
    Step(key="plasma", name="plasma", operation="plasma clean", caution=f"Plasma and high voltage: door interlocks stay on. {RULES}"),
    Step(
        key="bond", name="wire bond", operation="wire bond", needs=(Need(kind="wire", part="AU20"),), standard_minutes=40,
        records=(Record(name="pull", unit="gf", low=3.0), Record(name="shear", unit="gf", low=10.0)),
        caution=f"Hot work holder and moving bond head: keep the guards closed. {RULES}", instruction="Take the pull test from the first panel.",
    ),
    Step(key="look", name="look", operation="inspect", count="hand", instruction="Count what is good."),
    Step(key="clean", name="clean", operation="clean"),
)  # fmt: skip
MORE = (
    ("product", Product(part_number="P2", rows=4, columns=5, roles=(Role(role="red", part="WR"),))),
    ("route", Route(product="P2", revision="A", steps=STEPS, windows=(Window(from_step="plasma", to_step="bond", max_minutes=90),))),
    ("station", Station(name="Washer", area="wash", operations=("clean",))),
    ("station", Station(name="Bonder 31", area=BAY, operations=("wire bond",))),
    ("reason", ReasonEntry(name="jam", of=("station",), state="unscheduled_down")),
    ("reason", ReasonEntry(name="refill", of=("station",), state="scheduled_down")),
    ("reason", ReasonEntry(name="no work", of=("station",), state="standby")),
    ("reason", ReasonEntry(name="trial", of=("station",), state="engineering")),
    ("reason", ReasonEntry(name="back to work", of=("station",), state="productive")),
    ("reason", ReasonEntry(name="something else", of=("station",))),
    ("reason", ReasonEntry(name="wrong magazine", of=("void",))),
    ("recipe", Recipe(name="C150", set_point_c=150, band_low_c=145, band_high_c=155, soak_minutes=60)),
)
PEOPLE = {"Ola": ("operate",), "Bo": ("operate",), "Lea": ("operate", "lead")}


def bay(house: House) -> Stage:
    """Codes: `jam`, `back to work` ... cards; `start` card; `wire`, `gold` (another spool); `terminal`: the secret of its cookie."""
    factory = Factory(house).load(*MORE)
    stage = Stage(factory)
    for name, duties in PEOPLE.items():
        stage.badges[name] = factory.do("add_person", lambda s, by, n=name, d=duties: _person(s, by, n, d))
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    factory.mount("Bond 2", factory.batch("AU20"))
    stage.codes["wire"], stage.codes["gold"] = factory.batch("AU20").code, factory.batch("AU20").code
    for name in (one.name for _, one in MORE if isinstance(one, ReasonEntry) and "station" in one.of):
        stage.codes[name] = factory.do("load_catalogue", lambda s, by, n=name: give_code(s, by, "card", factory.things[n]))
    stage.codes["start"] = START_CARD
    stage.codes["terminal"] = factory.do("enrol_terminal", lambda s, by: enrol_terminal(s, by, BAY)[1])
    return stage


def magazine(stage: Stage, *stations: str, panels: int = 2) -> Named:
    """A lot of P2 in a magazine of its own, worked on at these stations before."""
    factory = stage.factory
    ids = [one.id for one in factory.panels(panels, frames=_frames(stage))]

    def write(session: Any, by: Any) -> Named:
        lots.start_lot(session, by, "P2", ids)
        box = containers.add_container(session, by, "magazine", f"magazine of {ids[0]}")
        containers.put_panels(session, by, box.id, ids)
        return Named("container", box.id, code_of(session, "container", box.id))

    box = factory.do("start_lot", write)
    for station in stations:
        factory.run(station, box)
    return box


def _frames(stage: Stage) -> Named:
    if "frames" not in stage.codes:
        stage.codes["frames"] = stage.factory.batch("FRAME").code
    with stage.factory.house.reading() as session:
        return resolve(session, stage.codes["frames"])


def _person(session: Any, by: Any, name: str, duties: tuple[str, ...]) -> str:
    person = add_person(session, by, name, duties)
    for kind, secret in (("password", PASSWORD), ("pin", PIN)):
        set_secret(session, by, person.id, kind, secret, cheap=True)
    return code_of(session, "person", person.id)

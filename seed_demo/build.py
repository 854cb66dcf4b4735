"""Builds the demo: the catalogue, people with sign-ins, and the last days of the invented factory up to now, in one empty installation."""

import gc
import io
import re
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app import clock
from app.catalogue import queries as catalogue
from app.catalogue.approve import approve_route
from app.catalogue.example import EXAMPLE
from app.catalogue.file import read_catalogue
from app.catalogue.load import as_json, load_file
from app.db import House
from app.errors import refuse
from app.evidence.keep import keep_file
from app.journal.act import SYSTEM, Actor, By, act
from app.journal.models import Entry
from app.journal.sealing import seal
from app.naming.resolve import resolve
from app.people.people import actor_of, everyone
from app.people.secrets import keep_secret, new_secret
from app.settings import Settings
from seed_demo.factory import Factory
from seed_demo.floor import Campaign, Story
from seed_demo.hands import Hands, later
from seed_demo.packing import Packing
from seed_demo.shifts import HANDED_OVER, attendance, stops
from seed_demo.shipping import Shipping
from seed_demo.supplies import Supplies
from seed_demo.truth import FILE, Truth, load_truth

BEGUN = "demo-begun"  # stands in the data folder while a demo is being built
PEOPLE = Path(__file__).parent / "people.toml"
SEED = 20_170
PANELS = 24
# product, order, wire of the campaigns, over and over; None: for stock
PLAN: tuple[tuple[str, str | None, str], ...] = (
    ("LF-C20", "QL-26-0418", "WIRE-AU-20"),
    ("LF-M12", "TV-5519", "WIRE-AU-20"),
    ("LF-C20", "TV-5507", "WIRE-AG-20"),
    ("LF-C20", "QL-26-0418", "WIRE-AU-20"),
    ("LF-M12", "TV-5519", "WIRE-AU-20"),
    ("LF-C20", "TV-5507", "WIRE-AG-20"),
    ("LF-M12", None, "WIRE-AU-20"),
)


@dataclass(frozen=True)
class Live:
    """Lots that are in work at the end. `at`: step -> at which minute before the end the first of them comes to it; `held`: before which step."""

    hours: float  # they began so long before the end
    lots: int
    product: str
    order: str | None
    wire: str = "WIRE-AU-20"
    at: tuple[tuple[str, float], ...] = ()
    held: str = ""
    test: float | None = None  # minutes before the end


LIVE = (
    Live(47, 1, "LF-M12", "TV-5519", test=22),
    Live(37, 2, "LF-C20", "QL-26-0418", test=95),
    Live(30, 1, "LF-M12", "OD-1187"),
    Live(29.5, 2, "LF-C20", "QL-26-0431", held="dispense", at=(("dispense", 130),)),
    Live(26, 2, "LF-C20", "QL-26-0418", at=(("plasma", 100), ("bond", 40))),
    Live(17, 2, "LF-M12", "TV-5519"),
    Live(12.3, 1, "LF-C20", "TV-5507", "WIRE-AG-20", at=(("green-attach", -60),)),
    Live(10.3, 1, "LF-C20", "TV-5507", "WIRE-AG-20"),
    Live(4.05, 2, "LF-C20", "QL-26-0418"),
    Live(2.28, 1, "LF-C20", "QL-26-0418"),
    Live(0.3, 1, "LF-M12", "TV-5519"),
)
# days from the end to when an order is due; one was due yesterday
DUE = {"QL-26-0418": 16, "QL-26-0431": -1, "TV-5507": 9, "TV-5519": 12, "OD-1187": 6}
_EVERY = timedelta(hours=12)  # so often four lots are begun, for two orders
_LAST = timedelta(hours=53)  # the last lots that are finished at the end were begun so long before
_SIGN_INS = (("operate", 2), ("lead", 1), ("quality", 1), ("engineer", 1), ("administer", 1))


@dataclass(frozen=True)
class SignIn:
    """How to sign in to the demo, and to nothing else."""

    name: str
    badge: str
    duties: str
    password: str
    pin: str


def build(
    house: House, say: Callable[[str], None], *, lots: int = 32, live: Sequence[Live] = LIVE, reel: int = 4500, ends: datetime | None = None
) -> Truth:
    """The last days of the factory, up to `ends` (now). `lots` are finished then, the `live` ones are in work. An installation in use is refused."""
    if is_built(house):
        return load_truth(house.settings.data_dir)
    _must_be_empty(house)
    house.data_dir.mkdir(mode=0o700, parents=True, exist_ok=True)  # with PostgreSQL nothing has made it yet
    (house.data_dir / BEGUN).touch()
    ends = (ends or clock.now()).replace(second=0, microsecond=0)
    with _fewer_collections():
        truth = _days(house, say, lots, live, reel, ends)
    seal(house)
    truth.save(house.settings.data_dir)
    (house.settings.data_dir / BEGUN).unlink()
    return truth


def _days(house: House, say: Callable[[str], None], lots: int, live: Sequence[Live], reel: int, ends: datetime) -> Truth:
    set_up(house, say, ends)
    in_work = sum(one.lots for one in live)
    rng, truth = np.random.default_rng(SEED), Truth((lots + in_work) * PANELS)
    begins = ends - _LAST - _EVERY * ((lots - 1) // 4)
    hands = Hands(house, begins - timedelta(hours=1))
    packing = Packing(reel)
    factory = Factory(hands, Supplies(hands, truth, rng), truth, rng, packing.test, ends)
    packing.factory = factory
    shipping = Shipping(packing)
    for n in range(0, lots, 2):
        at = later(begins + _EVERY * (n // 4), 50 * (n // 2 % 2))
        factory.begin(campaign(factory, n, min(2, lots - n), at, max(5, lots * 4 // 5)), at)
    for one in live:
        at = ends - timedelta(hours=one.hours)
        factory.begin(_live(factory, one, at), at)
    factory.begin(shipping.every_day(begins + timedelta(hours=60), ends - timedelta(hours=30)), begins)
    factory.begin(shipping.ship_and_more(ends - timedelta(hours=18)), ends - timedelta(hours=18))
    factory.begin(stops(factory, begins, rng), begins)
    with house.reading() as session:
        factory.begin(attendance(factory, catalogue.site(session)), ends - HANDED_OVER)
    factory.run(say)
    packing.reaches()
    say(f"{hands.acts} movements, {lots} lots finished, {in_work} in work, {len(truth.packs)} packs, {len(truth.alive)} units")
    return truth


@contextmanager
def _fewer_collections() -> Iterator[None]:
    """Looking for unreachable cycles after every few hundred new objects costs a tenth of the time."""
    before = gc.get_threshold()
    gc.set_threshold(100_000, 20, 20)
    try:
        yield
    finally:
        gc.set_threshold(*before)


def catalogue_text(ends: datetime) -> str:
    """The example with the demo's people; orders are due some days from the end."""
    text = EXAMPLE + "\n" + PEOPLE.read_text()
    for number, days in DUE.items():
        head, tail = text.split(f'number = "{number}"\n', 1)
        due = (ends + timedelta(days=days)).date().isoformat()
        text = f'{head}number = "{number}"\n' + re.sub(r"^due = .*$", f"due = {due}", tail, count=1, flags=re.MULTILINE)
    return text


def clear_half_built(settings: Settings) -> bool:
    """Takes away what a build left that was cut short, and nothing else: only where its own mark stands, and only the embedded database."""
    folder = settings.data_dir
    if settings.database_url or not (folder / BEGUN).exists():
        return False
    for name in ("reelroot.db", "reelroot.db-wal", "reelroot.db-shm", "seals.log", FILE):
        (folder / name).unlink(missing_ok=True)
    for name in ("evidence", "unit_results"):
        shutil.rmtree(folder / name, ignore_errors=True)
    (folder / BEGUN).unlink()
    return True


def is_built(house: House) -> bool:
    return (house.settings.data_dir / FILE).exists()


def load_demo(house: House) -> Truth:
    """The truth of a demo that was built before."""
    return load_truth(house.settings.data_dir)


def sign_ins(house: House) -> list[SignIn]:
    """Demo passwords: everyone may know them."""
    with house.reading() as session:
        people = everyone(session)
    chosen: list[SignIn] = []
    for duty, n in _SIGN_INS:
        able = [one for one in people if duty in one.duties and one.badge not in {kept.badge for kept in chosen}]
        able.sort(key=lambda one: len(one.duties))
        for one in able[:n]:
            first = one.name.split()[0].lower()
            chosen.append(SignIn(one.name, one.badge, ", ".join(one.duties), f"demo-{first}", f"{2600 + len(chosen) * 11}"))
    return chosen


def campaign(factory: Factory, first: int, lots: int, at: datetime, drifts: int) -> Story:
    product, order, wire = PLAN[first // 2 % len(PLAN)]
    return _begun(factory, Campaign(product, order, lots), wire, at, [_planted(first + n, drifts) for n in range(lots)], [{}] * lots)


def _live(factory: Factory, one: Live, at: datetime) -> Story:
    """Lots whose way is timed so that the end finds them at their work; each comes an hour behind the one before."""
    appointed = [{step: later(factory.ends, 60 * n - minutes) for step, minutes in one.at} for n in range(one.lots)]
    family = Campaign(one.product, one.order, one.lots, later(factory.ends, -one.test) if one.test is not None else None)
    planted = [{f"held before {one.held}"} if one.held and n == 0 else set() for n in range(one.lots)]
    return _begun(factory, family, one.wire, at, planted, appointed)


def _begun(
    factory: Factory, family: Campaign, wire: str, at: datetime, planted: Sequence[set[str]], appointed: Sequence[dict[str, datetime]]
) -> Story:  # fmt: skip
    """Lots of one order, begun half an hour after one another and tested together. Their panels come in first."""
    frames = next(part.number for part in factory.hands.parts.values() if part.kind == "lead frame" and _fits(part.number, family.product))
    batch, panels = factory.supplies.panels(frames, family.lots * PANELS, at)
    for panel in panels:
        factory.truth.panels.of(panel.code)
    for n in range(len(planted)):
        begins = later(at, 1 + 30 * n)
        yield begins
        lot = factory.start_lot(family, wire, panels[n * PANELS : (n + 1) * PANELS], batch, begins, planted[n])
        lot.appointed |= appointed[n]
        factory.begin(factory.story(lot), begins)


def _fits(frame: str, product: str) -> bool:
    return ("CAV" in frame) == ("C20" in product)


def _planted(lot: int, drifts: int) -> set[str]:
    """What goes wrong, or another way, with a lot. `drifts`: the lot whose bonder does; late, so that packs are still here."""
    ways = {1: "expired syringe", 2: "in two", 3: "wrong map", drifts: "drifted bonder"}
    return {ways[lot]} if lot in ways else {"in two"} if lot % 9 == 7 else set()


def _must_be_empty(house: House) -> None:
    with house.reading() as session:
        n = session.scalar(select(func.count()).select_from(Entry)) or 0
    if n:
        why = f"There are {n} entries in this installation already: it is in use, or a build of the demo was cut short."
        raise refuse("changed", "The demo was not built.", why, f"Name an empty data folder, or delete {house.settings.data_dir}.")


def set_up(house: House, say: Callable[[str], None], ends: datetime) -> None:
    say("Loading the catalogue")
    text = catalogue_text(ends)
    found = read_catalogue(text)
    kept = keep_file(house, "catalogue.toml", io.BytesIO(text.encode()))
    act(house, SYSTEM, "load_catalogue", {"file": kept.digest}, lambda s, by: as_json(load_file(s, by, found, kept)))
    with house.reading() as session:
        engineer = actor_of(session, next(one.id for one in everyone(session) if "engineer" in one.duties))
    for route in found.routes:
        _approve(house, engineer, route.product, route.revision)
    for one in sign_ins(house):
        _give_secrets(house, one)


def _approve(house: House, engineer: Actor, product: str, revision: str) -> None:
    arguments = {"product": product, "revision": revision}
    act(house, engineer, "approve_route", arguments, lambda s, by: {"route": approve_route(s, by, product, revision).name}, signed=True)


def _give_secrets(house: House, one: SignIn) -> None:
    secrets = [new_secret("password", one.password, cheap=True), new_secret("pin", one.pin, cheap=True)]  # everyone knows them

    def verb(session: Session, by: By) -> dict[str, Any]:
        person = resolve(session, one.badge, "person")
        for secret in secrets:
            keep_secret(session, by, person.id, secret, given=False)  # as if each had chosen it: a visitor has none to choose
        return {"set": len(secrets)}

    act(house, SYSTEM, "give_secret", {"person": one.badge}, verb)

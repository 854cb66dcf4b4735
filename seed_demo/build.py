"""Builds the demo: the catalogue, people with sign-ins, and some days of the invented factory, in one empty installation."""

import io
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app import clock
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
from seed_demo.factory import Campaign, Factory, PanelLot, Story
from seed_demo.hands import Hands
from seed_demo.packing import Packing
from seed_demo.supplies import Supplies
from seed_demo.truth import FILE, Truth, load_truth

BEGUN = "demo-begun"  # stands in the data folder while a demo is being built
PEOPLE = Path(__file__).parent / "people.toml"
CATALOGUE = EXAMPLE + "\n" + PEOPLE.read_text()
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
_SIGN_INS = (("operate", 2), ("lead", 1), ("quality", 1), ("engineer", 1), ("administer", 1))


@dataclass(frozen=True)
class SignIn:
    """How to sign in to the demo, and to nothing else."""

    name: str
    badge: str
    duties: str
    password: str
    pin: str


def build(house: House, say: Callable[[str], None], *, lots: int = 42, reel: int = 4500) -> Truth:
    """Some days of the factory, ending about now. A reduced demo has fewer lots and smaller reels. An installation that is in use is refused."""
    if is_built(house):
        return load_truth(house.settings.data_dir)
    _must_be_empty(house)
    (house.settings.data_dir / BEGUN).touch()
    set_up(house, say)
    rng, truth = np.random.default_rng(SEED), Truth(lots * PANELS)
    now = clock.now().replace(minute=0, second=0, microsecond=0)
    begins = now - timedelta(hours=80 + 3 * lots)
    hands = Hands(house, begins)
    packing = Packing(reel)
    factory = Factory(hands, Supplies(hands, truth, rng), truth, rng, packing.test)
    packing.factory = factory
    for n in range(0, lots, 2):
        at = begins + timedelta(hours=3 * n)
        factory.begin(campaign(factory, n, min(2, lots - n), at, max(5, lots * 4 // 5)), at)
    factory.run(say)
    ends = max(pack.at for pack in packing.packs)
    factory.begin(packing.ship_and_more(ends), ends)
    factory.run(say)
    packing.reaches()
    seal(house)
    truth.save(house.settings.data_dir)
    (house.settings.data_dir / BEGUN).unlink()
    say(f"{hands.acts} movements, {lots} lots, {len(truth.packs)} packs, {len(truth.alive)} units")
    return truth


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
    """Lots of one order, started one after another and tested together."""
    number = first // 2
    product, order, wire = PLAN[number % len(PLAN)]
    family = Campaign(product, order, lots)
    frames = next(part.number for part in factory.hands.parts.values() if part.kind == "lead frame" and _fits(part.number, product))
    batch, panels = factory.supplies.panels(frames, lots * PANELS, at - timedelta(hours=1))
    for panel in panels:
        factory.truth.panels.of(panel.code)
    for n in range(lots):
        mine = panels[n * PANELS : (n + 1) * PANELS]
        lot: PanelLot = factory.start_lot(family, wire, mine, batch, at + timedelta(minutes=30 * n), _planted(first + n, drifts))
        factory.begin(factory.story(lot), lot.at)
    yield at


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


def set_up(house: House, say: Callable[[str], None]) -> None:
    say("Loading the catalogue")
    found = read_catalogue(CATALOGUE)
    kept = keep_file(house, "catalogue.toml", io.BytesIO(CATALOGUE.encode()))
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
    cheap = house.settings.cheap_passwords
    secrets = [new_secret("password", one.password, cheap=cheap), new_secret("pin", one.pin, cheap=cheap)]

    def verb(session: Session, by: By) -> dict[str, Any]:
        person = resolve(session, one.badge, "person")
        for secret in secrets:
            keep_secret(session, by, person.id, secret)
        return {"set": len(secrets)}

    act(house, SYSTEM, "give_secret", {"person": one.badge}, verb)

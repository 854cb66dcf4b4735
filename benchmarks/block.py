"""One block of the factory's history: eight lots from wafer to customer, written by the program's own acts, with nothing left open.

The invented factory of the demo makes it, without its planted faults. `history.py` repeats it block after block.
"""

from datetime import datetime, timedelta

import numpy as np
from sqlalchemy import select, text

from app.db import House
from app.floor.amounts import amounts
from app.floor.mounts import unmount
from app.floor.scrap import scrap_units
from app.ledger.loose_stock import LooseStock
from app.ledger.places import Mount
from app.migrate import upgrade
from seed_demo.build import PANELS, SEED, campaign, set_up
from seed_demo.factory import Factory
from seed_demo.hands import Hands, later
from seed_demo.packing import Packing
from seed_demo.shipping import Shipping
from seed_demo.supplies import Supplies
from seed_demo.truth import CELLS, Truth

LOTS = 8
UNITS = LOTS * PANELS * CELLS
_NO_FAULTS = 100  # lots from this number on have none planted
_REEL = 4500


def make_block(house: House, begins: datetime, lots: int = LOTS) -> None:
    """Into an empty installation. Everything happens at stated times from `begins` on, and is recorded then."""
    upgrade(house)
    set_up(house, lambda _: None, begins)
    truth, rng, hands, packing = Truth(lots * PANELS), np.random.default_rng(SEED), Hands(house, begins), Packing(_REEL)
    factory = Factory(hands, Supplies(hands, truth, rng), truth, rng, packing.test, begins + timedelta(days=60))  # until nothing is open
    factory.curing.planted_left.clear()
    packing.factory = factory
    for n in range(0, lots, 2):
        at = begins + timedelta(hours=3 * n)
        factory.begin(campaign(factory, _NO_FAULTS + n, min(2, lots - n), at, -1), at)
    factory.run(lambda _: None)
    ends = max(pack.at for pack in packing.packs)
    factory.begin(Shipping(packing).ship_and_more(ends), ends)
    factory.run(lambda _: None)
    _clear(hands, later(ends, 1000))
    with house.write_engine.begin() as connection:
        connection.execute(text("update entry set recorded_at = happened_at"))


def _clear(hands: Hands, at: datetime) -> None:
    """What is left over is scrapped, and stations are emptied."""
    take_all_off(hands, at)
    with hands.house.reading() as session:
        left = amounts(session, list(session.scalars(select(LooseStock.lot).where(LooseStock.emptied_e.is_(None)))))
    for lot, one in left.items():
        verb = lambda s, by, lot=lot, units=one.book: scrap_units(s, by, lot, units, "reject bin").id  # noqa: E731
        hands.do(hands.certified("test"), "scrap", {"units": one.book}, at, verb)


def take_all_off(hands: Hands, at: datetime) -> None:
    with hands.house.reading() as session:
        on = list(session.execute(select(Mount.station, Mount.item).where(Mount.closed_e.is_(None))))
    for station, item in on:
        take_off = lambda s, by, station=station, item=item: len(unmount(s, by, station, item))  # noqa: E731
        hands.do(hands.with_duty("lead"), "unmount", {"station": station}, at, take_off)

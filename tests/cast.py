"""A catalogue of one small product, loaded and approved, for tests that need a floor: panels of 4 x 5 cells, a driver and a red die."""

from pathlib import Path

from app.catalogue.approve import approve_route
from app.catalogue.file import read_catalogue
from app.catalogue.load import as_json, load_catalogue
from app.db import House
from app.journal.act import SYSTEM, act

SMALL = Path(__file__).parent / "small_catalogue.toml"


def load_small_catalogue(house: House) -> None:
    """Product P1 on its active route "P1 rev A"; stations, people, orders 4711 (gold wire) and 4712 (any wire, seconds too)."""
    catalogue = read_catalogue(SMALL.read_text())
    act(house, SYSTEM, "load_catalogue", {"file": SMALL.name}, lambda session, by: as_json(load_catalogue(session, by, catalogue)))
    act(
        house, SYSTEM, "approve_route", {"product": "P1", "revision": "A"},
        lambda session, by: {"retired": approve_route(session, by, "P1", "A").retired}, signed=True,
    )  # fmt: skip

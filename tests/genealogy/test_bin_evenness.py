"""The chi-square of lots by bins, against a published table and planted differences."""

import numpy as np
import pytest
from scipy.stats import chi2
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db import House
from app.evidence.models import Evidence
from app.floor.loose import new_loose_lot
from app.floor.lot_families import part_of_lot
from app.genealogy.bin_evenness import LEVEL, Evenness, bin_evenness, evenness
from app.journal.act import By
from app.ledger.cells import Placement
from app.ledger.flows import Flow
from app.ledger.items import LotRoute
from tests.small_factory import Factory


def test_equals_a_known_chi_square() -> None:
    """2 x 2 by hand: (20, 30; 30, 20), expected 25 each, chi-square 4.0 less Yates' correction: 3.24; p from the distribution with one degree."""
    assert evenness({1: {"A": 20, "B": 30}, 2: {"A": 30, "B": 20}}) == pytest.approx(float(chi2.sf(3.24, 1)), rel=1e-9)


def test_lots_alike_are_not_contradicted_as_often_as_the_level_says() -> None:
    rng = np.random.default_rng(2)
    found = 0
    for _ in range(300):
        lots = {lot: dict(zip("ABC", rng.multinomial(800, [0.5, 0.3, 0.2]).tolist(), strict=True)) for lot in range(5)}
        p = evenness(lots)
        found += p is not None and p < LEVEL
    assert found <= 10  # 3 expected; more than 10 has a chance of 0.0003 (binomial)


def test_a_wafer_of_another_colour_contradicts() -> None:
    p = evenness({1: {"A": 500, "B": 300}, 2: {"A": 300, "B": 500}, 3: {"A": 400, "B": 400}})
    assert p is not None and p < 1e-6


def test_what_can_not_be_compared() -> None:
    assert evenness({1: {"A": 500}}) is None
    assert evenness({1: {"A": 500}, 2: {"A": 300}}) is None
    assert evenness({1: {}, 2: {"A": 3}}) is None


def test_only_lots_of_one_wafer_alone_are_compared(house: House) -> None:
    """One that took in another lot, or a panel that no log tells of, may have dies of any wafer."""
    factory = Factory(house).load()
    wafers, panels, product = [factory.wafer(), factory.wafer()], factory.panels(6), factory.things["P1"]
    lot = factory.lot(panels)
    factory.mount("Attach", factory.batch("GLUE"), wafers[0])
    run = factory.run("Attach", lot)

    def placed(session: Session, by: By) -> int:
        file = Evidence(e=by.e, digest="0" * 64, name="log", kind="placement_log", size_bytes=1, stated="{}")
        session.add(file)
        session.flush()
        for panel, wafer in zip(panels[:5], [0, 1, 0, 1, 0], strict=True):
            more = {"cells": b"\x01", "dies": b"", "n": 1, "evidence": file.id}
            session.add(Placement(e=by.e, run=run, panel=panel.id, wafer=wafers[wafer].id, role="red", **more))
        return file.id

    def tested(session: Session, by: By, of: list[int], better: int, into: int | None = None) -> int:
        """Off these panels and maybe into another lot; then a bin of so many, and one of the rest."""
        lot_of = new_loose_lot(session, by, product, None, _route(session, lot.id))
        session.add_all([Flow(e=by.e, child=lot_of.item, parent=panels[n].id, kind="cells", walked=True, run=None, units=100) for n in of])
        if into is not None:
            session.add(Flow(e=by.e, child=lot_of.item, parent=into, kind="merge", walked=True, run=None, units=100))
        for name, units in (("B1", better), ("B2", 100 - better)):
            part = part_of_lot(session, by, lot_of, bin=name, grade="prime")
            session.add(Flow(e=by.e, child=part.item, parent=lot_of.item, kind="bin", walked=True, run=None, units=units))
        session.flush()
        return lot_of.item

    factory.do("import_placements", placed)
    first = factory.do("singulate", lambda s, by: tested(s, by, [0], 50))
    factory.do("singulate", lambda s, by: tested(s, by, [1], 50))
    factory.do("singulate", lambda s, by: tested(s, by, [2], 95, into=first))
    factory.do("singulate", lambda s, by: tested(s, by, [4, 5], 95))
    with house.reading() as session:
        assert bin_evenness(session, product) == [Evenness("red", 2, 1.0)]


def _route(session: Session, lot: int) -> int:
    return session.scalars(select(LotRoute.route).where(LotRoute.lot == lot)).one()

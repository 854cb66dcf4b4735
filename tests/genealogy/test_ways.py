"""The ways of a trace: what went where, never wider than what was recorded or than what can be of the subject."""

from collections import Counter

import pytest
from small_factory import Factory

from app.db import House
from app.genealogy.trace import Trace, trace_back, trace_forward
from app.naming.resolve import Named, code_of
from tests.genealogy.made import Made, made


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load()


@pytest.fixture
def one(factory: Factory) -> Made:
    return made(factory)


def back(house: House, subject: Named) -> Trace:
    with house.walking() as session:
        return trace_back(session, subject, with_ways=True)


def forward(house: House, subject: Named) -> Trace:
    with house.walking() as session:
        return trace_forward(session, subject, with_ways=True)


def test_a_reel_s_ways_lead_from_its_panels_through_their_lot_to_it(house: House, one: Made) -> None:
    ways = {(way.source, way.target): way.greatest for way in back(house, one.reel).ways}
    assert ways[one.best.code, one.reel.code] == 30
    assert ways[one.loose.code, one.best.code] == 30, "80 units were tested and 76 went that way: 30 of the reel at most"
    assert ways[one.lot.code, one.loose.code] == 30
    assert all(ways[panel.code, one.lot.code] == 20 for panel in one.panels), "a panel has 20 units"
    assert all(ways[one.wire.code, panel.code] == 20 for panel in one.panels)
    assert all(ways[one.wafer.code, panel.code] == 20 for panel in one.panels), "it was mounted, and no log tells otherwise"


def test_a_panel_lot_has_its_panels_though_they_left_it(house: House, one: Made) -> None:
    ways = [way for way in back(house, one.lot).ways if way.target == one.lot.code]
    assert sorted(way.source for way in ways) == sorted(panel.code for panel in one.panels)


@pytest.mark.parametrize("kind", ["glue", "wafer", "lot", "loose"])
def test_forward_every_way_begins_at_the_subject_or_at_what_it_reached(house: House, one: Made, kind: str) -> None:
    subject: Named = getattr(one, kind)
    trace = forward(house, subject)
    reached = {subject.code} | {row.code for rows in (trace.panels, trace.lots, trace.samples, trace.packs) for row in rows}
    assert {way.source for way in trace.ways} <= reached
    assert {way.target for way in trace.ways} <= reached
    assert max(way.greatest for way in trace.ways if way.target == one.reel.code) == 30


def test_what_a_loose_lot_gave_away_before_is_still_a_way(factory: Factory, house: House, one: Made) -> None:
    """46 units are left in the bin lot; 30 went to the reel, and the way to the bin is as wide as all 76."""
    ways = {(way.source, way.target): way.greatest for way in forward(house, one.glue).ways}
    assert ways[one.loose.code, one.best.code] == 76
    assert ways[one.best.code, one.reel.code] == 30


def test_a_run_stands_apart_and_leads_to_what_it_worked_on(house: House, one: Made) -> None:
    with house.reading() as session:
        bond, test = Named("run", one.bond, code_of(session, "run", one.bond)), Named("run", one.test, code_of(session, "run", one.test))
    assert Counter(way.source for way in forward(house, bond).ways)[bond.code] == len(one.panels)
    assert [(way.target, way.greatest) for way in forward(house, test).ways if way.source == test.code] == [(one.loose.code, 80)]


def test_without_asking_there_are_none(house: House, one: Made) -> None:
    with house.walking() as session:
        assert trace_back(session, one.reel).ways == ()

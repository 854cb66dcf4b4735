"""What lists say after a move was corrected, a pack was cut, material was changed in mid-run, a run was voided; and of odd addresses."""

import json
from typing import Any

import pytest
from sqlalchemy import select

from app.db import House
from app.desk import entries
from app.desk.listing import Listing, asked_of, on_day, show
from app.desk.pages import LISTINGS
from app.errors import BadInput
from app.floor.change_overs import change_over
from app.floor.ends import Said
from app.floor.move_corrections import correct_move
from app.floor.voids import void_run
from app.journal.models import Entry
from app.ledger.places import Move
from app.ledger.runs import Run
from app.ledger.sets import panels_of_lot
from app.naming.resolve import code_of
from app.packing.rework import cut_pack
from app.packing.shipping import ship
from tests.board.line import binned, line, loose_lot, lot, reel, run
from tests.small_factory import Factory

BY_NAME = {one.name: one for one in LISTINGS}


@pytest.fixture
def factory(house: House) -> Factory:
    return line(house)


def rows(factory: Factory, name: str, **asked: str) -> list[dict[str, Any]]:
    listing = BY_NAME[name]
    with factory.house.reading() as session:
        found = show(session, listing, asked_of(listing, asked)).rows
    return [{column.name: cell for column, cell in zip(listing.columns, row, strict=True)} for row in found]


def code(factory: Factory, kind: str, thing: int) -> str:
    with factory.house.reading() as session:
        return code_of(session, kind, thing)


def test_a_pack_is_listed_where_it_is_and_a_shipment_with_what_went(factory: Factory) -> None:
    bin_lot = binned(factory, loose_lot(factory, 6), 120)
    stays, goes = (reel(factory, bin_lot, 30) for _ in range(2))
    factory.do("cut_pack", lambda s, by: cut_pack(s, by, goes, 10).item)
    shipment = factory.do("ship", lambda s, by: ship(s, by, [stays, goes], "Arden Lights").id)
    assert [row["units"] for row in rows(factory, "shipments")] == [50]
    with factory.house.reading() as session:
        (wrong,) = session.execute(select(Move.id).where(Move.item == stays.id)).one()
    factory.do("correct_move", lambda s, by: correct_move(s, by, s.get_one(Move, wrong), None, "it stayed here") is None)
    assert [str(row["pack"]) for row in rows(factory, "packs", where="shipped")] == [goes.code]
    assert [str(row["pack"]) for row in rows(factory, "packs", shipment=code(factory, "shipment", shipment))] == [goes.code]
    assert rows(factory, "shipments", q=stays.code) == []
    assert [(row["packs"], row["units"]) for row in rows(factory, "shipments", q=goes.code)] == [(1, 20)]


def test_panels_that_stayed_in_a_run_over_a_change_of_material_are_counted_once(factory: Factory) -> None:
    factory.mount("Bond 1", factory.batch("AU20"))
    one, other = lot(factory, 4), factory.batch("AU20")
    run(factory, "Plasma", one)
    number = factory.start("Bond 1", one)
    with factory.house.reading() as session:
        said = Said(done=panels_of_lot(session, one.id)[:1], in_work=[])
    factory.do("change_over", lambda s, by: len(change_over(s, by, factory.things["Bond 1"], other, None, said)))
    assert [row["panels"] for row in rows(factory, "runs", operation="wire bond")] == [4]
    factory.finish(number, pull=5.0)


def test_a_station_shows_every_run_that_is_open_there(factory: Factory) -> None:
    codes = [code(factory, "run", factory.start("Plasma", lot(factory, 1))) for _ in range(2)]
    (station,) = rows(factory, "stations", q="Plasma")
    assert [str(one) for one in station["run"]] == codes


def test_the_story_of_a_run_has_its_void_however_long_ago(factory: Factory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(entries, "_RECENT", 0)
    number = factory.run("Plasma", lot(factory, 1))
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, number), "wrong station"))
    assert "voided a run" in [row["what"] for row in rows(factory, "journal", q=code(factory, "run", number))]


@pytest.mark.parametrize("listing", LISTINGS, ids=lambda one: one.name)
def test_a_place_that_no_database_could_hold_is_refused(listing: Listing) -> None:
    for sort in (one for one in listing.sorts if one.by is not None and one.read is not str):
        for value in ("0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", 1 << 63, -(1 << 64)):
            with pytest.raises(BadInput):
                asked_of(listing, {"sort": sort.name, "after": json.dumps([0, value, 1])})


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31"])
def test_the_first_and_the_last_day_there_are_are_no_days_of_a_plant(day: str) -> None:
    with pytest.raises(BadInput):
        on_day(Entry.happened_at, day, "Europe/Vienna")

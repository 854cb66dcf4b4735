"""Taping and dry packing at a terminal: begun, filled from two lots, closed full or short with a reason, sealed; wrong lots are met at once."""

from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import select, text
from sqlalchemy.orm import Session

from app.catalogue.definitions import ReasonEntry
from app.db import House
from app.errors import Refused
from app.floor.loose import split_loose
from app.journal.act import SYSTEM, By
from app.ledger.items import DryPack, Pack
from app.ledger.runs import Run
from app.main import make_app
from app.naming.resolve import Named, code_of
from app.packing.contents import units_of
from app.packing.fill import Part, fill_more
from app.people.callers import Caller
from app.scan.sent import Sent
from app.scan.taping import confirm
from tests.browser.staging import Stage
from tests.genealogy.made import made
from tests.people.signing_in import person
from tests.races.test_races import at_once
from tests.scan.test_terminal_pages import Screen
from tests.small_factory import Factory, named_lot


@pytest.fixture
def stage(house: House) -> Stage:
    one = Stage(Factory(house).load(("reason", ReasonEntry(name="end of the order", of=("short pack",)))))
    return one


@pytest.fixture
def ola(stage: Stage, house: House) -> Iterator[Screen]:
    with TestClient(make_app(house.settings, house)) as client:
        screen = Screen(client.app, person(house, "Ola", "operate"))
        screen.get(f"/floor?station={stage.station('Taper')}")
        yield screen


def good_units(stage: Stage) -> Named:
    """A loose lot of bin B1 with 46 units; 30 of it are on a reel already."""
    return made(stage.factory).best


def part_of(stage: Stage, lot: Named, units: int) -> Named:
    return stage.factory.do("split_loose", lambda s, by: named_lot(s, split_loose(s, by, lot.id, units, "counter").item))


def newest_pack(session: Session) -> Pack:
    return session.scalars(select(Pack).order_by(Pack.item.desc()).limit(1)).one()


def begin(stage: Stage, ola: Screen, lot: Named) -> str:
    ola.scan(lot.code)
    assert ola.heading == f"Begin a reel from {lot.code}?" and "is clear of them" in ola.page
    ola.scan(stage.station("Taper"))
    assert ola.said.startswith("Begun: reel K")
    return ola.said.split()[2].rstrip(".")


def tape(ola: Screen, lot: Named, units: int) -> str:
    ola.scan(lot.code)
    ola.send("/floor/finish", **{"fill.units": str(units)})
    assert f"{units}" in ola.page
    ola.send("/floor/finish", confirmed="yes")
    return ola.said


def test_a_reel_is_filled_from_two_lots_and_closes_when_it_is_full(stage: Stage, ola: Screen) -> None:
    first = good_units(stage)
    second = part_of(stage, first, 20)
    reel = begin(stage, ola, first)
    assert tape(ola, first, 18) == f"{reel} holds 18 of 30. Scan the next lot, or {reel} to close it short."
    assert tape(ola, second, 12) == f"{reel} is full and closed: 12 units. Print its label.".replace("12", "30")
    with stage.factory.house.reading() as session:
        pack = newest_pack(session)
        run = session.scalars(select(Run).where(Run.operation == "tape").order_by(Run.id.desc()).limit(1)).one()
        assert (units_of(session, pack.item), pack.units, pack.short_reason) == (30, 30, None)
        assert run.ended_at and run.started_at < run.ended_at, "it was begun before it was filled"


def test_a_fill_that_mixes_lots_says_how_far_one_bad_origin_would_reach(stage: Stage, ola: Screen) -> None:
    """Of one panel lot: split in two, then on one reel again. 46 units for reels of 30, 12 of them come to 18 of the others."""
    first = good_units(stage)
    second = part_of(stage, first, 20)
    with stage.factory.house.owner_engine.begin() as connection:
        for lot, order in ((first, "4711"), (second, "4712")):
            connection.execute(text('update lot set "order" = :o where item = :i'), {"o": stage.factory.things[order], "i": lot.id})
    reel = begin(stage, ola, first)
    ola.scan(first.code)
    assert "This fill" not in ola.page, "one lot alone mixes with nothing"
    tape(ola, first, 18)
    ola.scan(second.code)
    # the reel and one of the second lot; its first 12 go into the reel, and the 8 that are left need one of their own
    said = "This fill: 2 → 2 packs for one bad wafer, 2 → 2 for one bad lot, 2 → 2 for one bad oven run."
    assert said in " ".join(ola.page.split())
    ola.send("/floor/finish", **{"fill.units": "12"})
    assert said in " ".join(ola.page.split()), "looked at once more before it is done"
    asked = {"lot": second.code}
    call = f"/api/v1/packs/{reel}/before_fill"
    row = ola.client.get(call, params=asked).json()["reach"][0]
    assert (row["kind"], row["before"], row["after"], row["customers_before"], row["customers_after"]) == ("wafer", 2, 2, 2, 2)
    row = ola.client.get(call, params=asked | {"units": 20}).json()["reach"][0]
    assert (row["after"], row["customers_after"]) == (1, 1), "nothing of the second lot is left for its own customer"
    assert ola.client.get(call, params={"lot": first.code}).json() == {"reach": []}
    assert "This fill: 2 → 2 packs for one bad wafer." in ola.get(f"/before-mixing?lot={second.code}&pack={reel}")
    ola.get("/do/act?call=/packs/{pack}/fill")
    ola.send("/do/act", pack=reel, parts=f"{second.code} 12")
    assert "This fill: 2 → 2 packs for one bad wafer." in ola.page and "Nothing is filled yet" in ola.page
    assert f'href="/before-mixing?lot={second.code}&amp;pack={reel}"' in ola.page
    ola.send("/do/act", pack=reel, parts=f"{second.code} 11")
    assert "Nothing is filled yet" in ola.page, "another number is told anew"
    ola.send("/do/act", pack=reel, parts=f"{second.code} 11")
    assert ola.heading.startswith("Done"), ola.page
    ola.get(f"/floor?station={stage.station('Taper')}")
    ola.scan(reel)
    ola.send("/floor/finish", reason="end of the order")
    refused = ola.client.get(call, params=asked)
    assert refused.status_code == 409 and "is closed" in refused.text


def test_more_than_fits_or_than_there_is_is_refused_and_nothing_goes_in(stage: Stage, ola: Screen) -> None:
    lot = good_units(stage)
    begin(stage, ola, lot)
    ola.scan(lot.code)
    ola.send("/floor/finish", **{"fill.units": "31"})
    ola.send("/floor/finish", confirmed="yes")
    assert "has no room" in ola.heading and "30 pockets are free; 31 units come" in ola.page
    ola.scan(lot.code)
    ola.send("/floor/finish", **{"fill.units": "2.5"})
    ola.send("/floor/finish", confirmed="yes")
    assert "not a number of units" in ola.page
    with stage.factory.house.reading() as session:
        assert units_of(session, newest_pack(session).item) == 0


def test_a_short_reel_is_closed_by_touching_why(stage: Stage, ola: Screen) -> None:
    lot = good_units(stage)
    reel = begin(stage, ola, lot)
    tape(ola, lot, 18)
    ola.scan(reel)
    assert ola.heading == f"Close {reel} short, with 18 of 30 units?"
    ola.scan(stage.station("Taper"))
    assert ola.heading == f"Close {reel} short, with 18 of 30 units?", "a scan does not say why"
    ola.send("/floor/finish", reason="end of the order")
    assert ola.said == f"{reel} is closed with 18 units. Print its label."
    with stage.factory.house.reading() as session:
        assert newest_pack(session).short_reason == "end of the order"


def test_what_may_not_be_packed_is_met_before_anything_is_asked(stage: Stage, ola: Screen) -> None:
    fresh = stage.factory.lot(stage.factory.panels(1))
    assert "Stop." in ola.scan(fresh.code)
    lot = good_units(stage)
    other = part_of(stage, lot, 20)
    begin(stage, ola, lot)
    with stage.factory.house.owner_engine.begin() as connection:
        connection.execute(text("update pack set bin = 'another' where closed_e is null"))
    ola.scan(other.code)
    assert "may not be packed" in ola.heading and "differ in bin" in ola.page


def test_a_closed_pack_goes_into_its_bag_and_again_as_a_new_one(stage: Stage, ola: Screen) -> None:
    lot = good_units(stage)
    reel = begin(stage, ola, lot)
    bagger = stage.station("Bagger")
    ola.get(f"/floor?station={bagger}")
    ola.scan(reel)
    assert "may not be dry packed" in ola.heading and "still being filled" in ola.page
    ola.get(f"/floor?station={stage.station('Taper')}")
    tape(ola, lot, 30)
    ola.get(f"/floor?station={bagger}")
    ola.scan(reel)
    assert ola.heading == f"Seal {reel} in its bag?"
    ola.scan(bagger)
    assert ola.said.startswith(f"{reel} is in its bag")
    ola.scan(reel)
    assert "as a new pack with a new label" in ola.page
    ola.scan(bagger)
    assert f"It was {reel}: print its new label." in ola.said
    with stage.factory.house.reading() as session:
        assert len(session.scalars(select(DryPack)).all()) == 2
        assert ola.said.startswith(code_of(session, "pack", newest_pack(session).item))


def test_a_full_reel_that_is_still_open_is_closed_whatever_comes_next(stage: Stage, ola: Screen) -> None:
    lot = good_units(stage)
    reel = begin(stage, ola, lot)

    def fill(session: Session, by: By) -> None:
        fill_more(session, by, newest_pack(session), [Part(lot, 30)])

    stage.factory.do("fill_pack", fill)
    ola.scan(lot.code)
    assert ola.heading == f"Close {reel} with 30 units?", "not how many go into the 0 pockets that are free"
    ola.scan(stage.station("Taper"))
    assert ola.said == f"{reel} is closed with 30 units. Print its label."
    ola.scan(lot.code)
    assert ola.heading == f"Begin a reel from {lot.code}?"


def test_an_answer_that_was_lost_comes_again_and_nothing_is_done_twice(stage: Stage, ola: Screen) -> None:
    lot = good_units(stage)
    begin(stage, ola, lot)
    ola.scan(lot.code)
    ola.send("/floor/finish", **{"fill.units": "10"})
    before: Any = ola.page
    ola.send("/floor/finish", confirmed="yes")
    said = ola.said
    ola.page = before
    ola.send("/floor/finish", confirmed="yes")
    assert ola.said == said and "holds 10 of 30" in said


def test_of_two_terminals_at_one_taper_one_begins_a_reel(stage: Stage, house: House) -> None:
    lot, taper = good_units(stage), stage.station("Taper")
    who = Caller(SYSTEM, None, may_state_facts=False, address="")
    forms = [Sent(asks="begin", asked=one.code, key=f"terminal {n}") for n, one in enumerate((lot, part_of(stage, lot, 10)))]
    answers = at_once(*(lambda form=form: confirm(house, who, taper, form) for form in forms))
    assert sorted(answer.split(":")[0] for answer in answers) == ["Begun", "changed"]


def test_a_pack_that_is_asked_about_in_two_tabs_is_sealed_once(stage: Stage, ola: Screen) -> None:
    lot = good_units(stage)
    reel = begin(stage, ola, lot)
    tape(ola, lot, 30)
    bagger = stage.station("Bagger")
    ola.get(f"/floor?station={bagger}")
    ola.scan(reel)
    other_tab = ola.page
    ola.scan(bagger)
    assert ola.said.startswith(f"{reel} is in its bag")
    ola.page = other_tab
    ola.send("/floor/start", key="of the other tab", confirmed="yes")
    assert f"{reel} was not sealed a second time." in ola.heading and "sealed since you were asked" in ola.page
    with stage.factory.house.reading() as session:
        assert len(session.scalars(select(DryPack)).all()) == 1


def test_of_two_who_seal_one_pack_at_the_same_moment_one_does(stage: Stage, ola: Screen, house: House) -> None:
    lot = good_units(stage)
    reel = begin(stage, ola, lot)
    tape(ola, lot, 30)
    who = Caller(SYSTEM, None, may_state_facts=False, address="")
    for asks, refused in (("seal", "changed"), ("seal again", "not_here")):
        forms = [Sent(asks=asks, asked=reel, key=f"{asks} in tab {n}") for n in range(2)]
        answers = at_once(*(lambda form=form: confirm(house, who, stage.station("Bagger"), form) for form in forms))
        assert refused in answers and sum(" is in its bag" in answer for answer in answers) == 1, answers
    with house.reading() as session:
        assert len(session.scalars(select(DryPack)).all()) == 2


@pytest.mark.parametrize("asks", ["begin", "fill", "close", "seal"])
def test_a_form_that_names_no_lot_or_pack_is_refused(stage: Stage, house: House, asks: str) -> None:
    """No page sends it; and a station's number may be that of another pack."""
    at = stage.station("Bagger" if asks == "seal" else "Taper")
    form = Sent(asks=asks, asked=at, numbers={"fill.units": "5"}, key=asks)
    with pytest.raises(Refused) as caught:
        confirm(house, Caller(SYSTEM, None, may_state_facts=False, address=""), at, form)
    assert caught.value.kind == "unknown_code" and at in str(caught.value)

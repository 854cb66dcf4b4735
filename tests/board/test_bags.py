"""Packs that wait for their bag stand on the board at the dry pack, with how long they wait and what is late; those in one do not."""

from datetime import datetime, timedelta

import pytest

from app.board import bags
from app.board.marks import LEAST_WAITS
from app.board.paces import paces
from app.board.remembered import Remembered
from app.board.whole import Board, board
from app.board.work import Row
from app.catalogue import queries as catalogue
from app.catalogue.definitions import Order, Route, Step, Window
from app.db import House
from app.floor.moves import move_item
from app.holds.place import place_hold
from app.naming.resolve import Named
from app.packing.dry import seal_pack
from app.packing.rework import cut_pack
from app.packing.shipping import ship
from tests.board.line import MORE, NOON, STEPS, binned, loose_lot, minutes, reel
from tests.board.test_board import statements
from tests.people.signing_in import call, client, person, sign_in, token
from tests.small_factory import Factory, named_pack

DRY = Step(key="dry", name="dry pack", operation="dry pack", standard_minutes=10, wait_limit_minutes=180)
ROUTE = Route(product="Q", revision="A", steps=(*STEPS, DRY), windows=(Window(from_step="tape", to_step="dry", max_minutes=240),))


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load(*(("route", ROUTE) if kind == "route" else (kind, body) for kind, body in MORE))


def best(factory: Factory, hours: float = 9) -> Named:
    begin = NOON - timedelta(hours=hours)
    return binned(factory, loose_lot(factory, 4, begin), 80, begin + minutes(100))


def seal(factory: Factory, pack: Named, at: datetime | None = None, *, again: bool = False) -> None:
    verb = lambda s, by: seal_pack(s, by, factory.things["Bagger"], pack, again=again).pack.item  # noqa: E731
    factory.do("seal_pack", verb, happened_at=at or NOON - minutes(30))


def seen(factory: Factory, memory: Remembered | None = None) -> Board:
    with factory.house.reading() as session:
        return board(session, memory or Remembered(), NOON)


def at_the_bag(factory: Factory) -> Row | None:
    return next((one for one in seen(factory).rows if one.key == "dry"), None)


def waiting(factory: Factory) -> list[tuple[str, int, str]]:
    found = at_the_bag(factory)
    return [(lot.code, lot.units, lot.where) for lot in found.lots] if found else []


def test_a_closed_pack_waits_until_it_is_in_its_bag(factory: Factory) -> None:
    lot = best(factory)
    old, new = reel(factory, lot, 30, NOON - timedelta(hours=5)), reel(factory, lot, 20, NOON - timedelta(hours=1))
    found = at_the_bag(factory)
    assert found and (found.counts["waiting"], found.units, found.longest) == (2, 50, timedelta(hours=5))
    assert [(one.code, one.marks[0].reason) for one in found.stuck] == [(old.code, "waits 5 h 00 min; its limit: 3 h 00 min")]
    assert [(one.lot, one.left) for one in seen(factory).windows] == [(old.code, timedelta(hours=-1)), (new.code, timedelta(hours=3))]
    assert seen(factory).lots == 1, "packs are no lots"
    seal(factory, new)
    assert waiting(factory) == [(old.code, 30, "waits 5 h 00 min")]


def test_a_pack_without_a_limit_is_stuck_beyond_what_others_waited_and_late_by_its_order(house: House) -> None:
    """As a lot is, by the same two rules: one lay for months, and nothing said so."""
    due = Order(number="5002", customer="Arden Lights", product="Q", units=4000, due=(NOON - timedelta(days=3)).date())
    route = ROUTE.model_copy(update={"steps": (*STEPS, DRY.model_copy(update={"wait_limit_minutes": None})), "windows": ()})
    factory = Factory(house).load(*((kind, route if kind == "route" else body) for kind, body in MORE), ("order", due))
    begin = NOON - timedelta(days=9)
    own, lot = (binned(factory, loose_lot(factory, 4, begin, order), 80, begin + minutes(100)) for order in ("5002", "5001"))
    old, new = reel(factory, own, 30, NOON - timedelta(days=5)), reel(factory, lot, 20, NOON - minutes(20))
    bagged: list[Named] = []

    def see() -> list[tuple[str, list[tuple[str, str]]]]:
        found = at_the_bag(factory)
        assert found is not None
        return [(one.code, [(mark.kind, mark.reason) for mark in one.marks]) for one in found.lots]

    late, yesterday = ("late", "was due 2026-03-01, 10 min of standard work left"), NOON - timedelta(days=1)
    for n in range(LEAST_WAITS):
        assert n % 5 or see() == [(old.code, [late]), (new.code, [])], "fewer waits say nothing"
        bagged.append(reel(factory, lot, 2, yesterday - minutes(90)))
        seal(factory, bagged[-1], yesterday)
    seal(factory, bagged[0], yesterday + minutes(10), again=True)
    assert see() == [(old.code, [late, ("stuck", "waits 5 d 0 h; 95 % of the waits there in 30 days: 1 h 30 min")]), (new.code, [])]
    with factory.house.reading() as session:
        waits = paces(session, NOON).waits_at(catalogue.named(session, "product", "Q").id, "dry")
    assert waits == (90.0,) * LEAST_WAITS, "what was sealed again was made to be sealed"


def test_of_an_opened_bag_what_left_it_and_what_stayed_wait_since_then(factory: Factory) -> None:
    pack = reel(factory, best(factory, 4), 30, NOON - timedelta(hours=2))
    seal(factory, pack)
    part = factory.do("cut_pack", lambda s, by: named_pack(s, cut_pack(s, by, pack, 10).item), happened_at=NOON - minutes(10))
    assert waiting(factory) == [(pack.code, 20, "waits 10 min"), (part.code, 10, "waits 10 min")]
    assert seen(factory).windows == (), "its floor life is no window of the route"


def test_where_it_is_and_what_stops_it_are_told_and_what_was_shipped_waits_no_more(factory: Factory) -> None:
    lot = best(factory)
    held, stored, gone = (reel(factory, lot, 10, NOON - timedelta(hours=hours)) for hours in (4, 3, 2))
    hold = factory.do("place_hold", lambda s, by: place_hold(s, by, held, "bent").id, happened_at=NOON - timedelta(hours=1))
    factory.do("move_item", lambda s, by: str(move_item(s, by, stored.id, "stock", "shelf 4")))
    factory.do("ship", lambda s, by: ship(s, by, [gone], "Arden Lights").id, fact=True)
    row = at_the_bag(factory)
    assert row and (row.counts["held"], row.counts["waiting"]) == (1, 1)
    assert hold and [(one.code, one.state) for one in row.lots] == [(held.code, "held"), (stored.code, "waiting")]
    assert row.lots[1].where == "in stock: shelf 4"
    assert seen(factory).today.held == 0, "it is taped already"


def test_the_newest_are_looked_at_in_as_many_statements_for_more(factory: Factory, monkeypatch: pytest.MonkeyPatch) -> None:
    lot, memory = best(factory), Remembered()

    def look() -> None:
        seen(factory, memory)

    packs = [reel(factory, lot, 5, NOON - timedelta(hours=5))]
    look()
    few = statements(factory.house, look)
    packs += [reel(factory, lot, 5, NOON - timedelta(hours=4)) for _ in range(6)]
    assert statements(factory.house, look) == few
    monkeypatch.setattr(bags, "NEWEST", 2)
    assert [code for code, *_ in waiting(factory)] == [pack.code for pack in packs[-2:]]


def test_page_list_and_call_tell_of_it_and_lead_to_it(house: House, factory: Factory) -> None:
    pack = reel(factory, best(factory), 30, NOON - timedelta(hours=5))
    with client(house) as browser:
        sign_in(browser, person(house, "Lea", "lead"))
        assert "the newest 1,000 that were closed" in browser.get("/board").text
        page = browser.get("/board/lots?step=dry").text
        assert f'href="/things/{pack.code}"' in page and "<h1>Packs at dry pack</h1>" in page
        assert pack.code in browser.get(f"/things/{pack.code}", follow_redirects=True).text
        rows = call(browser, token(house, "operate"), "GET", "/board").json()["rows"]
        assert [lot["lot"] for row in rows if row["step"] == "dry" for lot in row["lots"]] == [pack.code]

"""A pack's page: pockets by loose lot, what it came from, where it is; and a loose lot's traveller."""

import html

from people.signing_in import client, person, sign_in
from sqlalchemy import select

from app import clock
from app.db import House
from app.floor.ends import abort_run
from app.floor.move_corrections import To, correct_move
from app.floor.moves import move_item
from app.genealogy.kin import kin_of
from app.genealogy.pack_page import pack_shown
from app.genealogy.traveller import travellers
from app.holds.place import place_hold
from app.ledger.items import Lot
from app.ledger.places import Move
from app.ledger.runs import Run
from app.packing.rework import cut_pack
from tests.board.line import line
from tests.packing.test_interrupted_taping import begun
from tests.races.test_races import packed
from tests.small_factory import Factory, named_pack


def test_a_pack_tells_its_pockets_its_kin_and_its_holds(house: House) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    pack, lot = packed(factory)
    piece = factory.do("cut_pack", lambda s, by: named_pack(s, cut_pack(s, by, pack, 10).item))
    hold = factory.do("place_hold", lambda s, by: place_hold(s, by, lot, "a doubt").id)
    with house.reading() as session:
        one, cut = pack_shown(session, pack), pack_shown(session, piece)
    assert [(fill.first, fill.last, fill.lot) for fill in one.fills] == [(1, 20, lot.code)]
    assert [(fill.first, fill.last, fill.units) for fill in cut.fills] == [(1, 10, 10)]
    assert [(kin.how, kin.code, kin.amount) for kin in one.kin.came_from] == [("filled from", lot.code, "30 units")]
    assert [(kin.how, kin.code, kin.amount) for kin in one.kin.went_into] == [("packed anew as", piece.code, "10 units")]
    assert [held.reason for held in (*one.holds, *cut.holds)] == ["a doubt", "a doubt"]
    assert hold


def test_a_pack_whose_taping_was_aborted_is_not_said_to_be_filled(house: House) -> None:
    factory = line(house)
    _, pack, run = begun(factory, 12)
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "operate"))
        assert "still being filled" in browser.get(f"/packs/{pack.code}").text
        factory.do("abort_run", lambda s, by: len(abort_run(s, by, s.get_one(Run, run))))
        page = browser.get(f"/packs/{pack.code}").text
        assert "still being filled" not in page and "its run has ended" in page
        form = html.unescape(page.split("its run has ended")[1].split('href="')[1].split('"')[0])
        assert f'value="{pack.code}"' in browser.get(form).text


def test_a_pack_is_where_its_corrected_moves_say(house: House) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    pack, _ = packed(factory)
    for place in ("shelf 1", "shelf 2"):
        factory.do("move_item", lambda s, by, place=place: move_item(s, by, pack.id, "stock", place).name)
    with house.reading() as session:
        first, second = session.scalars(select(Move.id).where(Move.item == pack.id).order_by(Move.id))
    factory.do("correct_move", lambda s, by: correct_move(s, by, s.get_one(Move, first), To("stock", "shelf 3"), "misread") and 0)
    with house.reading() as session:
        assert [move.where for move in pack_shown(session, pack).moves] == ["stock: shelf 3", "stock: shelf 2"]
    factory.do("correct_move", lambda s, by: correct_move(s, by, s.get_one(Move, second), None, "another's") and 0)
    with house.reading() as session:
        assert [move.where for move in pack_shown(session, pack).moves] == ["stock: shelf 3"]


def test_a_loose_lot_tells_its_own_steps_and_leaves_those_on_panels_to_their_lots(house: House) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    pack, lot = packed(factory)
    with house.reading() as session:
        one = travellers(session, [session.get_one(Lot, lot.id)], clock.now())[0]
        went = kin_of(session, lot.id, panel_lot=False).went_into
    assert one.before == 6, "attach to singulation"
    assert [step.name for step in one.steps[one.before :]] == ["test", "tape", "dry pack"]
    assert one.steps[6].doings
    assert [kin.code for kin in went] == [pack.code]

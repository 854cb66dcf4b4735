"""Dies of a pack: table, list and picture say the same of what can be inside and what must, and no more than the bounds of the wafers."""


from app.db import House
from app.genealogy.dies_inside import CAN, MUST, dies_inside, inside_picture, wafers_inside
from app.genealogy.origins import origins
from app.naming.resolve import code_of, resolve
from tests.genealogy.made import client_of
from tests.oracle.histories import random_history
from tests.oracle.player import Profile
from tests.replay.driver import Replay
from tests.small_factory import Factory


def test_dies_that_can_and_must_be_inside_agree_with_the_bounds_of_their_wafers(house: House) -> None:
    """On random histories: the picture, the list and the table say the same, and never less than the wafer's own bounds."""
    replay = Replay(house, random_history(6, Profile(off_tape="first", lots=2, panels=3))).run()
    seen = pictures = 0
    client, asked = client_of(Factory(house)), 0
    with house.reading() as session:
        packs = [replay.named(symbol) for symbol in replay.ids if symbol.startswith("pack:")]
        for pack in packs:
            units, wafers = wafers_inside(session, pack)
            listed = list(dies_inside(session, pack))
            for one in wafers:
                mine = [die for die in listed if die.wafer == one.wafer]
                assert (len(mine), sum(die.must for die in mine)) == (one.can, one.must)
                assert one.must <= one.least <= one.greatest <= units, "a die that must be inside is a unit that must"
                seen += one.can
                if one.can and not asked:  # a call costs more than all the rest
                    told = client.get(f"/api/v1/packs/{code_of(session, 'pack', pack.id)}/dies", params={"wafer": one.wafer}).json()
                    assert told["units"] == units and len(told["wafers"]) == len(wafers)
                    assert [(die["x"], die["y"], die["panel"], die["must"]) for die in told["dies"]] == [
                        (die.x, die.y, die.panel, die.must) for die in mine
                    ]
                    asked += 1
                if one.has_map and one.is_logged:
                    keys = inside_picture(session, pack, resolve(session, one.wafer)).keys
                    drawn = int((keys == CAN).sum()), int((keys == MUST).sum())
                    assert drawn == (len({(die.x, die.y) for die in mine if not die.must}), len({(die.x, die.y) for die in mine if die.must}))
                    pictures += 1
            assert {row.wafer for row in wafers} >= {die.wafer for die in listed}
            assert units == origins(session, [pack.id]).units
    assert seen and pictures and asked

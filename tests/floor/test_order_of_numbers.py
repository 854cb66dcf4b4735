"""The order of entry is the order of writes, also where one act waited for another's lock."""

from threading import Event, Thread

from sqlalchemy.orm import Session

from app.db import House
from app.floor.balance import balance
from app.floor.lot_families import part_of_lot
from app.floor.marking import mark_cells
from app.journal.act import By, lock
from app.ledger.items import Item, Lot
from tests.floor import acting
from tests.floor.acting import do, make_factory, make_lot, make_panels, read


def test_an_act_that_waited_for_a_mark_comes_after_it(house: House) -> None:
    make_factory(house)
    panels = make_panels(house, 1)
    lot = make_lot(house, panels)
    begun, marked = Event(), Event()

    def late(session: Session, by: By) -> None:
        begun.set()
        assert house.kind == "sqlite" or marked.wait(30)  # SQLite lets in no other act meanwhile
        lock(session, Item, panels)
        loose = part_of_lot(session, by, session.get_one(Lot, lot), form="loose")
        acting._pour_cells(session, by, loose.item, panels)

    waiting = Thread(target=lambda: do(house, late, "singulate"))
    waiting.start()
    assert begun.wait(30)
    do(house, lambda s, by: mark_cells(s, by, panels[0], [(1, 1)], "scratched"), "mark_cells", fact=True)  # on SQLite the units are loose by then
    marked.set()
    waiting.join()
    assert read(house, lambda s: balance(s, lot)).closes

"""What was counted at a run stands on the page of the lot that it is of, and of a panel with the panel's code."""

from datetime import UTC, datetime

from app.db import House
from app.genealogy.traveller import travellers
from app.genealogy.unclosed_counts import differences
from app.ledger.items import Lot
from app.naming.resolve import resolve
from tests.machines.plant import plant
from tests.machines.test_calls import SLICED


def told(house: House, lot: str) -> list[tuple[str, int]]:
    with house.reading() as session:
        (shown,) = travellers(session, [session.get_one(Lot, resolve(session, lot).id)], datetime.now(UTC))
        return [(count.what, count.units) for step in shown.steps for doing in step.doings for count in doing.counts]


def test_a_count_is_told_of_the_lot_that_was_counted_alone(house: House) -> None:
    with plant(house) as do:
        do.mount("Attach", do.batch("GLUE"))
        do.mount("Attach", do.wafer("A-1"))
        one, other = (do.lot(do.panels(2)) for _ in range(2))
        run = do.run("Attach", one, other)
        panel = do.get(f"/lots/{one}")["panels"][0]
        do.post("/counts", thing=one, units=40, method="hand", run=run)
        do.post("/counts", thing=panel, units=19, method="hand", run=run)
        assert told(house, one) == [("counted", 40), (f"{panel} counted", 19)]
        assert told(house, other) == []


def test_units_that_a_panel_and_its_lot_lack_are_missed_once_at_the_station_that_counted_both(house: House) -> None:
    with plant(house) as do:
        do.mount("Attach", do.batch("GLUE"))
        do.mount("Attach", do.wafer("A-1"))
        one, other = (do.lot(do.panels(2)) for _ in range(2))
        for lot in (one, other):
            run, panel = do.run("Attach", lot), do.get(f"/lots/{lot}")["panels"][0]
            do.post("/counts", thing=panel, units=18, method="hand", run=run)
            if lot == one:
                do.post("/counts", thing=lot, units=37, method="hand", run=run)
        with house.reading() as session:
            (found,) = differences(session).values()
    assert [units for _, units, _ in found] == [-3, -2], "of the other the panel alone was counted"


def test_what_the_saw_s_loose_lot_was_counted_as_is_told_of_the_lot_that_was_sawn(house: House) -> None:
    with plant(house, *SLICED) as do:
        lot = do.lot(do.panels(2), product="P9")
        run = do.start("Tolland Slicing", lot)
        loose = do.post(f"/runs/{run}/singulate")["lot"]
        do.post("/counts", thing=loose, units=40, method="counter", run=run)
        assert told(house, lot) == [("counted", 40)]

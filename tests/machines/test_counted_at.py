"""A count says at which run it was made, and answers what that run's step asks for where its method is the one asked."""

from sqlalchemy import select

from app.db import House
from app.genealogy.missing_evidence import missing_of
from app.ledger.counts import CountEntry
from app.ledger.runs import Line
from tests.browser.shift import MORE
from tests.machines.plant import Plant, plant
from tests.machines.test_calls import SLICED


def missed(house: House) -> list[str]:
    with house.reading() as session:
        return [row.words for row in missing_of(session, session.scalars(select(Line.id))) if row.kind == "count"]


def looked_at(do: Plant) -> tuple[str, str]:
    """A lot whose step asked for a count by hand, and that step's run; finished by a machine, which counts nothing."""
    do.mount("Attach", do.batch("GLUE"))
    do.mount("Attach", do.wafer("A-1"))
    do.mount("Bond 1", do.batch("AU20"))
    lot = do.lot(do.panels(2), product="P2")
    do.run("Attach", lot)
    do.run("Plasma", lot)
    do.run("Bond 1", lot, pull=5.0, shear=20.0)
    return lot, do.run("Scope", lot)


def test_a_count_answers_its_step_by_the_method_that_the_step_asks_for(house: House) -> None:
    with plant(house, *MORE) as do:
        lot, run = looked_at(do)
        assert missed(house) == ["its step asks for a count by hand, and there is none"]
        do.post("/counts", thing=lot, units=40, method="hand")
        assert len(missed(house)) == 1, "nobody said at which run"
        do.post("/counts", thing=lot, units=40, method="counter", run=run)
        assert missed(house) == ["its step asks for a count by hand, and there is one by counter alone"]
        do.post("/counts", thing=lot, units=40, method="hand", run=run)
        assert missed(house) == []


def test_a_count_is_of_a_run_that_had_the_thing_or_made_it(house: House) -> None:
    with plant(house, *MORE) as do:
        _, run = looked_at(do)
        other = do.lot(do.panels(1))
        refused = do.post("/counts", 409, thing=other, units=20, run=run)
        assert (refused["kind"], f"Run {run} had no units of it." in str(refused)) == ("not_here", True)
        third = do.lot(do.panels(1))
        do.run("Attach", third)
        loads = do.post("/counts", 404, thing=third, units=20, run="R26-009999-X")
        assert loads["kind"] == "unknown_code"


def test_a_panel_is_counted_at_its_run_and_answers_for_itself_alone(house: House) -> None:
    with plant(house, *MORE) as do:
        lot, run = looked_at(do)
        panel = do.get(f"/lots/{lot}")["panels"][0]
        do.post("/counts", thing=panel, units=20, method="hand", run=run)
        assert missed(house) == ["its step asks for a count by hand, and there is none"], "the other panel was not counted"
    with house.reading() as session:
        assert session.scalars(select(CountEntry.run).where(CountEntry.kind == "counted")).one() is not None


def test_the_saw_s_count_is_of_the_loose_lot_that_it_made(house: House) -> None:
    with plant(house, *SLICED) as do:
        run = do.start("Tolland Slicing", do.lot(do.panels(2), product="P9"))
        loose = do.post(f"/runs/{run}/singulate")["lot"]
        do.post("/counts", thing=loose, units=40, method="counter", run=run)
    with house.reading() as session:
        assert session.scalars(select(CountEntry.run).where(CountEntry.kind == "counted")).one() is not None

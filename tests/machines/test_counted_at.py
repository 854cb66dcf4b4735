"""A count says at which run it was made, and answers what that run's step asks for where its method is the one asked."""

from sqlalchemy import select

from app.catalogue.definitions import Route, Step
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


def bonded(do: Plant, n: int = 1) -> list[str]:
    """Lots that come to a step which asks for a count by hand."""
    do.mount("Attach", do.batch("GLUE"))
    do.mount("Attach", do.wafer("A-1"))
    do.mount("Bond 1", do.batch("AU20"))
    lots = [do.lot(do.panels(2), product="P2") for _ in range(n)]
    for lot in lots:
        do.run("Attach", lot)
        do.run("Plasma", lot)
        do.run("Bond 1", lot, pull=5.0, shear=20.0)
    return lots


def looked_at(do: Plant) -> tuple[str, str]:
    """Such a lot, and that step's run, which was told of afterwards, without the count."""
    (lot,) = bonded(do)
    run = do.start("Scope", lot)
    do.post(f"/runs/{run}/finish", fact=True)
    return lot, run


def test_a_step_that_asks_for_a_count_does_not_end_without_it(house: House) -> None:
    """As at the terminal: a machine that told of none let its step end, and the count was missing."""
    with plant(house, *MORE) as do:
        lots = bonded(do, 2)
        run = do.start("Scope", lots[0])
        for counted in (None, {"units": 40, "method": "counter"}):
            (reason,) = do.post(f"/runs/{run}/finish", 422, counted=counted)["reasons"]
            assert (reason["where"], reason["why"]) == ("counted", "Its step asks for a count by hand.")
        do.post(f"/runs/{run}/finish", counted={"units": 39, "method": "hand"})
        with house.reading() as session:
            (entry,) = session.scalars(select(CountEntry).where(CountEntry.kind == "counted"))
            assert (entry.units, entry.book, entry.within, entry.run is not None) == (39, 40, False, True)
        run = do.start("Scope", lots[1])
        do.post("/counts", thing=lots[1], units=40, method="hand", run=run)
        do.post(f"/runs/{run}/finish")
        assert missed(house) == []


def test_a_saw_whose_loose_units_are_to_be_weighed_ends_with_their_count(house: House) -> None:
    weighed = Step(key="out", name="slicing", operation="outside work", barrier=True, count="weight")
    route = ("route", Route(product="P9", revision="1", steps=(weighed,)))
    with plant(house, *(route if kind == "route" else (kind, body) for kind, body in SLICED)) as do:
        run = do.start("Tolland Slicing", do.lot(do.panels(2), product="P9"))
        assert do.post(f"/runs/{run}/singulate", 422)["reasons"][0]["where"] == "counted"
        assert do.post(f"/runs/{run}/singulate", counted={"units": 41, "method": "weight", "u": 1.0})["difference"] == 1
        assert missed(house) == []


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

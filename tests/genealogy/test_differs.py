"""Side by side: what two reels share is what both traces name, what one has is what only its trace names."""

import csv
import io

import pytest

from app.db import House
from app.errors import Refused
from app.floor.attendance import attend, hand_over
from app.floor.ends import finish_run
from app.genealogy.differs import differs
from app.genealogy.trace import trace_back
from app.ledger.runs import Run
from app.naming.resolve import Named, code_of
from app.packing.fill import Part, fill_pack
from app.people.people import add_person
from tests.genealogy.made import Made, client_of, made
from tests.small_factory import Factory, named_pack


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load()


def second_reel(factory: Factory, one: Made) -> Named:
    """Of the same loose lot, taped in a run of its own."""
    taper, parts = factory.things["Taper"], [Part(one.best, 30)]
    return factory.do("fill_pack", lambda s, by: named_pack(s, fill_pack(s, by, taper, parts, line_clear=True).item))


def test_two_reels_of_a_lot_share_all_but_their_taping(house: House, factory: Factory) -> None:
    one = made(factory)
    other = second_reel(factory, one)
    with house.reading() as session:
        found = differs(session, [one.reel, other])
        taped = {run.run for reel in (one.reel, other) for run in trace_back(session, reel).runs if run.operation == "tape"}
    assert {(row.kind, row.code) for row in found.factors if not row.is_shared} == {("run", code) for code in taped}
    assert len(taped) == 2
    shared = {(row.kind, row.code) for row in found.factors if row.is_shared}
    assert {("wafer", one.wafer.code), ("batch", one.glue.code), ("batch", one.wire.code), ("lot", one.lot.code)} <= shared
    assert ("station", "tape at Taper") in {(row.kind, row.words) for row in found.factors if row.is_shared}, "at the same station all the same"


def test_a_panel_that_went_through_one_run_more_differs_by_it(house: House, factory: Factory) -> None:
    panels = factory.panels(2)
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    lots = [factory.lot([panel]) for panel in panels]
    run = factory.run("Attach", lots[0])
    with house.reading() as session:
        found = differs(session, lots)
    only = [row for row in found.factors if not row.is_shared]
    assert {row.kind for row in only} == {"wafer", "batch", "run", "station"}
    assert all(row.shares[1] is None and row.in_how_many == 1 for row in only)
    assert run and [row.kind for row in found.factors if row.is_shared] == ["batch"], "the lead frames"


def test_whoever_began_ended_or_was_given_a_run_worked_on_it(house: House, factory: Factory) -> None:
    names = ("Ann", "Bo", "Cy", "Ann")
    ann, bo, cy, ann_too = (factory.do("add_person", lambda s, by, name=name: add_person(s, by, name, ["operate"]).id) for name in names)
    bond, lots = factory.things["Attach"], [factory.lot(factory.panels(1)) for _ in range(2)]
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    factory.do("attend_station", lambda s, by: attend(s, by, ann, bond))
    run = factory.start("Attach", lots[0], person=ann)
    factory.do("hand_over", lambda s, by: hand_over(s, by, ann, bo))
    factory.do("finish_run", lambda s, by: len(finish_run(s, by, s.get_one(Run, run), person=cy)))
    other = factory.start("Attach", lots[1], person=ann_too)
    factory.do("finish_run", lambda s, by: len(finish_run(s, by, s.get_one(Run, other), person=ann_too)))
    with house.reading() as session:
        found = differs(session, lots)
        badges = [code_of(session, "person", one) for one in (ann, ann_too)]
    people = {row.words: [share is not None for share in row.shares] for row in found.factors if row.kind == "person"}
    assert people == {
        f"Ann ({badges[0]}) at die attach": [True, False], f"Ann ({badges[1]}) at die attach": [False, True], "Bo at die attach": [True, False],
        "Cy at die attach": [True, False],
    }, "Bo attends the station still when the second run begins, but was not given it meanwhile"  # fmt: skip


def test_one_thing_is_not_compared(house: House, factory: Factory) -> None:
    one = made(factory)
    with house.reading() as session, pytest.raises(Refused, match="2 to 12"):
        differs(session, [one.reel, one.reel])


def test_page_file_and_call_say_the_same(house: House, factory: Factory) -> None:
    one = made(factory)
    other = second_reel(factory, one)
    client = client_of(factory)
    asked = [("code", one.reel.code), ("code", other.code)]
    told = client.get("/api/v1/differs", params=asked).json()
    rows = list(csv.DictReader(io.StringIO(client.get("/differs/csv", params=asked).text)))
    assert [(row["kind"], row["code"], row["shared"] == "yes") for row in rows] == [
        (row["kind"], row["code"], row["shared"]) for row in told["factors"]
    ]
    page = client.get("/differs", params=asked).text
    assert all(f">{row['code']}<" in page for row in told["factors"] if row["code"])
    assert "Only some have it: 2" in page
    assert "Only some have it: 2" in client.get("/differs", params=[*asked, ("shared", "false")]).text
    assert client.get("/differs").status_code == 200
    assert client.get("/api/v1/differs", params=[("code", one.reel.code)]).status_code == 422

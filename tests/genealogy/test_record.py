"""The record of a pack or lot: one answer with everything, and what is missing said."""

import hashlib
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from app import clock
from app.db import House
from app.genealogy.record import Record, record_of
from app.genealogy.trace import trace_back
from app.holds.place import place_hold
from app.holds.release import release_hold
from app.ledger.runs import Run
from app.ledger.stops import Hold
from app.ledger.walk import last_held
from app.machines.record_bodies import RecordOut
from app.naming.resolve import Named, code_of
from app.ovens.judging import import_logger_file, read_logger_file
from app.ovens.logger_table import Stated
from app.packing.rework import re_reel, take_off_tape
from tests.conftest import FreshHouse
from tests.genealogy.made import Made, client_of, made
from tests.genealogy.test_trace_page import statements
from tests.small_factory import Factory, named_pack


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load()


def record(factory: Factory, named: Named) -> Record:
    with factory.house.walking() as session:
        return record_of(session, factory.house, named, clock.now(), "UTC")


def run_code(factory: Factory, run: int) -> str:
    with factory.house.reading() as session:
        return code_of(session, "run", run)


def logged(factory: Factory, one: Made) -> bytes:
    """The oven's logger tells of the cure after all: from an hour before it began to its end, at the set point."""
    with factory.house.reading() as session:
        oven = factory.things["Oven"]
        run = session.query(Run).filter(Run.station == oven).one()
        begins, ends = run.started_at.timestamp() - 3600, (run.ended_at or run.started_at).timestamp()
    rows = ["time,T1 (C)"] + [f"{clock_text(begins + 60 * n)},170.0" for n in range(int((ends - begins) // 60) + 1)]
    data = ("\n".join(rows) + "\n").encode()
    stated = Stated()
    kept, trace = read_logger_file(factory.house, "oven.csv", data, stated)
    factory.do("import_logger_file", lambda s, by: len(import_logger_file(s, by, oven, kept, trace, stated).judged))
    return data


def clock_text(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).isoformat()


def test_of_a_reel_that_was_emptied_in_two_goes_the_last_is_what_it_held_last(factory: Factory) -> None:
    one = made(factory)
    for units in (10, 20):
        factory.do("take_off_tape", lambda s, by, units=units: take_off_tape(s, by, one.reel, 1, units).item)
    with factory.house.reading() as session:
        assert sum(each.pocket_to - each.pocket_from + 1 for each in last_held(session, [one.reel.id])) == 20


def test_an_emptied_reels_record_tells_of_what_it_held_last_and_where_it_went(factory: Factory) -> None:
    """Whoever has its old label in hand still gets the whole record in one scan and one link."""
    one = made(factory)
    before = record(factory, one.reel)
    new = factory.do("re_reel", lambda s, by: named_pack(s, re_reel(s, by, one.reel).item))
    after = record(factory, one.reel)
    assert (before.is_emptied, after.is_emptied, after.pack and after.pack.units, after.subject.units) == (False, True, 0, 30)
    for name in ("wafers", "batches", "panels", "lots"):
        assert getattr(after.trace, name) == getattr(before.trace, name) != (), name
    assert [row.doing.line for row in after.lines] == [row.doing.line for row in before.lines]
    assert [kin.code for kin in after.pack.kin.went_into] == [new.code] if after.pack else False
    with client_of(factory) as client:
        page = client.get(f"/record/{one.reel.code}").text
        assert "<b>red attach</b>" in page, "a step has the name that people know"
        assert "Nothing is in it now" in page and new.code in page
        assert re.search(rf'class="printed running">Record of reel {one.reel.code}, as it stood on ', page), "stands on every sheet"
        assert client.get(f"/api/v1/record/{one.reel.code}").json()["is_emptied"]
    with factory.house.walking() as session:
        assert trace_back(session, one.reel).subject.units == 0, "a trace is of what is in it now"


def test_a_reels_record_has_everything_on_the_way_to_it(factory: Factory) -> None:
    one = made(factory)
    found = record(factory, one.reel)
    with factory.house.walking() as session:
        trace = trace_back(session, one.reel)
    assert found.pack is not None and found.pack.units == 30
    for name in ("wafers", "batches", "panels", "lots", "samples", "packs"):
        assert getattr(found.trace, name) == getattr(trace, name), name
    lines = [(line.line, line.extent, line.least, line.greatest) for run in trace.runs for line in run.lines]
    assert sorted((row.doing.line, row.extent, row.least, row.greatest) for row in found.lines) == sorted(lines)
    assert [row.doing.started_at for row in found.lines] == sorted(row.doing.started_at for row in found.lines)
    bond = next(row.doing for row in found.lines if row.doing.run == run_code(factory, one.bond))
    assert [(read.name, read.value, read.within) for read in bond.readings] == [("pull", "5 gf", True)]
    assert [used.code for used in bond.materials] == [one.wire.code]
    assert bond.extent == "all 4 panels"
    assert [(row.lot, row.units_in, row.units_out, row.left) for row in found.books if row.lot == one.best.code] == [(one.best.code, 76, 30, 46)]
    assert (found.panels.panels, found.panels.cells, found.panels.units) == (4, 80, 80)
    assert [{row.name: row.units for row in test.shown.bins if row.units} for test in found.results] == [{"B1": 76, "R": 4}]
    assert [row.doing.judged and row.doing.judged.decided and row.doing.judged.decided.words for row in found.decided] == ["concession: no logger"]


def test_what_is_missing_is_listed_and_gone_when_it_comes(factory: Factory) -> None:
    one = made(factory)
    before = {(row.kind, row.about) for row in record(factory, one.reel).missing}
    cure = next(row.doing.run for row in record(factory, one.reel).lines if row.doing.operation == "cure")
    assert ("logger file", cure) in before
    assert ("die map", one.wafer.code) in before
    assert [cured.trace.trace for cured in record(factory, one.reel).cures] == [None]
    data = logged(factory, one)
    after = record(factory, one.reel)
    assert ("logger file", cure) not in {(row.kind, row.about) for row in after.missing}
    assert "<svg" in after.cures[0].trace.shelves[0].svg and after.cures[0].trace.trace is not None
    file = next(row for row in after.files if row.kind == "logger file")
    assert (file.of, file.digest) == ((cure,), hashlib.sha256(data).hexdigest())
    client = client_of(factory)
    assert client.get(f"/evidence/{file.number}").content == data
    assert f'/evidence/{file.number}"' in client.get(f"/record/{one.reel.code}").text


def test_a_hold_is_told_to_its_end(factory: Factory) -> None:
    one = made(factory)
    code = factory.do("place_hold", lambda s, by: code_of(s, "hold", place_hold(s, by, one.glue, "smells").id))
    assert [(hold.code, hold.stops, hold.releases) for hold in record(factory, one.reel).holds] == [(code, True, ())]
    factory.do(
        "release_hold",
        lambda s, by: release_hold(s, by, s.query(Hold).one(), [one.reel], "concession", "tested again", units_freed=30).id,
    )
    part = record(factory, one.reel).holds[0]
    assert (part.in_force, part.stops) == (True, False)
    assert [(one.everything, one.what, one.words) for one in part.releases] == [(False, "concession", "tested again")]
    factory.do("release_hold", lambda s, by: release_hold(s, by, s.query(Hold).one(), [], "scrap", "the rest", units_freed=0).id)
    assert [hold.in_force for hold in record(factory, one.reel).holds] == [False]


def test_page_and_json_are_one_answer_each_with_the_same_facts(factory: Factory) -> None:
    one = made(factory)
    client = client_of(factory)
    for named in (one.reel, one.lot, one.best):
        page = client.get(f"/record/{named.code}")
        assert page.status_code == 200, page.text
        answer = client.get(f"/api/v1/record/{named.code}")
        told = answer.json()
        assert RecordOut.model_validate_json(answer.content).model_dump(mode="json") == told, "what is written is what is described"
        codes = [row["code"] for name in ("wafers", "batches", "panels", "lots") for row in told[name]] + [row["run"] for row in told["runs"]]
        assert len(codes) > 10
        assert [code for code in codes if code not in page.text] == [], named.code
        assert not re.search(r'id="([^"]+)"(?=.*id="\1")', re.sub(r"\s", " ", page.text)), "an id appears twice"
    for path in (f"/packs/{one.reel.code}", f"/trace/{one.reel.code}", f"/lots/{one.lot.code}", "/find?code=L26-0000"):
        assert "/record/" in client.get(path).text, path
    assert client.get(f"/record/{one.wafer.code}").status_code == 404


@pytest.mark.only_on("sqlite")
def test_more_panels_cost_no_more_statements(fresh_house: FreshHouse, tmp_path: Path) -> None:
    counts = []
    for panels in (4, 12):
        folder = tmp_path / str(panels)
        folder.mkdir()
        with fresh_house(folder) as house:
            factory = Factory(house).load()
            one = made(factory, panels)
            counts.append([statements(house, lambda f=factory, named=named: record(f, named)) for named in (one.reel, one.lot)])
    assert counts[0] == counts[1]


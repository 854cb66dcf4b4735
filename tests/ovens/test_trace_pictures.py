"""The cure trace of a load: a picture a shelf, its reasons pinned, its numbers as tables and CSV."""

import csv
import io
import re
from datetime import timedelta

import pytest
from fastapi.testclient import TestClient
from small_factory import SYSTEM, Factory
from sqlalchemy import select

from app.db import House
from app.journal.act import act
from app.ledger.places import Load
from app.main import make_app
from app.naming.resolve import code_of
from app.ovens.loads import begin_load
from app.ovens.trace_pictures import LoadTrace, load_trace
from app.people.tokens import make_token
from tests.ovens.test_judging import START, attached_lot, cure, factory, files, log, send  # noqa: F401 (a fixture)


def pictured(factory: Factory) -> LoadTrace:  # noqa: F811
    with factory.house.reading() as session:
        load = session.scalars(select(Load).order_by(Load.id.desc())).first()
        assert load is not None
        found = load_trace(session, load, START + timedelta(days=1), "Europe/Vienna")
    assert found is not None
    return found


def page_of(house: House, path: str) -> str:
    made: list[str] = []

    def token(session, by):  # type: ignore[no-untyped-def]
        made[:] = [make_token(session, by, "tests", ("operate",))[1]]
        return {}

    act(house, SYSTEM, "make_token", {}, token, signed=True)
    with house.reading() as session:
        code = code_of(session, "load", session.scalars(select(Load.id).order_by(Load.id.desc())).first() or 0)
    client = TestClient(make_app(house.settings, house), headers={"Authorization": f"Bearer {made[0]}"})
    return client.get(path.format(code=code)).text


def test_each_shelf_has_its_own_sensors_and_the_cold_one_says_why(factory: Factory) -> None:  # noqa: F811
    warm, cold = attached_lot(factory), attached_lot(factory)
    cure(factory, {"1": warm, "2": cold})
    send(factory, log(START, 120, t2=161))
    first, second = pictured(factory).shelves
    assert (first.shelf, first.sensors, [one.verdict for one in first.lots]) == ("1", ("T1",), ["conforms"])
    assert (second.shelf, second.sensors, [one.verdict for one in second.lots]) == ("2", ("T2",), ["does not conform"])
    assert first.soak is not None and ">soak " in first.svg and ">soak " not in second.svg
    assert [(one.number, one.place) for one in second.reasons] == [(1, "the whole load")] and "90 min are needed" in second.reasons[0].text
    assert 'class="pin"' in second.svg and 'class="pin"' not in first.svg
    assert len(first.intervals) == 24 and first.intervals[12].temps_c == ((170.0, 170.0),)


def test_a_gap_is_drawn_and_its_reason_pinned_to_where_it_was(factory: Factory) -> None:  # noqa: F811
    cure(factory, {"1": attached_lot(factory)})
    rows = log(START, 120).splitlines(keepends=True)
    send(factory, b"".join([*rows[:60], *rows[100:]]))  # 20 minutes without a row
    (shelf,) = pictured(factory).shelves
    gap = next(one for one in shelf.reasons if one.number and "reading" in one.text.lower())
    assert gap.at_from is not None and gap.at_to is not None
    assert START + timedelta(minutes=25) < gap.at_from < gap.at_to < START + timedelta(minutes=50)
    assert "T1: no reading" in shelf.svg and re.search(r'class="sensor line1" d="M[^"M]+M', shelf.svg)
    assert None in [one.temps_c[0] for one in shelf.intervals]


def test_the_page_says_it_in_words_tables_and_csv(factory: Factory) -> None:  # noqa: F811
    cure(factory, {"1": attached_lot(factory)})
    assert "No logger file covers this load yet" in page_of(factory.house, "/loads/{code}/trace")
    send(factory, log(START, 120, t1=182))
    page = page_of(factory.house, "/loads/{code}/trace")
    assert "<h2>Shelf 1</h2>" in page and "<strong>does not conform</strong>" in page and "06:00 UTC" in page
    readings = list(csv.reader(io.StringIO(page_of(factory.house, "/loads/{code}/trace.csv"))))
    assert readings[0] == ["time (UTC)", "T1 (C)", "T2 (C)"] and len(readings) == 250
    assert readings[5] == [START.isoformat(), "25.0", "25.0"]
    (sensor,) = csv.DictReader(io.StringIO(page_of(factory.house, "/loads/{code}/sensors.csv")))
    assert (sensor["sensor"], sensor["greatest_c"]) == ("T1", "182.0")
    assert "Cure trace" in page_of(factory.house, "/loads/{code}")


def test_the_page_names_its_files_and_leads_to_their_replacement(factory: Factory) -> None:  # noqa: F811
    cure(factory, {"1": attached_lot(factory)})
    send(factory, log(START, 120))
    (wrong,) = files(factory)
    assert f"call=/logger_files&amp;station=Oven%20S&amp;replaces={wrong}" in page_of(factory.house, "/loads/{code}/trace")
    send(factory, log(START, 120, t1=182), replaces=(wrong,))
    page = page_of(factory.house, "/loads/{code}/trace")
    assert f"file {files(factory)[-1]}</a>" in page and f"file {wrong}</a>" not in page


@pytest.mark.parametrize("path", ["/loads/{code}/trace", "/loads/{code}/trace.csv", "/loads/{code}/sensors.csv"])
def test_a_load_that_never_started_has_nothing_to_draw(factory: Factory, path: str) -> None:  # noqa: F811
    factory.do("begin_load", lambda s, by: begin_load(s, by, factory.things["Oven S"], "C170").id)
    page = page_of(factory.house, path)
    assert "nothing to draw yet" in page or page.count("\n") == 1

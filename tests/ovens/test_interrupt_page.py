"""An oven that is opened too early, at its load's page and from the terminal, without script."""

import html
import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from people.signing_in import client, person, post, sign_in
from sqlalchemy import select

from app.db import House
from app.floor.progress import progress
from app.ledger.places import Load
from app.ledger.runs import Line, Run
from app.ledger.sets import panels_of_lot
from app.main import make_app
from app.naming.resolve import Named, code_of
from app.ovens import loads
from tests.ovens.test_judging import START, attached_lot, cure, factory, log, send  # noqa: F401 (a fixture)
from tests.scan.test_terminal_pages import Screen
from tests.small_factory import Factory


@pytest.fixture
def app(house: House, factory: Factory) -> Iterator[Any]:  # noqa: F811
    with TestClient(make_app(house.settings, house)) as one:
        yield one.app


def _running(factory: Factory, *lots: Named) -> tuple[str, list[int]]:  # noqa: F811
    """A load with a lot on each shelf, started; its lines."""
    station = factory.things["Oven S"]
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, station, "C170").id)
    for shelf, lot in enumerate(lots, 1):
        factory.do("add_to_load", lambda s, by, lot=lot, shelf=shelf: len(loads.add_to_load(s, by, s.get_one(Load, load), [lot], str(shelf))))
    run = factory.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load), None).run.id)
    with factory.house.reading() as session:
        return code_of(session, "load", load), list(session.scalars(select(Line.id).where(Line.run == run).order_by(Line.id)))


def _times(factory: Factory, lot: Named) -> set[int]:  # noqa: F811
    with factory.house.reading() as session:
        return {stand.times("cure") for stand in progress(session, panels_of_lot(session, lot.id)).values()}


def test_the_page_of_a_load_has_steps_by_name_and_since_when_it_runs(house: House, factory: Factory) -> None:  # noqa: F811
    first = attached_lot(factory)
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, factory.things["Oven S"], "C170").id)
    factory.do("add_to_load", lambda s, by: len(loads.add_to_load(s, by, s.get_one(Load, load), [first], "1")))
    with house.reading() as session:
        code = code_of(session, "load", load)
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "operate"))
        page = browser.get(f"/loads/{code}").text
        assert "<td>cure 1</td>" in page and "Since" not in page
        factory.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load), None).run.id)
        page = browser.get(f"/loads/{code}").text
        assert "<td>cure 1</td>" in page and "Since <strong>" in page
        assert ">red attach, " in page, "its adhesive was put on at a step that people know by its name"
        with house.reading() as session:
            run = session.get_one(Load, load).run or 0
        factory.finish(run)
        assert re.search(r'class="ran">\d{4}-\d\d-\d\d \d\d:\d\d \w+ to \d{4}', browser.get(f"/loads/{code}").text)


def test_a_load_that_was_started_lets_the_next_thing_be_scanned_and_says_what_judges_it(house: House, factory: Factory) -> None:  # noqa: F811
    """Its page had no field then: a scan went nowhere, and without a word."""
    load, _ = _running(factory, attached_lot(factory))
    with house.reading() as session:
        station = code_of(session, "station", factory.things["Attach"])
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "operate"))
        gone = post(browser, f"/loads/{load}", "/floor/scan", scan=station)
        assert gone.headers["location"] == f"/floor?station={station}"
        post(browser, f"/loads/{load}", f"/loads/{load}/end")
        page = browser.get(f"/loads/{load}").text
        assert 'name="scan"' in page
        link = re.search(r'href="(/do/act\?call=/logger_files[^"]+)"', page)
        assert link is not None and 'value="Oven S"' in browser.get(html.unescape(link[1])).text


def test_the_page_of_a_load_says_how_it_is_judged_and_asks_for_no_file_then(house: House, factory: Factory) -> None:  # noqa: F811
    """It asked for the file of a cure that was judged by it, and of an aborted one it did not say what becomes of what lay in it."""
    first, second = attached_lot(factory), attached_lot(factory)
    cure(factory, {"1": first}, 40, abort=True)
    again = START + timedelta(hours=1)
    cure(factory, {"1": first, "2": second}, start=again)
    with house.reading() as session:
        aborted, ended = (code_of(session, "load", one) for one in session.scalars(select(Load.id).order_by(Load.id)))
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "operate"))
        page = browser.get(f"/loads/{aborted}").text
        assert "An aborted cure is not judged by itself. What lay in it comes to the cure again" in page and "import it" in page
        assert "import it" in browser.get(f"/loads/{ended}").text
        for start, minutes in ((START, 40), (again, 120)):
            send(factory, log(start, minutes))
        page = browser.get(f"/loads/{ended}").text
        assert page.count("the cure <strong>conforms</strong>") == 2 and "import it" not in page


def test_who_starts_a_load_that_another_has_started_is_told_that_it_runs(house: House, factory: Factory) -> None:  # noqa: F811
    """Both had its page open. It was said to have started or to be cancelled, and to begin another."""
    load, _ = _running(factory, attached_lot(factory))
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "operate"))

        def told(code: str) -> str:
            return post(browser, f"/loads/{code}", f"/loads/{code}/start", version="1").text

        assert f"Load {load} is running already." in told(load) and "Begin another load" not in told(load)
        post(browser, f"/loads/{load}", f"/loads/{load}/abort")
        assert f"Load {load} was aborted." in told(load)
        other = factory.do("begin_load", lambda s, by: code_of(s, "load", loads.begin_load(s, by, factory.things["Oven S"], "C170").id))
        post(browser, f"/loads/{other}", f"/loads/{other}/cancel")
        assert f"Load {other} was cancelled." in told(other) and "Begin another load" in told(other)


def test_a_station_scanned_where_a_load_is_filled_leads_to_the_station(house: House, factory: Factory) -> None:  # noqa: F811
    load = factory.do("begin_load", lambda s, by: code_of(s, "load", loads.begin_load(s, by, factory.things["Oven S"], "C170").id))
    with house.reading() as session:
        station = code_of(session, "station", factory.things["Attach"])
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "operate"))
        gone = post(browser, f"/loads/{load}", f"/loads/{load}/put", thing=station, shelf="1")
        assert gone.headers["location"] == f"/floor?station={station}"


def test_what_is_ticked_is_done_and_the_rest_comes_to_the_cure_again(house: House, factory: Factory) -> None:  # noqa: F811
    first, second = attached_lot(factory), attached_lot(factory)
    load, lines = _running(factory, first, second)
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "operate"))
        page = browser.get(f"/loads/{load}").text
        assert page.count('name="done"') == 2 and "full heat" in page and all(lot.code in page for lot in (first, second))
        everything = post(browser, f"/loads/{load}", f"/loads/{load}/interrupt", done=[str(line) for line in lines])
        assert everything.status_code == 422 and "Then end it" in everything.text
        strange = post(browser, f"/loads/{load}", f"/loads/{load}/interrupt", done=["999"])
        assert strange.status_code == 422 and "Line 999 is not one of its open lines" in strange.text
        assert post(browser, f"/loads/{load}", f"/loads/{load}/interrupt", done=[str(lines[0])]).status_code == 303
        page = browser.get(f"/loads/{load}").text
        assert "interrupted" in page and "Begin a load for the rest" in page and "Interrupt: " not in page
        again = post(browser, f"/loads/{load}", f"/loads/{load}/interrupt")
        assert again.status_code == 409 and "has ended" in again.text
    assert (_times(factory, first), _times(factory, second)) == ({1}, {0})


def test_the_screen_of_the_oven_leads_there(house: House, factory: Factory, app: Any) -> None:  # noqa: F811
    lot = attached_lot(factory)
    load, _ = _running(factory, lot)
    with house.reading() as session:
        oven = code_of(session, "station", factory.things["Oven S"])
    ola = Screen(app, person(house, "Ola", "operate"))
    ola.get(f"/floor?station={oven}")
    assert re.search(rf'href="/loads/{load}">End or interrupt', ola.page)
    ola.scan(lot.code)
    assert ola.heading.startswith("Finish") and f'href="/loads/{load}#interrupt"' in ola.page
    ola.get(f"/loads/{load}")
    ola.send(f"/loads/{load}/interrupt")
    with house.reading() as session:
        assert session.scalars(select(Run.outcome).order_by(Run.id.desc())).first() == "interrupted"
    ola.get(f"/floor?station={oven}")
    assert "End or interrupt" not in ola.page


def test_a_load_that_is_being_filled_is_found_from_its_oven_and_keeps_the_shelf(app: Any, house: House, factory: Factory) -> None:  # noqa: F811
    first, second = attached_lot(factory), attached_lot(factory)
    ola = Screen(app, person(house, "Ola", "operate"))
    with house.reading() as session:
        oven = code_of(session, "station", factory.things["Oven S"])
    assert "No load is being filled" in ola.get(f"/floor?station={oven}")
    assert "/loads/" not in ola.page
    begun = factory.do("begin_load", lambda s, by: code_of(s, "load", loads.begin_load(s, by, factory.things["Oven S"], "C170").id))
    assert f'href="/loads/{begun}"' in ola.get(f"/floor?station={oven}"), "at rest"
    assert "</b> oven load being filled" in ola.get("/"), "one of them"
    ola.get(f"/floor?station={oven}")
    ola.scan(first.code)
    assert f"Not alone: into load {begun}" in ola.page
    ola.get(f"/loads/{begun}")
    ola.send(f"/loads/{begun}/put", thing=first.code, shelf="2")
    assert "<option selected>2</option>" in ola.page, "the next one goes beside it"
    ola.send(f"/loads/{begun}/put", thing=first.code, shelf="2")
    assert ola.said and "<option selected>2</option>" in ola.page
    ola.send(f"/loads/{begun}/put", thing=first.code, shelf="1")
    assert ola.heading.startswith("Stop.") and "<option selected>1</option>" in ola.page
    assert ola.page.index("Stop.") < ola.page.index('name="thing" autofocus') < ola.page.index('class="ask"'), "its field scrolls there"
    ola.send(f"/loads/{begun}/put", thing=second.code, shelf="2")
    assert ola.page.count("<td>2</td>") == 2


@pytest.mark.parametrize("verb", ["end", "abort", "interrupt"])
def test_a_load_that_never_started_is_not_ended(house: House, factory: Factory, verb: str) -> None:  # noqa: F811
    """A page that was left open shows buttons of a load that another has cancelled."""
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, factory.things["Oven S"], "C170").id)
    with house.reading() as session:
        code = code_of(session, "load", load)
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", "operate"))
        answer = post(browser, f"/loads/{code}", f"/loads/{code}/{verb}")
        assert answer.status_code == 409 and "It never started." in answer.text

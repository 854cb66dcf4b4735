"""A hand-over at the terminal: asked where the answer may be yes, refused at once where it could only be no."""

from typing import Any

from app.catalogue.definitions import Product, Route, Step
from app.db import House
from app.ledger.runs import Attendance
from app.main import make_app
from app.naming.resolve import resolve
from app.people.people import Certified, change_certificate, set_duties
from tests.browser.staging import Stage
from tests.people.signing_in import person
from tests.scan.test_terminal_pages import Screen
from tests.small_factory import Factory

LOOKED_AT = Route(product="BARE", revision="1", steps=(Step(key="look", name="look", operation="inspect", certificate="eyes"),))


def test_who_may_not_have_what_runs_is_not_asked_about_and_may_sign_in_without_it(house: House) -> None:
    stage = Stage(Factory(house).load(("product", Product(part_number="BARE", rows=4, columns=5, roles=())), ("route", LOOKED_AT)))
    ola, pia, gone = person(house, "Ola", "operate"), person(house, "Pia", "operate"), person(house, "Gus", "operate")
    changed(stage, ola, lambda s, by, one: change_certificate(s, by, one, Certified("eyes", None)))
    changed(stage, gone, lambda s, by, one: set_duties(s, by, one, ()))
    screen, scope = Screen(make_app(house.settings, house), ola), stage.station("Scope")
    lot = stage.factory.lot(stage.factory.panels(1), product="BARE").code
    screen.get("/floor")
    screen.scan(scope)
    assert asked(screen, pia) == "Hand over to Pia?", "nothing runs there yet"
    for code in (lot, scope):
        screen.scan(code)
    assert screen.said.startswith("Started on")

    assert asked(screen, pia) == "Stop. Pia may not take over what runs on Scope."
    assert "Pia is not certified for eyes." in screen.page
    assert asked(screen, gone).startswith("Stop.") and "Only sign in here" not in screen.page
    asked(screen, pia)
    screen.send("/floor/switch")
    assert "PIN or password" in screen.page or 'name="secret"' in screen.page
    with house.reading() as session:
        assert [one.person for one in session.query(Attendance) if one.closed_e is None] == [resolve(session, ola).id], "the stations stay"


def asked(screen: Screen, badge: str) -> str:
    screen.get("/floor")
    screen.scan(badge)
    return screen.heading


def changed(stage: Stage, badge: str, verb: Any) -> None:
    with stage.factory.house.reading() as session:
        one = resolve(session, badge).id
    stage.factory.do("change_person", lambda s, by: verb(s, by, one))

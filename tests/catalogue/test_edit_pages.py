"""A thing of the catalogue changed on a page: its text, its errors by line, what changes, and the signature."""

import re
from html import unescape

import pytest
from cast import SMALL
from catalogue.test_pages import Browser, TestClient, client, load, sign_in  # noqa: F401 (a fixture)

from app.catalogue.definitions import THINGS, Catalogue
from app.catalogue.file import read_catalogue
from app.catalogue.load import load_catalogue
from app.catalogue.queries import named, whole
from app.catalogue.single import blank
from app.db import House
from app.errors import BadInput
from app.journal.act import SYSTEM, act
from app.journal.models import Entry

SIGNED = "long enough"


def text_on(page: str) -> str:
    return unescape(re.findall(r"<textarea[^>]*>(.*?)</textarea>", page, re.DOTALL)[0])


@pytest.fixture
def browser(house: House, client: TestClient) -> Browser:  # noqa: F811
    one = sign_in(house, client, "engineer", "administer")
    load(one, SMALL.read_text())
    return one


def edit(browser: Browser, house: House, kind: str, name: str) -> str:
    with house.reading() as session:
        return browser.get(f"/catalogue/edit?thing={named(session, kind, name).id}")


def test_a_recipe_is_changed_after_its_change_was_shown_and_signed(house: House, browser: Browser) -> None:
    with house.reading() as session:
        recipe = whole(session).recipes[0]
    text = text_on(edit(browser, house, "recipe", recipe.name))
    shown = browser.submit("/catalogue/edit", text=text.replace(f"soak_minutes = {recipe.soak_minutes}", "soak_minutes = 123.0"))
    assert f"soak_minutes: {recipe.soak_minutes:g} → 123" in shown
    assert "password is wrong" in browser.submit("/catalogue/load", password="not mine")
    assert f"soak_minutes: {recipe.soak_minutes:g} → 123" in browser.page, "what it changes is still shown"
    assert "0 added, 1 changed" in browser.submit("/catalogue/load", password=SIGNED)
    with house.reading() as session:
        assert named(session, "recipe", recipe.name).body.soak_minutes == 123
        assert session.query(Entry).filter_by(action="load_catalogue").order_by(Entry.id.desc()).first().signed


def test_errors_come_back_with_path_line_and_the_text_as_it_was_typed(house: House, browser: Browser) -> None:
    text = text_on(edit(browser, house, "part", read_catalogue(SMALL.read_text()).parts[0].number)) + "colour = 3\n"
    page = browser.submit("/catalogue/edit", text=text)
    assert browser.status == 422
    line = text.count("\n")
    assert f"line {line}, parts[0].colour" in page
    assert "<code>colour = 3</code>" in page
    assert text_on(page).strip() == text.strip()
    assert "not TOML" in browser.submit("/catalogue/edit", text="[[parts")


def test_a_signature_is_for_what_was_read(house: House, browser: Browser) -> None:
    with house.reading() as session:
        recipe = whole(session).recipes[0]
    text = text_on(edit(browser, house, "recipe", recipe.name))
    browser.submit("/catalogue/edit", text=text.replace(f"soak_minutes = {recipe.soak_minutes}", "soak_minutes = 123.0"))
    other = Catalogue(recipes=(recipe.model_copy(update={"soak_minutes": 77.0}),))
    act(house, SYSTEM, "load_catalogue", {}, lambda session, by: {"n": len(load_catalogue(session, by, other))})
    assert "changed by someone else" in browser.submit("/catalogue/load", password=SIGNED)
    assert "soak_minutes: 77 → 123" in browser.page, "it is shown anew"
    assert "0 added, 1 changed" in browser.submit("/catalogue/load", password=SIGNED)


def test_an_approved_route_goes_on_as_a_new_revision(house: House, client: TestClient, browser: Browser) -> None:  # noqa: F811
    with house.reading() as session:
        route = named(session, "route", "P1 rev A").id
    browser.get(f"/catalogue/thing/{route}")
    browser.submit(f"/catalogue/thing/{route}/approve", password=SIGNED)
    text = text_on(browser.get(f"/catalogue/edit?thing={route}"))
    assert 'revision = ""' in text
    assert browser.submit("/catalogue/edit", text=text) and browser.status == 422
    shown = browser.submit("/catalogue/edit", text=text.replace('revision = ""', 'revision = "B"'))
    assert "P1 rev B" in shown
    assert "1 added, 0 changed" in browser.submit("/catalogue/load", password=SIGNED)


@pytest.mark.parametrize("kind", THINGS)
def test_a_blank_of_every_kind_is_toml_whose_keys_are_known(kind: str) -> None:
    with pytest.raises(BadInput) as refused:
        read_catalogue(re.sub(r"^# ?(\w+) = ?$", "", blank(kind), flags=re.MULTILINE))
    assert not any("not TOML" in reason.why or "no key" in reason.why or "is missing" in reason.why for reason in refused.value.reasons)


def test_every_kind_can_be_begun_and_the_site_changed(house: House, browser: Browser) -> None:
    for kind in THINGS:
        assert THINGS[kind][0] in text_on(browser.get(f"/catalogue/edit?kind={kind}"))
    assert "zone" in text_on(browser.get("/catalogue/edit?kind=site"))
    assert browser.get("/catalogue/edit?kind=nothing") and browser.status == 404


def test_only_those_allowed_may_change_it(house: House, client: TestClient) -> None:  # noqa: F811
    other = sign_in(house, client, "operate")
    for path in ("/catalogue/edit?kind=part", "/catalogue/edit?thing=1"):
        other.get(path)
        assert other.status == 403

"""Who may do what: the one table of actions, walked through the door, and every route without anybody."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from people.signing_in import HERE, client, person, sign_in, token
from sqlalchemy import func, select
from walking import ways

from app.db import House
from app.errors import Refused
from app.journal.act import Actor, act
from app.journal.actions import ACTIONS
from app.journal.models import Entry
from app.main import make_app
from app.people.doors import ROWS
from app.people.people import DUTIES

APP = Path(__file__).parent.parent / "app"


def outcome(house: House, actor: Actor, action: str, *, signed: bool) -> str:
    try:
        act(house, actor, action, {}, lambda session, by: {}, signed=signed)
    except Refused as refusal:
        return refusal.kind
    return "done"


def test_the_door_lets_each_duty_do_what_the_table_says_and_nothing_else(house: House) -> None:
    for action, known in ACTIONS.items():
        for duty in DUTIES:
            expected = "done" if duty in known.duties else "duty"
            assert outcome(house, Actor("person", 1, "Mara", frozenset({duty})), action, signed=True) == expected, (action, duty)
        assert outcome(house, Actor("person", 1, "Mara"), action, signed=True) == "duty", f"{action} without any duty"


def test_what_needs_a_signature_is_not_done_without_one(house: House) -> None:
    for action, known in ACTIONS.items():
        actor = Actor("person", 1, "Mara", frozenset(known.duties))
        assert outcome(house, actor, action, signed=False) == ("password" if known.signed else "done"), action


def test_every_action_has_a_call_and_so_a_form(house: House) -> None:
    """But for what only a browser does (the first administrator, one's own secret and second factor), and what a refused file leaves."""
    called = {
        node.value
        for path in (APP / "machines").glob("*.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    assert set(ACTIONS) - called == {"make_administrator", "set_secret", "set_second_factor", "keep_refused_file"}


def test_whatever_a_page_does_a_call_does_by_the_same_name() -> None:
    """But for one's own secret and second factor, which only their owner's browser sets."""
    named = {route: row for route, row in ROWS.items() if isinstance(row, str)}
    calls = {row for route, row in named.items() if " /api/v1/" in route}
    assert set(named.values()) - calls == {"set_secret", "set_second_factor"}
    assert set(ACTIONS) - calls == {"set_secret", "set_second_factor", "make_administrator", "keep_refused_file", "split_loose", "merge_loose"}


def test_a_refusal_at_the_door_leaves_no_entry(house: House) -> None:
    for action in ACTIONS:
        outcome(house, Actor("person", 1, "Mara"), action, signed=True)
    with house.reading() as session:
        assert session.scalar(select(func.count()).select_from(Entry)) == 0


@pytest.mark.parametrize(("duty", "actions"), [
    ("administer", {"add_person", "change_person", "give_secret", "make_token", "revoke_token", "make_administrator"}),
    ("quality", {"release_hold", "dispose"}),
    ("engineer", {"approve_route", "retire_route", "move_to_revision", "correct_die_map"}),
    ("lead", {"go_on_at_risk", "back_entry", "correct_marks"}),
])  # fmt: skip
def test_what_only_one_duty_may_do(duty: str, actions: set[str]) -> None:
    """By the words of the design: release and disposition by quality, at risk and back entry by a lead, approval by an engineer."""
    for action in actions:
        assert ACTIONS[action].duties == (duty,), action


def test_what_must_be_signed() -> None:
    must = {"approve_route", "retire_route", "move_to_revision", "release_hold", "dispose", "go_on_at_risk", "sign_difference"}
    assert must <= {name for name, action in ACTIONS.items() if action.signed}


def test_everyone_may_stop_something() -> None:
    assert set(ACTIONS["place_hold"].duties) >= {"operate", "lead", "quality", "engineer"}


def test_the_table_knows_every_action_that_the_code_does() -> None:
    done = set(actions_done())
    assert len(done) > 40, "the reading of the code itself is broken"
    assert done - set(ACTIONS) == set()


@pytest.mark.parametrize("action", ACTIONS)
def test_every_action_has_words_and_known_duties(action: str) -> None:
    known = ACTIONS[action]
    assert known.words and known.words[0].islower() and not known.words.endswith(".")
    assert known.duties and set(known.duties) <= set(DUTIES)


def test_no_route_answers_anybody_but_the_few_public_ones(house: House) -> None:
    badge_of_nobody = {"Authorization": "Bearer of nobody"}
    with client(house) as stranger:
        walked = 0
        for way in ways(make_app(house.settings, house)):
            walked += 1
            method, path = way.method, way.filled
            for headers in (HERE, HERE | badge_of_nobody):
                answer = stranger.request(method, path, headers=headers)
                if path.startswith("/api/"):
                    assert answer.status_code == 401, (method, path, answer.text)
                    assert answer.headers["content-type"] == "application/problem+json"
                else:
                    assert answer.status_code == 303, (method, path, answer.text)
                    assert answer.headers["location"].startswith("/sign-in")
        assert walked > 80


def test_no_page_takes_a_form_without_its_token(house: House) -> None:
    with client(house) as browser:
        sign_in(browser, person(house, "Ada", *DUTIES))
        posts = [way.filled for way in ways(make_app(house.settings, house)) if way.method == "POST" and not way.is_call]
        assert len(posts) > 15
        for path in posts:
            answer = browser.post(path, data={}, headers=HERE)
            assert answer.status_code == 422 and "This form is stale" in answer.text, path


def test_a_person_without_duties_reads_nothing_by_a_token_of_before(house: House) -> None:
    with client(house) as machine:
        expired = token(house, "operate")
        assert machine.get("/api/v1/holds", headers={"Authorization": f"Bearer {expired}"}).status_code == 200
        assert machine.get("/api/v1/holds", headers={"Authorization": f"Basic {expired}"}).status_code == 401
        assert machine.get("/api/v1/holds", headers={"Authorization": f"Bearer {expired[:-1]}"}).status_code == 401


def actions_done() -> Iterator[str]:
    """The names of actions that stand in calls of `act`, `do` and their like: their third or earlier argument."""
    for path in APP.rglob("*.py"):
        calls = (node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call))
        for call in calls:
            name = call.func.attr if isinstance(call.func, ast.Attribute) else call.func.id if isinstance(call.func, ast.Name) else ""
            if name in ("act", "_act", "do"):
                yield from (one for argument in call.args[:3] for one in _constants(argument) if re.fullmatch(r"[a-z]+(_[a-z]+)*", one))


def _constants(argument: ast.expr) -> Iterator[str]:
    """`"start_run"`, or both of `"singulate" if ... else "finish_run"`."""
    if isinstance(argument, ast.Constant):
        yield str(argument.value)
    elif isinstance(argument, ast.IfExp):
        yield from (*_constants(argument.body), *_constants(argument.orelse))

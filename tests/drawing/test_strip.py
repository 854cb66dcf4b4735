"""The carrier tape: what each pocket says in words, what it draws, and how a window's bracket shrinks."""

import re
from xml.etree import ElementTree

import pytest

from app.drawing.strip import PITCH, Bracket, Pocket, State, in_words, ordinal, strip


def texts(svg: str) -> list[str]:
    return [one.text or "" for one in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]


def thick(svg: str) -> float:
    """How much of this pocket's bracket is drawn thick."""
    found = re.search(r'class="window \w+ left" d="M([\d.]+) 9H([\d.]+)"', svg)
    return float(found[2]) - float(found[1]) if found else 0.0


@pytest.mark.parametrize(
    ("pocket", "words"),
    [
        (Pocket(3, "red", "done", 1), "done"),
        (Pocket(3, "red", "done", 2), "done, 2nd time"),
        (Pocket(3, "red", "at risk", 1), "done, gone on at risk while its judgement is open"),
        (Pocket(3, "red", "open", 3), "done, its judgement is open, 3rd time"),
        (Pocket(3, "red", "in work", note="15 of 24 panels"), "in work, 15 of 24 panels"),
        (Pocket(3, "red", "to come"), "to come"),
    ],
)
def test_a_pocket_says_what_it_shows(pocket: Pocket, words: str) -> None:
    assert in_words(pocket) == words
    drawn = strip([pocket])[0]
    assert f"<title>3, red: {words}</title>" in drawn.svg


def test_no_two_states_look_alike_without_colour() -> None:
    states: list[State] = ["done", "open", "at risk", "in work", "next", "held", "to come"]
    shapes = {state: tuple(re.findall(r' d="([^"]+)"| (hollow)|>(\?)<', strip([Pocket(1, "x", state, 1)])[0].svg)) for state in states}
    assert len(set(shapes.values())) == len(states)


def test_a_step_done_again_says_so_in_letters() -> None:
    assert texts(strip([Pocket(1, "cure", "done", 2)])[0].svg) == ["2nd"]
    assert texts(strip([Pocket(1, "cure", "done", 1)])[0].svg) == []
    states: tuple[State, ...] = ("next", "held", "in work", "open", "at risk")
    assert [strip([Pocket(1, "cure", state, 2, "2 of 4 panels")])[0].note for state in states] == ["2nd time, 2 of 4 panels"] * 5
    assert [strip([Pocket(1, "cure", state, 1, "2 of 4 panels")])[0].note for state in states] == ["2 of 4 panels"] * 5


def test_a_bracket_shrinks_towards_its_end_over_all_its_pockets() -> None:
    pockets = [Pocket(n, str(n), "done", 1) for n in range(1, 5)]
    for left in (1.0, 0.75, 0.4, 0.1, 0.0):
        drawn = strip(pockets, [Bracket(2, 4, left)])
        assert sum(thick(one.svg) for one in drawn) == pytest.approx(2 * PITCH * left)
        assert "window" not in drawn[0].svg


def test_a_window_that_ran_out_is_drawn_as_over() -> None:
    assert "window over off" in strip([Pocket(1, "a", "done", 1)], [Bracket(1, 2, -0.5)])[0].svg


def test_names_of_steps_can_t_break_the_picture() -> None:
    svg = strip([Pocket(1, '<script>"&', "next")])[0].svg
    assert ElementTree.fromstring(svg)[0].text == '1, <script>"&: next'


@pytest.mark.parametrize(("n", "words"), [(1, "1st"), (2, "2nd"), (3, "3rd"), (4, "4th"), (11, "11th"), (12, "12th"), (22, "22nd"), (113, "113th")])
def test_ordinals(n: int, words: str) -> None:
    assert ordinal(n) == words

"""A step that was sent to rework is done in a further round, which its line, the questions of a terminal and the tape say."""

import re
from collections.abc import Iterator

import pytest

from app.catalogue.definitions import Body, Need, Product, Record, Route, Station, Step
from app.clock import now
from app.db import House
from app.floor.groups import gather
from app.floor.route_strip import route_strip
from app.genealogy.traveller import travellers
from app.ledger.items import Lot
from app.naming.resolve import resolve
from app.scan.questions import question_about
from tests.machines.plant import Plant, plant
from tests.people.signing_in import sign_in

PULL = Record(name="pull", unit="gf", low=3.0)
STEPS = (
    Step(key="attach", name="attach", operation="die attach", role="red", needs=(Need(kind="adhesive", part="GLUE"),), judged="placements"),
    Step(key="bond", name="bond", operation="inspect", records=(PULL,), judged="readings"),
    Step(key="look", name="look", operation="inspect", barrier=True),
    Step(key="cut", name="cut", operation="singulate"),
    Step(key="wash", name="wash", operation="clean", records=(PULL,), judged="readings"),
    Step(key="test", name="test", operation="test"),
)
WIRED = (
    Step(key="bond", name="bond", operation="wire bond", needs=(Need(kind="wire", part="AU20"),), records=(PULL,), judged="readings"), *STEPS[2:4],
)  # fmt: skip
PRODUCT = Product(part_number="AGAIN", rows=4, columns=5, roles=({"role": "red", "part": "WR"},), bin_table="B")  # type: ignore[arg-type]
AGAIN: tuple[tuple[str, Body], ...] = (
    ("product", PRODUCT), ("route", Route(product="AGAIN", revision="1", steps=STEPS)),
    ("product", PRODUCT.model_copy(update={"part_number": "SHEET"})), ("route", Route(product="SHEET", revision="1", steps=WIRED)),
    ("station", Station(name="Bench", area="hall", operations=("clean", "inspect"))),
)  # fmt: skip


@pytest.fixture
def do(house: House) -> Iterator[Plant]:
    with plant(house, *AGAIN) as one:
        yield one


def attached(do: Plant, panels: int = 1) -> tuple[str, str]:
    """A lot after its die attach, for which no log came: a lead let it go on."""
    lot = do.lot(do.panels(panels), product="AGAIN")
    do.mount("Attach", do.batch("GLUE"))
    do.mount("Attach", do.wafer(lot))
    run = do.run("Attach", lot)
    return lot, run


def line_of(do: Plant, run: str) -> dict[str, object]:
    (line,) = do.get(f"/runs/{run}")["lines"]
    return dict(line)


def decide(do: Plant, run: str, what: str) -> None:
    do.post(f"/lines/{line_of(do, run)['line']}/disposition", what=what, words="looked at", **do.signed)


def rework(do: Plant, thing: str, run: str) -> None:
    """The step again, and the line's own hold released, so that it may start."""
    decide(do, run, "rework")
    for hold in do.get(f"/stops/{thing}")["holds"]:
        do.post(f"/holds/{hold['hold']}/release", disposition="rework", words="to be done again", **do.signed)


def next_of(do: Plant, thing: str) -> tuple[str, int]:
    (group,) = do.get(f"/next/{thing}")["groups"]
    return group["next_step"], group["round"]


def words_of(do: Plant, thing: str, step: str) -> str:
    """What the tape says of a step."""
    with do.house.reading() as session:
        (group,) = gather(session, [resolve(session, thing)])
        drawn = route_strip(session, group, now())
    return next(pocket.words for pocket in drawn.pockets if pocket.name == step)


def test_each_rework_is_a_further_round_until_a_decision_takes_it_back(do: Plant) -> None:
    lot, attach = attached(do)
    decide(do, attach, "concession")
    first = do.run("Bench", lot, pull=1.0)
    assert (line_of(do, first)["round"], next_of(do, lot)) == (1, ("look", 1))
    decide(do, first, "rework")
    assert next_of(do, lot) == ("bond", 2)
    assert words_of(do, lot, "bond") == "held, 2nd time"
    rework(do, lot, first)
    assert words_of(do, lot, "bond") == "next, 2nd time"
    second = do.run("Bench", lot, pull=1.0)
    assert line_of(do, second)["round"] == 2
    assert words_of(do, lot, "bond") == "done, its judgement is open, 2nd time"
    rework(do, lot, second)
    assert next_of(do, lot) == ("bond", 3)
    decide(do, second, "concession")
    assert (next_of(do, lot), words_of(do, lot, "bond")) == (("look", 1), "done, 2nd time")
    assert do.findings() == []


def test_a_voided_run_was_no_round(do: Plant) -> None:
    lot, attach = attached(do)
    decide(do, attach, "concession")
    run = do.run("Bench", lot, pull=1.0)
    decide(do, run, "rework")
    do.post(f"/runs/{run}/void", reason="entered for the wrong lot")
    assert next_of(do, lot) == ("bond", 1)


def test_lots_in_different_rounds_of_a_step_do_not_merge(do: Plant) -> None:
    lot, attach = attached(do, 2)
    decide(do, attach, "concession")
    part = do.post(f"/lots/{lot}/split", panels=do.get(f"/lots/{lot}")["panels"][:1])["lot"]
    rework(do, part, do.run("Bench", part, pull=1.0))
    refused = do.post(f"/lots/{lot}/merge", 409, others=[part])
    assert refused["kind"] == "steps_differ" and "bond (2nd time)" in refused["detail"]


def test_a_terminal_asks_for_the_second_time(do: Plant) -> None:
    lot, attach = attached(do)
    decide(do, attach, "concession")
    rework(do, lot, do.run("Bench", lot, pull=1.0))
    with do.house.reading() as session:
        station = resolve(session, do.at["Bench"], "station").id
        asked = question_about(session, resolve(session, lot), station, now())
    assert asked.words == f"Start bond on {lot} for the 2nd time?"
    do.start("Bench", lot)
    with do.house.reading() as session:
        asked = question_about(session, resolve(session, lot), station, now())
    assert asked.words == f"Finish bond on {lot} for the 2nd time?"


def test_dies_set_right_stay_in_the_round_that_they_belong_to(do: Plant) -> None:
    """Their logs add to those before: in a round of their own they would have to tell of every cell of the panel."""
    lot, attach = attached(do)
    rework(do, lot, attach)
    assert next_of(do, lot) == ("attach", 1)
    assert line_of(do, do.run("Attach", lot))["round"] == 1


def test_loose_units_count_their_rounds_and_keep_them_when_they_part_or_come_together(do: Plant) -> None:
    lot, attach = attached(do, 2)
    decide(do, attach, "concession")
    do.run("Bench", lot, pull=5.0)
    do.run("Bench", lot)
    loose = do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"]
    part = do.post(f"/lots/{loose}/split", units=10)["lot"]
    run = do.run("Bench", part, pull=1.0)
    rework(do, part, run)
    assert next_of(do, part) == ("wash", 2)
    piece = do.post(f"/lots/{part}/split", units=3)["lot"]
    assert next_of(do, piece) == ("wash", 2), "it was washed once"
    again = line_of(do, do.run("Bench", part, pull=5.0))
    assert again["round"] == 2
    do.run("Bench", loose, pull=5.0)
    whole = do.post(f"/lots/{loose}/merge", others=[again["item"]])["lot"]
    assert words_of(do, whole, "wash") == "done, 2nd time", "some of it was washed twice"
    assert do.findings() == []


def cut(do: Plant, panels: int = 1) -> str:
    """Loose units that come to their wash."""
    lot, attach = attached(do, panels)
    decide(do, attach, "concession")
    do.run("Bench", lot, pull=5.0)
    do.run("Bench", lot)
    return str(do.post(f"/runs/{do.start('Saw', lot)}/singulate")["lot"])


def test_parts_in_different_rounds_come_together_in_the_last_of_them(do: Plant) -> None:
    loose = cut(do)
    rework(do, loose, do.run("Bench", loose, pull=1.0))
    part = do.post(f"/lots/{loose}/split", units=5)["lot"]
    do.run("Bench", part, pull=5.0)
    whole = do.post(f"/lots/{loose}/merge", others=[part])["lot"]
    assert next_of(do, whole) == ("wash", 3), "the part has been washed twice"
    again = line_of(do, do.run("Bench", whole, pull=5.0))
    assert (again["round"], words_of(do, str(again["item"]), "wash")) == (3, "done, 3rd time")


def test_what_a_test_left_makes_the_next_lots_test_no_second_one(do: Plant) -> None:
    loose = cut(do)
    other = do.post(f"/lots/{loose}/split", units=8)["lot"]
    loose, other = [str(line_of(do, do.run("Bench", one, pull=5.0))["item"]) for one in (loose, other)]
    run = do.start("Tester", loose)
    do.post(f"/runs/{run}/bins", bins=[{"bin": "B1", "units": 10}])
    whole = do.post(f"/lots/{other}/merge", others=[loose])["lot"]
    assert next_of(do, whole) == ("test", 1)
    run = do.start("Tester", whole)
    assert (line_of(do, run)["round"], words_of(do, whole, "test")) == (1, "in work")


def test_the_printed_sheet_says_which_time_it_is_and_what_the_step_needs(do: Plant) -> None:
    lot = do.lot(do.panels(1), product="SHEET")
    do.mount("Bond 1", do.batch("AU20"))
    rework(do, lot, do.run("Bond 1", lot, pull=1.0))
    assert sign_in(do.client, do.signed["signed_by"], do.signed["password"]).status_code == 200
    printed = re.sub(r"\s+", " ", re.sub("<[^>]+>", " ", do.client.get(f"/lots/{lot}/sheet").text))
    assert "next, 2nd time wire AU20 " in printed


def test_a_loose_lot_tells_what_was_sent_to_rework_before_it_was_made(do: Plant) -> None:
    loose = cut(do)
    first = do.run("Bench", loose, pull=1.0)
    rework(do, loose, first)
    part = do.post(f"/lots/{loose}/split", units=5)["lot"]
    again = do.run("Bench", part, pull=5.0)
    with do.house.walking() as session:
        (told,) = travellers(session, [session.get_one(Lot, resolve(session, part).id)], now())
    assert [(one.run, one.round) for step in told.steps if step.key == "wash" for one in step.doings] == [(first, 1), (again, 2)]

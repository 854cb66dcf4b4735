"""The demo against its own truth: a reduced one, built by the same stories; what a trace says is what the simulator's own record allows."""

import sys
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import func, select
from typer.testing import CliRunner

from app import clock
from app.board.remembered import Remembered
from app.board.whole import board
from app.cli import shell
from app.db import House
from app.errors import Refused
from app.floor.moves import place_of
from app.genealogy.checks import check
from app.genealogy.exposure import exposure
from app.genealogy.suspects import Suspect
from app.genealogy.trace import Trace, trace_back, trace_forward
from app.holds.stopped import stops_on
from app.journal.models import Entry
from app.ledger.counts import CountEntry
from app.ledger.places import Move
from app.ledger.runs import Run
from app.ledger.stops import Hold, Release
from app.naming.resolve import resolve
from app.people.models import GivenSecret
from seed_demo.build import BEGUN, LIVE, build, clear_half_built, load_demo, sign_ins
from seed_demo.truth import FILE, Truth

LOTS, REEL = 8, 4500
AT_WORK = (LIVE[4], LIVE[8], LIVE[9])  # at the bonders at the end, in an oven, and on a shelf of one that is being filled


@pytest.fixture(scope="module")
def demo(fresh_house: object, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[House, Truth]]:
    folder = tmp_path_factory.mktemp("demo")
    with fresh_house(folder) as house:  # type: ignore[operator]
        yield house, build(house, lambda _: None, lots=LOTS, live=AT_WORK, reel=REEL)


def backs(house: House, truth: Truth) -> Iterator[tuple[str, Trace]]:
    """The trace of every pack that holds something."""
    with house.reading() as session:
        for pack in truth.packs:
            if len(truth.units_in(pack)):
                yield pack, trace_back(session, resolve(session, pack, "pack"))


def test_what_can_be_in_a_pack_is_what_the_floor_said_and_chance_is_inside_it(demo: tuple[House, Truth]) -> None:
    house, truth = demo
    seen = 0
    for pack, back in backs(house, truth):
        reach = truth.reach[pack]
        sides = (
            ("wafers", {row.code: row.must for row in back.wafers if row.greatest}, reach.wafers, truth.wafers_of(pack)),
            ("panels", {row.code: row.must for row in back.panels if row.greatest}, reach.panels, panels_of(truth, pack)),
            ("batches", {row.code: row.must for row in back.batches if row.greatest}, reach.batches, None),
            ("runs", {run.run: all(line.least > 0 for line in run.lines) for run in back.runs}, reach.runs, truth.runs_of(pack)),
        )
        for what, can, said, true in sides:
            assert set(can) == said, (pack, what, set(can) ^ said)
            true = truth.batches_of(pack) | frames_of(truth, pack) if true is None else true
            assert true <= set(can), (pack, what, true - set(can))
            assert {code for code, must in can.items() if must} <= true, (pack, what)
        seen += 1
    assert seen >= 5


def test_a_spool_that_gave_out_is_in_the_panels_that_nobody_ruled_out(demo: tuple[House, Truth]) -> None:
    house, truth = demo
    unsaid = 0
    with house.reading() as session:
        for panel in truth.changed:
            back = trace_back(session, resolve(session, panel, "panel"))
            true = truth.batches_of_panel(panel)
            assert {row.code for row in back.batches} == truth.panel_reach[panel].batches, panel
            assert true <= truth.panel_reach[panel].batches
            assert {row.code for row in back.batches if row.must} <= true, panel
            unsaid += len(truth.panel_reach[panel].batches - true)
    assert unsaid  # of some panels nobody said which spool did them


def test_the_planted_faults_reach_the_packs_that_they_truly_reach(demo: tuple[House, Truth]) -> None:
    house, truth = demo
    assert {"wafer with a wrong map edge", "expired syringe", "late logger file", "bonder that drifted", "cold shelf"} <= set(truth.faults)
    with house.reading() as session:
        for fault in ("late logger file", "cold shelf", "bonder that drifted"):
            run = truth.faults[fault]
            forward = trace_forward(session, resolve(session, run, "run"))
            reached = {row.code for row in forward.packs if row.greatest and len(truth.units_in(row.code))}
            assert reached == {pack for pack in truth.packs if len(truth.units_in(pack)) and run in truth.reach[pack].runs}
            assert truth.packs_of_run(run) <= reached
        for fault in ("wafer with a wrong map edge", "expired syringe"):
            forward = trace_forward(session, resolve(session, truth.faults[fault]))
            assert forward.panels
            assert not [row for row in forward.packs if row.greatest]  # held in time
            assert not truth.reach_of(truth.faults[fault])


def test_every_unit_is_somewhere_and_the_books_say_as_many(demo: tuple[House, Truth]) -> None:
    house, truth = demo
    assert list(check(house)) == []
    for pack, back in backs(house, truth):
        assert back.subject.units == len(truth.units_in(pack)), pack
        pockets = truth.pocket[truth.units_in(pack)]
        assert np.array_equal(pockets, np.arange(1, len(pockets) + 1))


def test_colours_tell_the_packs_of_a_green_wafer_where_even_mixing_is_far_off(demo: tuple[House, Truth]) -> None:
    """A1 and A2 are parted by the colour of the green die, and wafers have colours of their own; lots are poured together before the test."""
    house, truth = demo
    true, even, told, sd = np.array([row for wafer in green_wafers(truth) for row in expected_in_packs(house, truth, wafer)]).T
    assert len(true) >= 10
    assert np.sqrt(np.mean((told - true) ** 2)) < np.sqrt(np.mean((even - true) ** 2)) / 3
    assert np.mean(np.abs(told - true) <= 2 * sd + 1) >= 0.85  # 0.95, of packs that share wafers


def test_nothing_happens_in_the_future_and_what_is_held_stays_here(demo: tuple[House, Truth]) -> None:
    house, truth = demo
    with house.reading() as session:
        assert session.scalar(select(func.max(Entry.happened_at))) <= clock.now()
        bonder = session.scalars(select(Hold).where(Hold.kind == "span")).one()
        assert session.scalar(select(func.count()).select_from(Release).where(Release.hold == bonder.id)) == 1
        packs = [resolve(session, pack, "pack") for pack in truth.packs if len(truth.units_in(pack))]
        places, stops = place_of(session, [pack.id for pack in packs]), stops_on(session, [pack.id for pack in packs])
        held = [pack for pack in packs if bonder.id in {stop.hold for stop in stops.get(pack.id, [])}]
        assert held
        here = [pack for pack in held if places[pack.id].kind != "shipped"]
        assert here
        late = session.scalars(select(Move).where(Move.kind == "shipped", Move.e > bonder.e)).all()
        assert late
        assert not {move.item for move in late} & {pack.id for pack in held}
        refused = session.scalars(select(Entry).where(Entry.action == "ship", Entry.outcome == "refused")).all()
        assert [entry.arguments["refused"]["reasons"][0]["kind"] for entry in refused] == ["held"] * len(refused)


def test_the_end_finds_the_factory_at_work(demo: tuple[House, Truth]) -> None:
    house, _ = demo
    with house.reading() as session:
        ended = session.scalar(select(func.max(Entry.happened_at)))
        now = board(session, Remembered(), ended)
    lots = [lot for row in now.rows for lot in row.lots]
    assert {"at risk", "waiting", "held"} <= {lot.state for lot in lots}
    assert [lot for lot in lots if lot.where.startswith("runs at Bonder")]
    assert {"running", "being filled"} <= {oven.state for oven in now.ovens}
    assert {one.state for row in now.stations for one in row.away} == {"scheduled_down", "unscheduled_down", "engineering", "non_scheduled"}
    assert [window for window in now.windows if window.left > timedelta()]
    assert now.yesterday.truth > 0


def test_what_is_weighed_at_the_sieve_and_after_drying_agrees_within_counting(demo: tuple[House, Truth]) -> None:
    house, _ = demo
    with house.reading() as session:
        weighed = select(CountEntry.within, Run.operation).join(Run, Run.id == CountEntry.run).where(CountEntry.kind == "counted")
        found = [tuple(row) for row in session.execute(weighed)]
    assert {operation for _, operation in found} == {"singulate", "outside work", "clean"}
    assert all(within for within, _ in found)


def test_entries_stand_in_the_order_of_time_but_for_what_was_told_late(demo: tuple[House, Truth]) -> None:
    house, _ = demo
    with house.reading() as session:
        told = select(Entry.happened_at).where(Entry.fact.is_(False), Entry.source == "person").order_by(Entry.id)
        times = list(session.scalars(told))
    assert len(times) > 300
    assert times == sorted(times)


def test_the_truth_is_kept_beside_the_database(demo: tuple[House, Truth]) -> None:
    house, truth = demo
    assert (house.settings.data_dir / FILE).exists()
    kept, pack = load_demo(house), truth.packs[-1]
    assert kept.runs_of(pack) == truth.runs_of(pack)
    assert kept.wafers_of(pack) == truth.wafers_of(pack)
    assert kept.faults == truth.faults


@pytest.mark.only_on("sqlite")
def test_the_command_says_that_it_is_built_and_traces(demo: tuple[House, Truth]) -> None:
    house, _ = demo
    said = CliRunner().invoke(shell, ["demo", "--no-serve", "--data", str(house.settings.data_dir)])
    assert said.exit_code == 0, said.output
    assert "built already" in said.output
    assert "Back from pack" in said.output
    assert all(one.password in said.output for one in sign_ins(house))
    with house.reading() as session:
        assert session.scalar(select(func.count()).select_from(GivenSecret)) == 0, "a visitor goes straight in"


@pytest.mark.only_on("sqlite")
def test_a_build_that_was_cut_short_is_built_anew_and_an_installation_in_use_is_left_alone(house: House) -> None:
    def cut_short(words: str) -> None:
        if "movements" in words:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        build(house, cut_short, lots=2)
    with pytest.raises(Refused, match="was not built"):
        build(house, lambda _: None, lots=2)
    folder = house.settings.data_dir
    house.dispose()
    assert clear_half_built(house.settings)
    assert not list(folder.iterdir())
    (folder / "reelroot.db").touch()
    assert not clear_half_built(house.settings)
    assert (folder / "reelroot.db").exists()


def panels_of(truth: Truth, pack: str) -> set[str]:
    return {truth.panels.codes[n] for n in np.unique(truth.units_in(pack) // 400).tolist()}


def green_wafers(truth: Truth) -> list[str]:
    return [truth.wafers.codes[n] for n in np.unique(truth.wafer[2]).tolist() if n >= 0]


def expected_in_packs(house: House, truth: Truth, wafer: str) -> Iterator[tuple[int, float, float, float]]:
    """Of each pack: how many dies of the wafer it truly has; expected evenly, and by colour with its deviation."""
    with house.reading() as session:
        for row in exposure(session, [Suspect(resolve(session, wafer, "wafer"))], house=house).packs:
            if row.exposed.by_colour is not None and row.exposed.past_bin:
                true = int((truth.wafer[2, truth.units_in(row.code)] == truth.wafers.number[wafer]).sum())
                yield true, row.exposed.expected, row.exposed.by_colour, row.exposed.by_colour_sd


def frames_of(truth: Truth, pack: str) -> set[str]:
    """Frame batches are never on a station: their panels say which they are."""
    return {truth.frames[panel] for panel in panels_of(truth, pack)}


def test_the_demo_makes_its_data_folder(house: House, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """With PostgreSQL nothing has made it yet."""
    begun: list[bool] = []
    monkeypatch.setattr("seed_demo.build._days", lambda there, *_: begun.append((there.data_dir / BEGUN).exists()) or sys.exit())
    house.data_dir = house.settings.data_dir = tmp_path / "new" / "data"
    with pytest.raises(SystemExit):
        build(house, print)
    assert begun == [True]

"""The oracle itself: small cases with the answer written out, and random histories against each other's accounts."""

from collections.abc import Callable
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings

from tests.oracle import answers, things
from tests.oracle.actions import ChangeOver, FillPack, Group, History, ImportPlacements, MergeLoose, Setting, StepSpec
from tests.oracle.answers import ancestry, of_kind
from tests.oracle.factory import Factory
from tests.oracle.histories import histories, random_factory, random_history
from tests.oracle.player import Profile
from tests.oracle.state import Unlawful
from tests.oracle.stops import station_stops

SETTING = Setting(
    rows=1, columns=4, roles=("red",), bins=(("A", "prime"),), shelves=("1",), pack_size=20, judged_logs=False, off_tape="tape",
    route=(
        StepSpec("attach", "die attach", "red", ("adhesive",)), StepSpec("cure", "cure"), StepSpec("bond", "wire bond", None, ("wire",)),
        StepSpec("singulate", "singulate"), StepSpec("clean", "clean"), StepSpec("test", "test"),
        StepSpec("tape", "tape", None, ("carrier tape",)), StepSpec("dry", "dry pack", None, ("bag",)),
    ),
    stations=(("attach-1", "die attach"), ("cure-1", "cure"), ("bond-1", "wire bond"), ("singulate-1", "singulate"), ("tape-1", "tape")),
)  # fmt: skip


class Line:
    """The small factory of the written cases: one material of each kind, and whole steps in one call."""

    def __init__(self, seed: int = 0) -> None:
        self.f = Factory(SETTING, seed)
        self.frame, self.adhesive, self.wire, self.tape = (self.f.receive_batch(k) for k in ("lead frame", "adhesive", "wire", "carrier tape"))
        self.wafer = self.f.receive_wafer("red")

    def lot(self, panels: int = 1) -> str:
        return self.f.start_lot(self.f.receive_panels(panels, self.frame))

    def start(self, step: str, lot: str, *uses: str, panels: tuple[str, ...] = ()) -> str:
        names = panels or tuple(panel.name for panel in self.f.panels_of(lot))
        return self.f.start_run(f"{step}-1", [Group(step, lot, names)], uses)

    def attach(self, lot: str, wafer: str = "") -> str:
        run = self.start("attach", lot, self.adhesive, wafer or self.wafer)
        self.f.finish_run(run)
        return run

    def cure(self, lot: str) -> str:
        run = self.start("cure", lot)
        self.f.finish_run(run)
        return run

    def bond(self, lot: str) -> str:
        run = self.start("bond", lot, self.wire)
        self.f.finish_run(run)
        return run

    def cells_done(self, panels: int = 1) -> str:
        """A lot that has done all its steps in cells but the singulation."""
        lot = self.lot(panels)
        self.attach(lot)
        self.cure(lot)
        self.bond(lot)
        return lot

    def singulate(self, lot: str) -> str:
        return self.f.singulate(self.start("singulate", lot))

    def clean(self, loose: str) -> str:
        """The loose lot that was cleaned: the same, or the one that went on."""
        run = self.f.start_run("clean-1", [Group("clean", loose=loose)], [])
        self.f.finish_run(run)
        return self.f.runs[run].lines[0].thing or ""

    def test(self, loose: str, stay: int = 0) -> str:
        run = self.f.start_run("test-1", [Group("test", loose=loose)], [])
        return self.f.take_bins_out(run, stay)["A"]

    def tested(self, panels: int = 1) -> str:
        """A loose lot of bin A from a lot of its own."""
        return self.test(self.clean(self.singulate(self.cells_done(panels))))

    def fill(self, *parts: tuple[str, int]) -> str:
        return self.f.fill_pack("tape-1", parts, [self.tape])


@pytest.fixture
def line() -> Line:
    return Line()


def _packed(line: Line, lot: str) -> str:
    loose = line.test(line.clean(line.singulate(lot)))
    return line.fill((loose, line.f.loose[loose].n))


def test_after_a_change_over_of_which_nothing_was_said_both_sides_are_possible_and_neither_is_certain(line: Line) -> None:
    lot, other = line.lot(2), line.f.receive_batch("wire")
    line.attach(lot)
    line.cure(lot)
    run = line.start("bond", lot, line.wire)
    line.f.change_over(run, line.wire, other)
    line.f.finish_run(run)
    pack = _packed(line, lot)
    assert {line.wire, other, "line:3", "line:4", run} <= line.f.possible(pack)
    assert run in line.f.must(pack) and not {line.wire, other, "line:3", "line:4"} & line.f.must(pack)
    assert line.f.bounds([pack], line.wire) == (0, 8)


def test_what_was_said_of_a_change_over_is_exact_but_for_the_panel_in_work(line: Line) -> None:
    lot, other = line.lot(3), line.f.receive_batch("wire")
    line.attach(lot)
    line.cure(lot)
    run = line.start("bond", lot, line.wire)
    line.f.change_over(run, line.wire, other, done=["panel:1"], in_work=["panel:2"])
    line.f.finish_run(run)
    assert of_kind(line.f.possible("panel:1"), "line") >= {"line:3"} and "line:4" not in line.f.possible("panel:1")
    assert {"line:3", "line:4"} <= line.f.possible("panel:2")
    assert "line:3" not in line.f.possible("panel:3") and other in line.f.must("panel:3") and line.wire not in line.f.possible("panel:3")
    pack = _packed(line, lot)
    assert line.f.bounds([pack], line.wire) == (4, 8) and line.f.bounds([pack], other) == (4, 8)


def test_a_panel_in_work_at_an_interruption_is_on_either_run_and_a_sample_of_it_has_only_the_first(line: Line) -> None:
    lot = line.lot(2)
    first = line.start("attach", lot, line.adhesive, line.wafer)
    line.f.interrupt_run(first, done=[], in_work=["panel:1"])
    sample = line.f.sample_cells("panel:1", [(1, 1)])
    second = line.attach(lot)
    assert first in line.f.possible(sample) and second not in line.f.possible(sample) and first not in line.f.must(sample)
    assert {first, second} <= line.f.possible("panel:1") and not {first, second} & line.f.must("panel:1")
    assert first not in line.f.possible("panel:2") and second in line.f.must("panel:2")


def _changed_in_mid_panel() -> tuple[Line, str, str, str]:
    """A panel of which chance gave some cells to each of two wafers; its lot, and the wafers."""
    for seed in range(50):
        line = Line(seed)
        lot, other = line.lot(1), line.f.receive_wafer("red")
        run = line.start("attach", lot, line.adhesive, line.wafer)
        line.f.change_over(run, line.wafer, other, done=[], in_work=["panel:1"])
        line.f.finish_run(run)
        if line.f.wafers[line.wafer].used and line.f.wafers[other].used:
            return line, lot, run, other
    raise AssertionError("chance never split a panel")


def test_a_wafer_whose_only_dies_sit_on_marked_cells_is_no_origin_once_the_log_has_come() -> None:
    line, lot, run, other = _changed_in_mid_panel()
    cells = [unit.cell for unit in line.f.wafers[line.wafer].used.values()]
    line.f.mark_cells("panel:1", cells)
    line.cure(lot)
    line.bond(lot)
    loose = line.singulate(lot)
    assert of_kind(line.f.possible(loose), "wafer") == {line.wafer, other}, "before the log, both were mounted"
    line.f.import_placements(run)
    assert of_kind(line.f.possible(loose), "wafer") == {other} and other in line.f.must(loose)


def test_a_log_says_exactly_which_wafer_a_sampled_cell_has() -> None:
    line, _, run, other = _changed_in_mid_panel()
    line.f.import_placements(run)
    for cell, unit in line.f.panels["panel:1"].units.items():
        wafer = line.wafer if unit in line.f.wafers[line.wafer].used.values() else other
        sample = line.f.sample_cells("panel:1", [cell])
        assert of_kind(line.f.possible(sample), "wafer") == {wafer} == of_kind(line.f.must(sample), "wafer")


def test_a_sample_has_its_panels_runs_up_to_then(line: Line) -> None:
    lot = line.lot(1)
    attach = line.attach(lot)
    sample = line.f.sample_cells("panel:1", [(1, 2)])
    cure = line.cure(lot)
    assert attach in line.f.must(sample) and cure not in line.f.possible(sample) and cure in line.f.must("panel:1")


def test_a_sample_of_a_loose_lot_has_nothing_that_came_after_it(line: Line) -> None:
    a, b = line.singulate(line.cells_done()), line.singulate(line.cells_done())
    sample = line.f.sample_units(a, 1)
    assert line.f.merge_loose(a, [b]) == a, "a sample is no outflow"
    assert line.clean(a) == a, "it had given nothing out"
    cleaning = max(line.f.runs.values(), key=lambda run: run.started)
    assert {"panel:2", cleaning.name} <= line.f.must(a)
    assert of_kind(line.f.possible(sample), "panel") == {"panel:1"} and cleaning.name not in line.f.possible(sample)


def test_a_loose_lot_that_takes_in_after_it_gave_out_goes_on_as_a_new_one(line: Line) -> None:
    a, b = line.tested(), line.tested()
    early = line.fill((a, 2))
    new = line.f.merge_loose(a, [b])
    late = line.fill((new, 6))
    assert new not in (a, b) and line.f.loose[a].n == 0
    assert of_kind(line.f.possible(early), "panel") == {"panel:1"}
    assert of_kind(line.f.possible(late), "panel") == {"panel:1", "panel:2"}
    assert {a, b, new} <= line.f.must(late) and line.f.bounds([late], "panel:1") == (2, 2)


def test_a_loose_lot_that_was_worked_on_and_takes_in_goes_on_as_a_new_one_in_the_same_jar(line: Line) -> None:
    a, b = line.singulate(line.cells_done()), line.singulate(line.cells_done())
    line.f.put_in_container("container:1", loose=a)
    line.clean(a)
    new = line.f.merge_loose(a, [line.clean(b)])
    assert new != a and line.f.containers["container:1"] == (new,)


def test_a_run_over_a_loose_lot_that_gave_out_is_over_what_is_left_only(line: Line) -> None:
    a = line.singulate(line.cells_done(2))
    part = line.f.split_loose(a, 3)
    rest = line.clean(a)
    assert rest != a and not line.f.loose[a].n
    run = line.f.lines[f"line:{len(line.f.lines)}"].run.name
    assert run in line.f.must(rest) and run not in line.f.possible(part)


def test_what_stays_in_the_machine_was_in_that_run_and_joins_the_next_lot_before_its_own(line: Line) -> None:
    a, b = line.clean(line.singulate(line.cells_done(2))), line.clean(line.singulate(line.cells_done()))
    first = line.test(a, stay=1)
    into = line.f.merge_loose(b, [a], leftover=True)
    second = line.test(into)
    assert into != b, "it had been cleaned"
    assert {"panel:1", "panel:2"} <= line.f.possible(second) and line.f.bounds([second], "lot:1") == (1, 1)
    assert "lot:2" not in line.f.possible(first)


def test_must_follows_from_the_counts(line: Line) -> None:
    loose = line.tested(2)
    packs = line.fill((loose, 5)), line.fill((loose, 3))
    assert line.f.bounds([packs[0]], "panel:1") == (1, 4) and "panel:1" in line.f.must(packs[0])
    assert line.f.bounds([packs[1]], "panel:1") == (0, 3) and "panel:1" not in line.f.must(packs[1])
    assert line.f.bounds(packs, "panel:1") == (4, 4), "both packs together hold all"


def test_units_scrapped_where_nobody_knows_the_cells_leave_a_choice() -> None:
    line, lot, run, _ = _changed_in_mid_panel()
    line.f.import_placements(run)
    line.f.scrap_units("panel:1", 1)
    line.cure(lot)
    line.bond(lot)
    loose = line.singulate(lot)
    dies = len(line.f.wafers[line.wafer].used)
    assert line.f.loose[loose].n == 3 and line.f.bounds([loose], line.wafer) == (dies - 1, min(dies, 3))


def test_an_aborted_cure_touched_its_panels_and_a_voided_run_did_not(line: Line) -> None:
    lot = line.lot(1)
    line.attach(lot)
    aborted = line.start("cure", lot)
    line.f.abort_run(aborted)
    voided = line.cure(lot)
    line.f.void_run(voided)
    again = line.cure(lot)
    assert {aborted, again} <= line.f.must("panel:1") and voided not in line.f.possible("panel:1")


def test_a_mixed_batch_and_what_it_was_mixed_from_are_origins(line: Line) -> None:
    old, other = line.adhesive, line.f.receive_batch("adhesive")
    line.adhesive = line.f.mix_batches([old, other])
    line.attach(line.lot())
    assert {old, other, line.adhesive, line.frame} <= line.f.must("panel:1")


def _two_fills(line: Line) -> tuple[str, str]:
    """A pack of pockets 1 to 3 of one loose lot and 4 to 6 of another; and a piece of its outer three."""
    a, b = line.tested(), line.tested()
    pack = line.fill((a, 3), (b, 3))
    return pack, line.f.cut_pack(pack, 3)


def test_a_cut_piece_holds_only_the_fills_of_its_pockets(line: Line) -> None:
    pack, piece = _two_fills(line)
    assert of_kind(line.f.possible(pack), "panel") == {"panel:1"} == of_kind(line.f.must(pack), "panel")
    assert of_kind(line.f.possible(piece), "panel") == {"panel:2"} and pack in line.f.must(piece)


def test_a_cut_piece_with_nothing_of_the_held_fill_is_free(line: Line) -> None:
    pack, piece = _two_fills(line)
    hold = line.f.place_hold("panel:1")
    assert line.f.stopped(pack).surely == {hold} and line.f.stopped(piece).surely == line.f.stopped(piece).arguably == frozenset()


def test_a_hold_on_a_pack_means_also_what_had_left_it(line: Line) -> None:
    pack, piece = _two_fills(line)
    hold = line.f.place_hold(pack)
    assert line.f.stopped(piece).surely == {hold}


def test_re_reeling_turns_the_order_round_and_twice_restores_it(line: Line) -> None:
    a, b = line.tested(), line.tested()
    pack = line.fill((a, 3), (b, 3))
    once = line.f.re_reel(pack)
    outer = line.f.cut_pack(once, 2)
    twice = line.f.re_reel(once)
    assert of_kind(line.f.possible(outer), "panel") == {"panel:1"}
    assert of_kind(line.f.possible(line.f.cut_pack(twice, 3)), "panel") == {"panel:2"}
    assert line.f.packs[pack].slots == []


def test_what_comes_back_in_part_is_the_hub_side_as_a_new_pack_and_dry_packing_the_rest_of_a_cut_pack_makes_one_too(line: Line) -> None:
    pack, piece = _two_fills(line)
    sealed = line.f.dry_pack("dry-1", pack)
    line.f.ship([sealed, piece], "customer:1")
    back = line.f.take_back(sealed, 1)
    assert sealed not in (pack, piece) and back != sealed
    assert line.f.forward("panel:1") == {"loose:2": "floor", sealed: "customer:1", back: "returned"}
    run = line.f.lines[f"line:{len(line.f.lines)}"].run
    assert run.operation == "dry pack" and run.name in line.f.must(back) and run.name not in line.f.possible(piece)


def test_joined_pockets_that_come_off_the_tape_mix(line: Line) -> None:
    a, b = line.tested(), line.tested()
    joined = line.f.join_packs([line.fill((a, 2)), line.fill((b, 2))])
    exact = line.f.take_off_tape(joined, 1, 1)
    mixed = line.f.take_off_tape(joined, 1, 2)
    again = line.fill((mixed, 1))
    assert of_kind(line.f.possible(exact), "panel") == {"panel:1"}
    assert of_kind(line.f.possible(again), "panel") == {"panel:1", "panel:2"} and not of_kind(line.f.must(again), "panel")


def test_a_release_of_a_loose_lot_means_what_is_in_it_then_and_not_what_left_before(line: Line) -> None:
    loose = line.tested(2)
    early = line.fill((loose, 3))
    hold = line.f.place_hold(line.wafer)
    line.f.release_hold(hold, [loose])
    late = line.fill((loose, 3))
    assert line.f.stopped(early).surely == {hold}
    assert not line.f.stopped(late).surely | line.f.stopped(late).arguably | line.f.stopped(loose).surely


def test_a_hold_on_a_loose_lot_means_what_left_before_and_one_on_its_jar_does_not(line: Line) -> None:
    loose = line.tested(2)
    line.f.put_in_container("container:1", loose=loose)
    early = line.fill((loose, 3))
    of_the_jar = line.f.place_hold("container:1")
    late = line.fill((loose, 3))
    of_the_lot = line.f.place_hold(loose)
    assert line.f.stopped(early).surely == {of_the_lot} and line.f.stopped(late).surely == {of_the_jar, of_the_lot}


def test_a_hold_on_a_panel_lot_goes_with_its_panels_wherever_they_go(line: Line) -> None:
    lot = line.cells_done(3)
    hold = line.f.place_hold(lot)
    part = line.f.split_lot(lot, ["panel:3"])
    line.f.release_hold(hold, ["panel:1"])
    assert line.f.stopped(part).surely == {hold} and not line.f.stopped("panel:1").surely
    line.f.release_hold(hold, [part])
    assert not line.f.stopped(part).surely and line.f.stopped(lot).surely == {hold}, "panel:2 is still in it"
    line.f.release_hold(hold)
    assert not line.f.stopped(lot).surely


def test_a_hold_on_a_panel_lot_means_what_is_in_it_then_and_one_on_a_panel_all_that_ever_came_of_it(line: Line) -> None:
    lot = line.lot(1)
    before = line.f.sample_cells("panel:1", [(1, 1)])
    of_the_lot = line.f.place_hold(lot)
    after = line.f.sample_cells("panel:1", [(1, 2)])
    of_the_panel = line.f.place_hold("panel:1")
    assert line.f.stopped(before).surely == {of_the_panel} and line.f.stopped(after).surely == {of_the_lot, of_the_panel}


def test_a_hold_passes_through_what_was_not_released_when_units_mixed(line: Line) -> None:
    lot = line.cells_done(2)
    hold = line.f.place_hold(line.wire)
    line.f.release_hold(hold, ["panel:1"])
    loose = line.singulate(lot)
    assert line.f.stopped(loose).surely == {hold}
    other = line.f.place_hold(line.adhesive)
    line.f.release_hold(other, [loose])
    assert line.f.stopped(loose).surely == {hold}


def test_what_touches_a_panel_again_after_its_release_is_arguable_and_what_touched_it_before_is_not(line: Line) -> None:
    lot = line.lot(2)
    line.attach(lot)
    hold = line.f.place_hold("station:cure-1", (0.5, None))
    line.f.abort_run(line.start("cure", lot))
    line.f.release_hold(hold, ["panel:1"])
    free, stopped = line.f.stopped("panel:1"), line.f.stopped("panel:2")
    assert free.surely == free.arguably == frozenset() and stopped.surely == {hold}
    line.cure(lot)
    again = line.f.stopped("panel:1")
    assert again.arguably == {hold} and not again.surely


def test_a_span_of_a_station_holds_the_lines_that_were_open_in_it(line: Line) -> None:
    first, second = line.lot(), line.lot()
    line.attach(first)
    begin = line.f.now + 0.5
    line.attach(second)
    hold = line.f.place_hold("station:attach-1", (begin, begin + 1))
    assert line.f.stopped(second).surely == {hold} and not line.f.stopped(first).surely
    assert not station_stops(line.f, "attach-1") and not station_stops(line.f, "cure-1")
    whole = line.f.place_hold("station:cure-1")
    assert station_stops(line.f, "cure-1") == {whole} and whole not in line.f.stopped(second).surely, "it only starts nothing"


def test_a_mixed_batch_is_held_with_what_it_was_mixed_from(line: Line) -> None:
    old = line.adhesive
    line.adhesive = line.f.mix_batches([old, line.f.receive_batch("adhesive")])
    hold = line.f.place_hold(old)
    line.attach(line.lot())
    assert line.f.stopped(line.adhesive).surely == line.f.stopped("panel:1").surely == {hold}
    line.f.release_hold(hold, [line.adhesive])
    assert not line.f.stopped(line.adhesive).surely and line.f.stopped(old).surely == {hold}
    assert line.f.stopped("panel:1").arguably == {hold}, "it was used before it was released"


def test_lots_in_a_pack_are_those_that_held_the_panels_last_and_its_lots_all_that_ever_did(line: Line) -> None:
    lot, other = line.cells_done(2), line.cells_done(1)
    part = line.f.split_lot(lot, ["panel:2"])
    line.f.merge_lots(other, [part])
    pack = _packed(line, other)
    assert of_kind(line.f.possible(pack), "lot") == {lot, part, other}
    assert answers.singulated_lots(line.f, pack) == {other}


@pytest.mark.parametrize(
    "unlawful",
    [
        lambda line: line.f.fill_pack("tape-1", [(line.singulate(line.cells_done()), 1)]),
        lambda line: line.start("bond", line.lot()),
        lambda line: line.f.split_lot(line.lot(1), ["panel:1"]),
        lambda line: line.f.merge_lots(line.lot(), [line.cells_done()]),
        lambda line: line.f.merge_loose(line.tested(), [line.singulate(line.cells_done())]),
        lambda line: line.f.cut_pack(line.fill((line.tested(), 4)), 4),
    ],
)
def test_what_is_not_lawful_is_not_done(line: Line, unlawful: Callable[[Line], object]) -> None:
    with pytest.raises(Unlawful):
        unlawful(line)


def test_a_planted_loss_is_found(line: Line) -> None:
    loose = line.tested()
    assert answers.faults(line.f) == []
    line.f.loose[loose].units.pop()
    assert answers.faults(line.f) == [f"{loose} has 3 units, the record says 4"]
    line.f.loose[loose].out += 1
    assert len(answers.faults(line.f)) == 2


def _agrees(factory: Factory) -> None:
    """The three accounts of every thing that holds units now."""
    assert answers.faults(factory) == []
    for thing in answers.holders(factory):
        truth, possible, must = factory.truth(thing), factory.possible(thing), factory.must(thing)
        assert truth <= possible, f"{sorted(truth - possible)} is in {thing}, and was said to be impossible"
        assert must <= truth, f"{sorted(must - truth)} must be in {thing}, and is not"


@pytest.mark.parametrize("first", range(0, 300, 30))
def test_chance_puts_in_a_thing_what_is_possible_and_all_that_must_be(first: int) -> None:
    for seed in range(first, first + 30):
        _agrees(random_factory(seed))


@pytest.mark.parametrize("seed", range(40))
def test_a_hold_of_which_nothing_is_released_stops_all_that_comes_of_its_subject_and_nothing_else(seed: int) -> None:
    """A second account of stopped: the holders of units that trace back to the subject."""
    factory = random_factory(seed, Profile(holds=0))
    runs = [name for name, run in factory.runs.items() if not run.void]
    subjects = [*factory.wafers, *factory.batches, *factory.panels, *factory.loose, *factory.packs, *runs]
    for subject in Random(seed).sample(subjects, 6):
        comes_of_it = set(factory.forward(subject)) | {subject}
        hold = factory.place_hold(subject)
        stopped = {thing for thing in answers.holders(factory) if hold in factory.stopped(thing).surely}
        assert stopped == comes_of_it & set(answers.holders(factory)), subject
        assert not any(factory.stopped(thing).arguably for thing in answers.holders(factory))
        factory.release_hold(hold)
        assert not any(factory.stopped(thing).surely for thing in answers.holders(factory))


@given(history=histories())
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
def test_a_drawn_history_can_be_done_again_with_the_same_outcome(history: History) -> None:
    factory = Factory.replay(history)
    assert factory.history() == history
    assert answers.faults(factory) == []
    for pack in factory.packs:
        assert factory.truth(pack) <= factory.possible(pack)


def test_histories_reach_packs_and_everything_that_may_happen() -> None:
    found = [random_history(seed) for seed in range(150)]
    kinds = {type(action).__name__ for history in found for action in history.actions}
    said = {(action.done is None, action.in_work is None) for history in found for action in history.actions if isinstance(action, ChangeOver)}
    assert len(kinds) == 38 and len(said) == 4
    assert sum(any(isinstance(action, FillPack) for action in history.actions) for history in found) > 120
    assert any(action.result != action.into for history in found for action in history.actions if isinstance(action, MergeLoose))
    assert any(action.bad for history in found for action in history.actions if isinstance(action, ImportPlacements))


@pytest.mark.parametrize("seed", range(40))
def test_however_units_mix_the_numbers_stay_inside_the_bounds_and_what_is_possible_comes_about(seed: int) -> None:
    """A second account of possible and must: deal the units anew, many times, as the declarations allow."""
    factory = random_factory(seed)
    packs = [pack for pack in factory.packs if factory.packs[pack].slots][:2]
    for pack in packs:
        network = answers.Bounds(factory, [pack])
        possible, chance, seen = factory.possible(pack), Random(seed), set[str]()
        for _ in range(25):
            dealt = _deal(factory, pack, chance)
            for origin in possible:
                least, greatest = network.of(origin)
                assert least <= sum(origin in unit for unit in dealt) <= greatest, (origin, pack)
            seen |= frozenset().union(*dealt)
        assert seen - {pack} <= possible


def test_the_bounds_of_a_small_case_are_reached(line: Line) -> None:
    loose = line.f.merge_loose(line.tested(), [line.f.split_loose(line.tested(), 2)])
    pack = line.fill((loose, 3))
    counted = {sum("panel:2" in unit for unit in _deal(line.f, pack, Random(seed))) for seed in range(200)}
    assert (min(counted), max(counted)) == line.f.bounds([pack], "panel:2") == (0, 2)


def _deal(factory: Factory, pack: str, chance: Random) -> list[set[str]]:
    """One way in which the units of a pack can have come about: what each of them comes from."""
    targets = answers.sources_of(factory, pack)
    sources = ancestry(targets)
    out: dict[int, list[set[str]]] = {}
    waiting = sorted(sources, key=_when)
    while waiting:
        source = waiting.pop(0)
        if any(id(before) not in out for before, _ in answers.inputs_of(source)):
            waiting.append(source)
            continue
        out[id(source)] = _dealt_into(factory, source, out, chance)
    return [unit for target in targets for unit in out[id(target)]]


def _when(source: answers.Source) -> float:
    return source.born if isinstance(source, things.Node) else 0


def _dealt_into(factory: Factory, source: answers.Source, out: dict[int, list[set[str]]], chance: Random) -> list[set[str]]:
    if isinstance(source, things.Exit):
        return [_one_way(factory, unit, source, chance) for unit in chance.sample(source.cells, source.n)]
    units: list[set[str]] = []
    for before, n in source.inputs:
        chance.shuffle(out[id(before)])
        units += [set(out[id(before)].pop()) for _ in range(n)]
    return [unit | answers.possible_of_source(factory, source) for unit in units]


def _one_way(factory: Factory, unit: things.Unit, exit_: things.Exit, chance: Random) -> set[str]:
    """A line for each work, a wafer for each role: one of those it can have been."""
    found = {unit.panel.name, *exit_.lots, *factory.with_parents(unit.panel.frame)}
    for _, lines, perhaps_none in exit_.works:
        choices = [*lines, *([None] if perhaps_none else [])]
        line = chance.choice(choices)
        found |= answers.origins_of_line(factory, line) if line else set()
    for wafers, surely in answers.wafers_of_unit(factory, unit, exit_):
        found |= {chance.choice(sorted(surely or wafers))} if wafers else set()
    return found

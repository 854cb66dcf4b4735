"""Placement logs on the record: which facts they add, what follows for lots and judgements, and how a correction takes them back."""

import io
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from fastapi.testclient import TestClient
from small_factory import STEPS, SYSTEM, Factory, named_lot, named_pack
from sqlalchemy import select

from app.catalogue.definitions import Part, Route
from app.db import House
from app.errors import BadInput, Refused
from app.evidence.models import Evidence
from app.final_test.bins_out import take_bins_out
from app.final_test.singulate import singulate
from app.floor.change_overs import change_over
from app.floor.counting import correct_count
from app.floor.dispositions import dispose
from app.floor.ends import Said, interrupt_run
from app.floor.marking import mark_cells, take_back_marks
from app.floor.marks import good_units
from app.floor.placements import ROLE_WRONG, import_placements, read_log
from app.floor.samples import sample_cells
from app.floor.scrap import scrap_units
from app.floor.voids import void_run
from app.floor.wafer_account import cell_story, die_story, panel_story, wafer_account
from app.floor.wrong_dies import WrongDies
from app.genealogy.origins import origins
from app.genealogy.reach import reach
from app.holds.place import place_hold
from app.holds.stopped import stops_on
from app.journal.act import act
from app.ledger.cells import LostDie, Placement
from app.ledger.judgements import Judgement
from app.ledger.runs import Line, Run
from app.ledger.sets import set_of
from app.ledger.stops import Hold
from app.main import make_app
from app.migrate import downgrade, upgrade
from app.naming.resolve import Named, code_of, give_code
from app.packing.fill import Part as PackPart
from app.packing.fill import fill_pack
from app.people.tokens import make_token
from app.receiving.panels import receive_panels
from tests.crossing import crossing
from tests.floor.placing import BAD, HEAD, attached, found_by_check, good_dies, log_of, marks, onto, plain_map, send, verdicts, wafer


@pytest.fixture
def factory(house: House) -> Factory:
    steps = (STEPS[0].model_copy(update={"judged": "placements", "wrong_placements_limit": 0.05}), *STEPS[2:])
    return Factory(house).load(("part", Part(number="WB", kind="wafer", role="blue")), ("route", Route(product="P1", revision="B", steps=steps)))


def wafers_of(factory: Factory, item: int) -> dict[int, set[int]]:
    with factory.house.reading() as session:
        return origins(session, [item]).wafers


def shares_of(factory: Factory, item: int, *wafers: Named) -> list[tuple[int, int]]:
    """Least and most units of each wafer in an item."""
    with factory.house.reading() as session:
        found = origins(session, [item])
        return [(share.least, share.greatest) for share in (found.share("wafer", one.id) for one in wafers)]


def forward(factory: Factory, wafer: Named, item: int) -> tuple[int, int] | None:
    """Least and most units of a wafer in a panel or sample, by its trace forward."""
    with factory.house.reading() as session:
        found = reach(session, wafer)
        share = (found.panels | found.loose).get(item)
        return (share.least, share.greatest) if share else None


def mark(factory: Factory, panel: Named, cells: list[tuple[int, int]]) -> None:
    factory.do("mark_cells", lambda s, by: mark_cells(s, by, panel.id, cells, "scratched"))


def sample(factory: Factory, panel: Named, cells: list[tuple[int, int]]) -> int:
    return factory.do("take_sample", lambda s, by: sample_cells(s, by, panel.id, cells, "pull test", kept=True).item)


def test_a_clean_log_conforms_and_leads_both_ways(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(2)
    lot, run = attached(factory, panels, one)
    lines = onto(one, panels[0], good_dies(20)) + onto("A-1", panels[1], good_dies(20, 20))  # by code, and by the supplier's number
    done = send(factory, log_of(lines, [(one.code, 9, 9)]))
    assert (done.placed, done.lost, done.wrong, done.holds, done.outside) == (40, 1, 0, [], 0)
    assert verdicts(factory) == ["conforms"] and marks(factory) == {}
    with factory.house.reading() as session:
        account = wafer_account(session, one)
        assert (account.gross, account.count.passing, account.count.placed, account.count.lost, account.count.left) == (100, 97, 40, 1, 56)
        assert {(went.panel, went.dies) for went in account.went_to} == {(panels[0].code, 20), (panels[1].code, 20)}
        story = die_story(session, one, 1, 0)
        assert [(at.panel, at.row, at.column) for at in story.cells] == [(panels[0].code, 1, 2)] and story.state == "placed"
        assert die_story(session, one, 9, 9).state == "lost"
        on = cell_story(session, panels[0], 1, 2).dies[0]
        assert (on.wafer, on.x, on.y, on.role, on.run) == (one.code, 1, 0, "red", code_of(session, "run", run))
        assert panel_story(session, panels[0]).lot == lot.code
    assert found_by_check(factory) == []


def test_cumulative_files_and_repeated_lines_are_the_same_facts(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(2)
    attached(factory, panels, one)
    first, second = onto(one, panels[0], good_dies(20)), onto(one, panels[1], good_dies(20, 20))
    lost = [(one.code, 9, 9), (one.code, 40, 40)]  # one of them is beyond the map
    a = send(factory, log_of(first + first, lost))
    assert (a.placed, a.repeated, a.lost) == (20, 20, 2) and verdicts(factory) == []  # the other panel has no log yet
    b = send(factory, log_of(first + second, lost))
    assert (b.placed, b.repeated, b.lost, b.wrong) == (20, 22, 0, 0) and verdicts(factory) == ["conforms"]
    c = send(factory, log_of(first + second, lost))
    assert (c.placed, c.repeated, c.judgements) == (0, 42, [])
    with factory.house.reading() as session:
        assert sum(session.scalars(select(Placement.n))) == 40


def test_what_broke_a_rule_is_recorded_marked_and_held(factory: Factory) -> None:
    one, blue, panels = wafer(factory, "A-1"), wafer(factory, "B-1", "WB"), factory.panels(2)
    lot, _ = attached(factory, panels, one)
    lines = onto(one, panels[0], [*good_dies(16), (3, 0), (0, 0), (50, 50)])  # a failing die, one used before, one beyond the map
    lines += onto(one, panels[0], good_dies(1, 30))  # onto the first cell again
    lines += onto(blue, panels[0], good_dies(1), first=19)
    lines += [*onto(one, panels[1], good_dies(20, 40)), (one.code, 9, 9, panels[1].code, 9, 9)]
    done = send(factory, log_of(lines))
    assert marks(factory) == {"die failed": 1, "die used before": 1, "die not on the map": 1, "cell filled twice": 1, ROLE_WRONG: 1}
    assert done.wrong == 6 and done.faults["die failed"] == "18" and done.faults["cell not on the panel"] == "43"
    assert len(done.holds) == 1 and verdicts(factory) == ["does_not_conform"]
    with factory.house.reading() as session:
        hold = session.scalars(select(Hold)).one()
        assert hold.lot == lot.id and "6 of 42 placements are wrong" in hold.reason
        assert [on.x for on in cell_story(session, panels[0], 1, 1).dies] == [0, good_dies(1, 30)[0][0]]
        account = wafer_account(session, one)
        assert account.wrong == WrongDies(failing=1, not_on_map=1, again=1)
        assert account.count.passing == account.count.placed + account.count.lost + account.count.left
        assert good_units(session, [panels[0].id]) == {panels[0].id: 15}
    with pytest.raises(Refused) as refusal:
        factory.start("Plasma", lot)
    assert set(refusal.value.kinds) == {"held", "judgement_open"}


@pytest.mark.parametrize(("wrong", "is_held"), [(1, False), (2, True)])
def test_above_the_limit_is_strict(factory: Factory, wrong: int, is_held: bool) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    attached(factory, panels, one)
    done = send(factory, log_of(onto(one, panels[0], [*good_dies(20 - wrong), *sorted(BAD)[:wrong]])))
    assert bool(done.holds) is is_held
    assert verdicts(factory) == (["does_not_conform"] if is_held else ["conforms"])


def test_a_wafer_changed_in_mid_panel_is_an_origin_until_the_logs_tell_of_every_good_cell(factory: Factory) -> None:
    one, two, panels = wafer(factory, "A-1"), wafer(factory, "A-2"), factory.panels(1)
    lot = factory.lot(panels)
    factory.mount("Attach", factory.batch("GLUE"), one)
    run = factory.start("Attach", lot)
    factory.do("change_over", lambda s, by: change_over(s, by, factory.things["Attach"], two, None, Said(None, None)))
    factory.finish(run)
    both, panel = {one.id: {panels[0].id}, two.id: {panels[0].id}}, panels[0].id
    assert wafers_of(factory, panel) == both and shares_of(factory, panel, one, two) == [(0, 20), (0, 20)]

    # the first file tells of twelve cells: the other eight may be of either wafer, and the line is not judged yet
    first = send(factory, log_of(onto(one, panels[0], good_dies(12))))
    assert first.judgements == [] and wafers_of(factory, panel) == both
    assert shares_of(factory, panel, one, two) == [(12, 20), (0, 8)] and forward(factory, two, panel) == (0, 8)
    with pytest.raises(Refused, match="may not start") as refusal:
        factory.start("Plasma", lot)
    assert refusal.value.kind == "judgement_open"

    # a wrong second file says the rest were of the first wafer; the right one, which replaces it, that they were of the second
    wrong = send(factory, log_of(onto(one, panels[0], good_dies(8, 20), first=12)))
    assert wafers_of(factory, panel) == {one.id: {panel}} and forward(factory, two, panel) is None
    right = send(factory, log_of(onto(two, panels[0], good_dies(7), first=12)), replaces=(wrong.evidence,))
    assert [judged["verdict"] for judged in right.judgements] == ["cannot_tell"] * 2, "one cell has no die again, for both lines"
    assert shares_of(factory, panel, one, two) == [(12, 13), (7, 8)] and wafers_of(factory, panel) == both

    # the last cell is empty indeed: it is marked, which judges both lines anew, and the same file again tells nothing new
    mark(factory, panels[0], [(4, 5)])
    assert verdicts(factory)[-2:] == ["conforms"] * 2
    again = send(factory, log_of(onto(two, panels[0], good_dies(7), first=12)))
    assert (again.placed, again.repeated, again.judgements) == (0, 7, [])
    assert shares_of(factory, panel, one, two) == [(12, 12), (7, 7)] and forward(factory, two, panel) == (7, 7)
    factory.start("Plasma", lot)
    assert found_by_check(factory) == []


def test_a_mark_that_is_taken_back_opens_the_judgement_that_rested_on_it(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    lot, _ = attached(factory, panels, one)
    send(factory, log_of(onto(one, panels[0], good_dies(19))))
    assert verdicts(factory) == [], "one cell has no die"
    scratched = factory.do("mark_cells", lambda s, by: mark_cells(s, by, panels[0].id, [(1, 1)], "scratched").id)
    empty = factory.do("mark_cells", lambda s, by: mark_cells(s, by, panels[0].id, [(4, 5)], "no die").id)
    assert verdicts(factory) == ["conforms"]
    assert factory.do("correct_marks", lambda s, by: take_back_marks(s, by, [scratched])).judgements == [], "its die is told"
    left = factory.do("correct_marks", lambda s, by: take_back_marks(s, by, [empty]))
    assert [one["verdict"] for one in left.judgements] == ["cannot_tell"] and verdicts(factory) == ["conforms", "cannot_tell"]
    with pytest.raises(Refused) as refusal:
        factory.start("Plasma", lot)
    assert refusal.value.kind == "judgement_open"
    unit = factory.do("scrap", lambda s, by: scrap_units(s, by, panels[0].id, 1, "dropped").id)
    assert verdicts(factory)[2:] == ["conforms"], "whoever scraps it, and by whatever call: the unit that needed a die is gone"
    factory.do("correct_count", lambda s, by: correct_count(s, by, unit).id)
    assert verdicts(factory)[3:] == ["cannot_tell"]
    factory.do("take_sample", lambda s, by: sample_cells(s, by, panels[0].id, [(4, 5)], "looked at", kept=True).item)
    factory.start("Plasma", lot)
    assert found_by_check(factory) == []


@pytest.mark.only_on("postgresql")
def test_two_who_mark_the_last_cells_without_a_die_at_once_close_the_judgement(factory: Factory) -> None:
    """Each would find the other's cell still good, and without a die: the line would stay open for ever."""
    one, panels = wafer(factory, "A-1"), factory.panels(2)
    attached(factory, panels, one)
    send(factory, log_of(onto(one, panels[0], good_dies(19)) + onto(one, panels[1], good_dies(19, start=19))))
    first = lambda s, by: mark_cells(s, by, panels[0].id, [(4, 5)], "no die").id  # noqa: E731
    crossing(factory, first, "mark_cells", lambda: mark(factory, panels[1], [(4, 5)]))
    assert verdicts(factory) == ["conforms"]
    assert found_by_check(factory) == []


def test_what_left_through_cells_that_a_log_is_silent_of_may_be_of_any_wafer_that_was_mounted(factory: Factory) -> None:
    one, two, panels = wafer(factory, "A-1"), wafer(factory, "A-2"), factory.panels(1)
    lot = factory.lot(panels)
    factory.mount("Attach", factory.batch("GLUE"), one)
    run = factory.start("Attach", lot)
    factory.do("change_over", lambda s, by: change_over(s, by, factory.things["Attach"], two, None, Said(None, None)))
    factory.finish(run)
    send(factory, log_of(onto(one, panels[0], good_dies(12))))
    told, silent = sample(factory, panels[0], [(1, 1)]), sample(factory, panels[0], [(4, 4), (4, 5)])
    assert wafers_of(factory, told) == {one.id: {panels[0].id}}
    assert shares_of(factory, silent, one, two) == [(0, 2), (0, 2)]
    assert forward(factory, two, told) is None and forward(factory, two, silent) == (0, 2)
    hold = factory.do("place_hold", lambda s, by: place_hold(s, by, two, "cracked").id)
    with factory.house.reading() as session:
        assert {item: [stop.hold for stop in stops] for item, stops in stops_on(session, [told, silent]).items()} == {silent: [hold]}
    assert found_by_check(factory) == []
    downgrade(factory.house, "badges_reopen")
    upgrade(factory.house)
    assert shares_of(factory, silent, one, two) == [(0, 2), (0, 2)] and found_by_check(factory) == [], "rows of before were derived"
    send(factory, log_of(onto(two, panels[0], good_dies(8), first=12)))
    assert shares_of(factory, silent, one, two) == [(0, 0), (2, 2)] and wafers_of(factory, silent) == {two.id: {panels[0].id}}
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, run), "entered wrongly"))
    assert wafers_of(factory, told) == wafers_of(factory, silent) == {} and found_by_check(factory) == []


def test_a_corrected_file_takes_marks_used_dies_and_verdict_of_the_earlier_one_with_it(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    attached(factory, panels, one)
    wrong = send(factory, log_of(onto(one, panels[0], [*good_dies(17), *sorted(BAD)]), [(one.code, 9, 9)]))
    assert marks(factory) == {"die failed": 3} and wrong.holds
    right = send(factory, log_of(onto(one, panels[0], good_dies(20))), replaces=(wrong.evidence,))
    assert (right.placed, right.repeated, right.wrong) == (20, 0, 0)
    assert marks(factory) == {} and verdicts(factory) == ["does_not_conform", "conforms"]
    with factory.house.reading() as session:
        assert wafer_account(session, one).count.left == 77
        assert len(list(session.scalars(select(Placement).where(Placement.closed_e.is_not(None))))) == 1
    with pytest.raises(Refused, match="can't be replaced"):
        send(factory, log_of(onto(one, panels[0], good_dies(20))), replaces=(wrong.evidence,))
    assert found_by_check(factory) == []


def test_lines_that_name_nothing_known_refuse_the_file_with_their_numbers(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    attached(factory, panels, one)
    data = log_of(onto(one, panels[0], good_dies(3)) + onto("W-NONE", panels[0], good_dies(3, 5), 5) + onto(one, "P-NONE", good_dies(1, 9)))
    with pytest.raises(Refused) as refusal:
        send(factory, data + b"now,x,y\n")
    places = {reason.where for reason in refusal.value.reasons}
    assert refusal.value.kind == "bad_input" and "unknown_code" in refusal.value.kinds
    assert {"lines 5-7, column wafer", "line 8, column panel"} <= places and any(place.startswith("line 9") for place in places)
    with factory.house.reading() as session:
        assert session.scalars(select(Placement)).all() == []


def test_a_number_of_several_wafers_means_the_one_that_is_mounted(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    other = wafer(factory, "A-1", "WB")  # another part's wafer with the same number
    attached(factory, panels, one)
    send(factory, log_of(onto("A-1", panels[0], good_dies(20))))
    assert set(wafers_of(factory, panels[0].id)) == {one.id}
    assert other.id != one.id
    twins = [wafer(factory, "C-1"), wafer(factory, "C-1", "WB")]
    with pytest.raises(Refused) as refusal:
        send(factory, log_of(onto("C-1", panels[0], good_dies(1))))
    assert refusal.value.kinds == ("bad_input", "ambiguous_code") and all(twin.code in str(refusal.value) for twin in twins)


def test_picks_by_a_shifted_map_hold_the_lot_and_say_by_how_much(factory: Factory) -> None:
    rng = np.random.default_rng(5)
    bad = {(int(x), int(y)) for x, y in rng.integers(0, 12, (60, 2))}
    one = wafer(factory, "A-1", text=plain_map("A-1", bad, 12))
    panels = factory.panels(2)
    attached(factory, panels, one)
    picks = [(x + 1, y) for y in range(12) for x in range(11) if (x, y) not in bad][:40]  # the needle was one die off
    done = send(factory, log_of(onto(one, panels[0], picks[:20]) + onto(one, panels[1], picks[20:])))
    with factory.house.reading() as session:
        reason = session.scalars(select(Hold.reason)).one()
    assert done.holds and "moved by 1 along x and 0 along y" in reason and "likelier by a factor of" in reason


def test_a_wafer_changed_in_mid_panel_gives_exact_origins(factory: Factory) -> None:
    one, two, panels = wafer(factory, "A-1"), wafer(factory, "A-2"), factory.panels(3)
    lot = factory.lot(panels)
    factory.mount("Attach", factory.batch("GLUE"), one)
    run = factory.start("Attach", lot)
    said = Said(done=[panels[0].id], in_work=[panels[1].id])
    factory.do("change_over", lambda s, by: change_over(s, by, factory.things["Attach"], two, None, said))
    factory.finish(run)
    ids = [panel.id for panel in panels]
    assert wafers_of(factory, ids[1]) == {one.id: {ids[1]}, two.id: {ids[1]}}
    lines = onto(one, panels[0], good_dies(20)) + onto(one, panels[1], good_dies(8, 20)) + onto(two, panels[1], good_dies(12), 8)
    send(factory, log_of(lines + onto(two, panels[2], good_dies(20, 30))))
    with factory.house.reading() as session:
        found = origins(session, [ids[1]])
        assert (found.share("wafer", one.id).least, found.share("wafer", one.id).greatest) == (8, 8)
        assert (found.share("wafer", two.id).least, found.share("wafer", two.id).greatest) == (12, 12)
        assert set(origins(session, [ids[0]]).wafers) == {one.id} and set(origins(session, [ids[2]]).wafers) == {two.id}
    assert verdicts(factory) == ["conforms", "conforms"]


def singulated(factory: Factory, lot: Named, *, mount: bool = True) -> int:
    """The lot's units, loose: the lines of its die attach are judged before."""
    factory.run("Plasma", lot)
    if mount:
        factory.mount("Bond 1", factory.batch("AU20"))
    factory.run("Bond 1", lot, pull=5.0)
    factory.run("Scope", lot)
    run = factory.start("Saw", lot)
    return factory.do("singulate", lambda s, by: singulate(s, by, s.get_one(Run, run)).item)


def test_a_wafer_only_on_marked_cells_is_no_origin_however_late_the_log(factory: Factory) -> None:
    one, two, panels = wafer(factory, "A-1"), wafer(factory, "A-2"), factory.panels(1)
    lot, _ = attached(factory, panels, one)
    lines = onto(one, panels[0], good_dies(18)) + onto(two, panels[0], good_dies(2), 18)
    factory.do("mark_cells", lambda s, by: mark_cells(s, by, panels[0].id, [(4, 4), (4, 5)], "scratched"))
    first = send(factory, log_of(lines))
    loose = singulated(factory, lot)
    assert set(wafers_of(factory, loose)) == {one.id}
    moved = onto(one, panels[0], good_dies(17)) + onto(two, panels[0], good_dies(3), 17)  # the correction puts one good cell on the other
    done = send(factory, log_of(moved), replaces=(first.evidence,))
    assert set(wafers_of(factory, loose)) == {one.id, two.id}
    assert len(done.holds) == 1
    with factory.house.reading() as session:
        assert "had left these panels" in session.scalars(select(Hold.reason)).one()
        share = origins(session, [loose]).share("wafer", two.id)
        assert (share.least, share.greatest) == (1, 1)
    assert found_by_check(factory) == []


def packed(factory: Factory, loose: int) -> Named:
    """All units of a loose lot on a reel of their own."""
    with factory.house.reading() as session:
        lot = named_lot(session, loose)
    test = factory.start("Tester", lot)
    tested = factory.do("bin_out", lambda s, by: take_bins_out(s, by, s.get_one(Run, test), {("B1", "prime"): 20})["B1"].item)
    with factory.house.reading() as session:
        part = PackPart(named_lot(session, tested), 20)
    taper = factory.things["Taper"]
    item = factory.do("fill_pack", lambda s, by: fill_pack(s, by, taper, [part], line_clear=True, short_reason="end of lot").item)
    with factory.house.reading() as session:
        return named_pack(session, item)


def test_a_correction_stops_and_lists_the_packs_that_it_changes_and_no_others(factory: Factory) -> None:
    one, two, panels = wafer(factory, "A-1"), wafer(factory, "A-2"), factory.panels(2)
    lots = [attached(factory, [panels[0]], one)[0]]
    lots.append(factory.lot([panels[1]]))
    factory.run("Attach", lots[1])
    logs = [send(factory, log_of(onto(one, panel, good_dies(20, 20 * n)))) for n, panel in enumerate(panels)]
    packs = []
    for n, lot in enumerate(lots):
        packs.append(packed(factory, singulated(factory, lot, mount=n == 0)))
    same = send(factory, log_of(onto(one, panels[0], good_dies(20))), replaces=(logs[0].evidence,))
    assert (same.placed, same.packs, same.holds) == (20, [], [])  # sent anew, it says the same
    done = send(factory, log_of(onto(two, panels[1], good_dies(20, 20))), replaces=(logs[1].evidence,))
    assert done.packs == [packs[1].code] and len(done.holds) == 1
    with factory.house.reading() as session:
        assert set(stops_on(session, [pack.id for pack in packs])) == {packs[1].id}
        assert set(origins(session, [packs[1].id]).wafers) == {two.id}
    assert found_by_check(factory) == []


def test_a_log_that_comes_late_holds_what_is_packed_already(factory: Factory, house: House) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    lot, _ = attached(factory, panels, one)
    with house.reading() as session:
        line = session.scalars(select(Line.id)).one()
    factory.do("dispose", lambda s, by: dispose(s, by, line, "concession", "the bonder's disk is lost").id)
    pack = packed(factory, singulated(factory, lot))
    done = send(factory, log_of(onto(one, panels[0], [*good_dies(17), *sorted(BAD)])))
    assert done.packs == [pack.code] and verdicts(factory) == ["cannot_tell", "does_not_conform"]
    with factory.house.reading() as session:
        assert set(stops_on(session, [pack.id])) == {pack.id}


def test_a_mark_that_comes_after_units_left_takes_nothing_from_their_origins(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    lot, _ = attached(factory, panels, one)
    first = send(factory, log_of(onto(one, panels[0], good_dies(20))))
    loose = singulated(factory, lot)
    send(factory, log_of(onto(one, panels[0], [*good_dies(18), *sorted(BAD)[:2]])), replaces=(first.evidence,))
    with factory.house.reading() as session:
        share = origins(session, [loose]).share("wafer", one.id)
    assert (share.least, share.greatest) == (20, 20) and marks(factory) == {"die failed": 2}
    assert found_by_check(factory) == []


def test_times_tell_which_run_of_a_panel_is_meant(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    lot = factory.lot(panels)
    factory.mount("Attach", factory.batch("GLUE"), one)
    start = datetime.now(UTC) - timedelta(hours=3)
    first = factory.start("Attach", lot, at=start)
    nothing = Said(done=[], in_work=[panels[0].id])
    half_past = start + timedelta(minutes=30)
    factory.do("interrupt_run", lambda s, by: interrupt_run(s, by, s.get_one(Run, first), nothing), happened_at=half_past)
    second = factory.start("Attach", lot, at=start + timedelta(hours=1))
    factory.finish(second)
    send(factory, log_of(onto(one, panels[0], good_dies(8)), at=start + timedelta(minutes=10)))
    late = send(factory, log_of(onto(one, panels[0], good_dies(12, 8), 8), at=start - timedelta(hours=5)))
    send(factory, log_of([], [(one.code, 9, 9)], at=start + timedelta(minutes=70)))
    with factory.house.reading() as session:
        assert [(row.run, row.n) for row in session.scalars(select(Placement).order_by(Placement.id))] == [(first, 8), (first, 12)]
        assert session.scalars(select(LostDie.run)).one() == second
    assert late.outside == 12


def test_a_log_of_a_wrong_zone_tells_all_the_same_where_only_one_run_can_be_meant(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    attached(factory, panels, one)
    wrong = send(factory, log_of(onto(one, panels[0], good_dies(20)), at=datetime.now(UTC) - timedelta(hours=5)))
    assert wrong.outside == 20 and verdicts(factory) == ["conforms"]


def test_what_a_log_of_a_wrong_zone_tells_of_one_of_two_runs_does_not_conform_until_it_was_read_anew(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    lot = factory.lot(panels)
    factory.mount("Attach", factory.batch("GLUE"), one)
    first = factory.start("Attach", lot)
    factory.do("interrupt_run", lambda s, by: interrupt_run(s, by, s.get_one(Run, first), Said([], [panels[0].id])))
    factory.run("Attach", lot)
    log = onto(one, panels[0], good_dies(20))
    wrong = send(factory, log_of(log, at=datetime.now(UTC) - timedelta(hours=5)))
    assert wrong.outside == 20 and verdicts(factory)[0] == "cannot_tell"
    with factory.house.reading() as session:
        reasons = session.scalars(select(Judgement.reasons).order_by(Judgement.id)).first()
    why = "lie outside this run, and the panels were in another here: it was read in a wrong zone, or the station's clock is wrong."
    assert reasons == [f"20 of 20 times of a log {why}"]
    again = send(factory, log_of(log), replaces=(wrong.evidence,))
    assert [(one["line"], one["verdict"]) for one in again.judgements] == [(wrong.judgements[0]["line"], "conforms")]


def test_transfer_maps_without_times_belong_to_the_newest_run_of_the_wafers_role(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    _, run = attached(factory, panels, one)
    transfers = "".join(f'<T FX="{x}" FY="{y}" TX="{i % 5}" TY="{i // 5}"/>' for i, (x, y) in enumerate(good_dies(20)))
    strip = f'SubstrateType="Strip" SubstrateId="{panels[0].code}" OriginLocation="UpperLeft" AxisDirection="DownRight"'
    data = f"""<MapData xmlns="urn:semi-org:xsd.E142-1.V1005.SubstrateMap">
<Layouts><Layout LayoutId="Cells"><Dimension X="5" Y="4"/></Layout></Layouts>
<SubstrateMaps><SubstrateMap {strip} LayoutSpecifier="S/Cells"><Overlay MapName="Attach">
<TransferMap FromSubstrateType="Wafer" FromSubstrateId="A-1">{transfers}</TransferMap>
</Overlay></SubstrateMap></SubstrateMaps></MapData>"""
    done = send(factory, data.encode(), station="Bond 1")  # the file may come from a cell computer: the panel says where it was
    assert (done.placed, done.wrong, done.outside) == (20, 0, 0) and verdicts(factory) == ["conforms"]
    with factory.house.reading() as session:
        assert session.scalars(select(Placement.run)).one() == run
        last = cell_story(session, panels[0], 4, 5).dies[0]
        assert (last.x, last.y) == good_dies(20)[-1]


def test_a_run_that_was_voided_gives_its_dies_back(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    lot, run = attached(factory, panels, one)
    data = log_of(onto(one, panels[0], good_dies(20)))
    send(factory, data)
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, run), "entered for the wrong lot"))
    with factory.house.reading() as session:
        assert wafer_account(session, one).count.left == 97 and die_story(session, one, 0, 0).state == "left"
    again = factory.run("Attach", lot)
    done = send(factory, data)
    assert (done.placed, done.wrong, done.repeated) == (20, 0, 0)
    with factory.house.reading() as session:
        assert {at.run for at in die_story(session, one, 0, 0).cells} == {code_of(session, "run", again)}


def test_a_panel_that_was_nowhere_near_refuses_its_lines(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(2)
    attached(factory, panels[:1], one)
    with pytest.raises(Refused) as refusal:
        send(factory, log_of(onto(one, panels[0], good_dies(2)) + onto(one, panels[1], good_dies(2, 2))))
    assert refusal.value.kinds == ("bad_input",) and refusal.value.reasons[0].where == "lines 4-5"


def test_a_hundred_thousand_lines(factory: Factory) -> None:
    size = 320
    one = wafer(factory, "BIG", text=plain_map("BIG", (), size))
    frames = factory.batch("FRAME")
    panels = factory.do("receive_panels", lambda s, by: receive_panels(s, by, frames, count=250, rows=20, columns=20))
    run = factory.do("start_run", lambda s, by: _open(s, by, factory.things["Attach"], [panel.id for panel in panels]))
    i = np.arange(100_000)
    rows = np.c_[i % size, i // size, i // 400, i % 400 // 20 + 1, i % 20 + 1]
    at = datetime.now(UTC).isoformat()
    out = io.StringIO()
    out.write(HEAD)
    out.writelines(f"{at},{one.code},{x},{y},{panels[p].code},{r},{c}\n" for x, y, p, r, c in rows.tolist())
    done = send(factory, out.getvalue().encode())
    assert (done.placed, done.wrong, done.repeated, done.holds) == (100_000, 0, 0, [])
    with factory.house.reading() as session:
        assert {row.run for row in session.scalars(select(Placement))} == {run}
        assert wafer_account(session, one).count.left == size * size - 100_000


def _open(session, by, station: int, panels: list[int]) -> int:  # type: ignore[no-untyped-def]
    """The small product has other panels: an open run without a lot."""
    run = Run(e=by.e, operation="die attach", station=station, recipe=None, person=None, started_at=by.happened_at, source="server")
    session.add(run)
    session.flush()
    give_code(session, by, "run", run.id)
    session.add(
        Line(e=by.e, run=run.id, set=set_of(session, by, panels), item=None, lot=None, route=None, step=None, round=1, shelf=None, units=None,
             judged=None, started_at=by.happened_at)
    )  # fmt: skip
    return run.id


def test_two_corrections_of_one_log_at_once_leave_one(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    attached(factory, panels, one)
    first = send(factory, log_of(onto(one, panels[0], [*good_dies(19), (3, 0)])))
    ways = [log_of(onto(one, panels[0], good_dies(20, start))) for start in (0, 40)]

    def correct(data: bytes) -> str:
        try:
            return str(send(factory, data, replaces=(first.evidence,)).placed)
        except Refused as refused:
            return refused.kind

    with ThreadPoolExecutor(2) as both:
        assert sorted(both.map(correct, ways)) == ["20", "finished"]
    with factory.house.reading() as session:
        assert wafer_account(session, one).count.placed == 20
    assert found_by_check(factory) == []


def test_over_http(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    lot, _ = attached(factory, panels, one)
    secret = ""

    def token(session, by):  # type: ignore[no-untyped-def]
        nonlocal secret
        secret = make_token(session, by, "bonder", ("operate",))[1]
        return {}

    act(factory.house, SYSTEM, "make_token", {}, token)
    with factory.house.reading() as session:
        station = code_of(session, "station", factory.things["Attach"])
    with TestClient(make_app(factory.house.settings, factory.house)) as client:
        client.headers = {"Authorization": f"Bearer {secret}"}
        data = log_of(onto(one, panels[0], [*good_dies(17), *sorted(BAD)]))
        sent = client.post("/api/v1/placement_logs", files={"file": ("b.csv", data)}, data={"station": station}, headers={"Idempotency-Key": "1"})
        assert sent.status_code == 200, sent.text
        assert sent.json()["placed"] == 20 and sent.json()["wrong"] == 3 and len(sent.json()["holds"]) == 1
        again = client.post("/api/v1/placement_logs", files={"file": ("b.csv", data)}, data={"station": station}, headers={"Idempotency-Key": "1"})
        assert again.json() == sent.json()
        account = client.get(f"/api/v1/wafers/{one.code}").json()
        assert (account["passing"], account["placed"], account["lost"], account["left"], account["failing_placed"]) == (97, 17, 0, 80, 3)
        assert account["panels"] == [{"panel": panels[0].code, "run": account["panels"][0]["run"], "dies": 20}]
        assert client.get(f"/api/v1/wafers/{one.code}/dies/3/0").json()["bin"] == "2"
        cell = client.get(f"/api/v1/panels/{panels[0].code}/cells/4/5").json()
        assert cell["marks"] == ["die failed"] and cell["dies"][0]["wafer"] == one.code
        panel = client.get(f"/api/v1/panels/{panels[0].code}").json()
        assert (panel["rows"], panel["columns"], panel["good"], panel["marks"], panel["lot"]) == (4, 5, 17, {"die failed": 3}, lot.code)
        page = client.get(f"/wafers/{one.code}").text
        assert "<td>left</td><td class=\"n\">80</td>" in page and f'href="/panels/{panels[0].code}"' in page
        page = client.get(f"/panels/{panels[0].code}").text
        assert "die failed" in page and f'href="/wafers/{one.code}"' in page and lot.code in page
        right = log_of(onto(one, panels[0], good_dies(20)))
        form = {"station": station, "replaces": str(sent.json()["evidence"])}
        assert client.post("/api/v1/placement_logs", files={"file": ("b.csv", right)}, data=form).json()["wrong"] == 0
        naive = b"time,wafer,die x,die y,panel,row,column\n2026-03-01 10:00:00,A,1,1,P,1,1\n"
        refused = client.post("/api/v1/placement_logs", files={"file": ("b.csv", naive)}, data={"station": station})
        assert refused.status_code == 422 and refused.json()["kind"] == "bad_input"
        broken = client.post("/api/v1/placement_logs", files={"file": ("b.csv", naive)}, data={"station": station, "zone": "Nowhere/Here"})
        assert broken.status_code == 422 and broken.json()["reasons"][0]["where"] == "zone"


def test_from_which_number_a_log_counts_its_cells_is_asked_and_the_answer_is_kept(factory: Factory) -> None:
    one, panels = wafer(factory, "A-1"), factory.panels(1)
    attached(factory, panels, one)
    text = HEAD.encode() + f"{datetime.now(UTC).isoformat()},{one.code},0,0,{panels[0].code},0,1\n".encode()
    with pytest.raises(BadInput) as refused:
        send(factory, text)
    assert "does this log count from 0" in refused.value.reasons[0].why
    kept, log = read_log(factory.house, "bonder.csv", text, "Europe/Vienna", cells_from=0)
    number = factory.do("import_placements", lambda s, by: import_placements(s, by, factory.things["Attach"], kept, log)).evidence
    with factory.house.reading() as session:
        assert [(die.x, die.y) for die in cell_story(session, panels[0], 1, 2).dies] == [(0, 0)]
        assert '"cells_from":0' in session.get_one(Evidence, number).stated.replace(" ", "")

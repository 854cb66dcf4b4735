"""Cures judged from logger files, through the verbs: conforming, a cold shelf, a late file, an aborted round, at risk and the barrier."""

from datetime import UTC, datetime, timedelta
from io import BytesIO
from typing import Any

import pytest
from people.signing_in import client, person, sign_in
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue.definitions import Sensor, Station
from app.db import House
from app.errors import Refused
from app.evidence.keep import keep_file
from app.floor.at_risk import go_on_at_risk
from app.floor.dispositions import dispose, judgement_in_force
from app.floor.ends import Said, abort_run, interrupt_run
from app.holds.release import release_hold
from app.holds.stopped import stops_on
from app.journal.act import By
from app.journal.record import close
from app.ledger.judgements import Judgement
from app.ledger.places import Load
from app.ledger.ran import ran
from app.ledger.runs import Cover, Line, Run
from app.ledger.sets import panels_of, panels_of_lot
from app.ledger.stops import Hold
from app.ledger.travels import travels_of
from app.naming.resolve import Named, code_of
from app.ovens import loads
from app.ovens.judging import cures_in, end_load, fits_no_cure, import_logger_file, judge_again, read_logger_file, reads_as
from app.ovens.logger_table import Stated
from app.ovens.models import CureTrace
from tests.small_factory import Factory

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
SHELVES = Station(
    name="Oven S", area="hall", operations=("cure",), shelves=("1", "2"), sensors=(Sensor(name="T1", shelf="1"), Sensor(name="T2", shelf="2"))
)


@pytest.fixture
def factory(house: House) -> Factory:
    one = Factory(house).load(("station", SHELVES))
    one.mount("Attach", one.batch("GLUE"), one.wafer())
    return one


def log(start: datetime, minutes: int, t1: float = 170, t2: float = 170, *, until: int | None = None) -> bytes:
    """Every half minute: 10 min up, soak, 10 min down."""
    rows = ["time;T1 [C];T2 [C]"]
    for n in range(-4, 2 * minutes + 5):
        at, m = start + timedelta(seconds=30 * n), n / 2
        if until is not None and m > until:
            break
        share = max(0.0, min(1.0, m / 10, (minutes - m) / 10))
        rows.append(f"{at.isoformat()};{25 + (t1 - 25) * share:.2f};{25 + (t2 - 25) * share:.2f}")
    return "\n".join(rows).encode()


def attached_lot(factory: Factory) -> Named:
    lot = factory.lot(factory.panels(2))
    run = factory.start("Attach", lot, at=START - timedelta(hours=2))
    factory.finish(run, at=START - timedelta(hours=1))
    return lot


def cure(
    factory: Factory, placed: dict[str, Named], minutes: int = 120, start: datetime = START, *, abort: bool = False, oven: str = "Oven S"
) -> list[int]:
    station = factory.things[oven]
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, station, "C170").id, happened_at=start)
    for shelf, lot in placed.items():
        factory.do(
            "add_to_load", lambda s, by, lot=lot, shelf=shelf: len(loads.add_to_load(s, by, s.get_one(Load, load), [lot], shelf)), happened_at=start
        )
    run = factory.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load), None).run.id, happened_at=start)
    end = start + timedelta(minutes=minutes)
    if abort:
        factory.do("abort_load", lambda s, by: len(abort_run(s, by, s.get_one(Run, run))), happened_at=end)
    else:
        factory.do("end_load", lambda s, by: len(end_load(s, by, s.get_one(Load, load))), happened_at=end)
    with factory.house.reading() as session:
        return list(session.scalars(select(Line.id).where(Line.run == run).order_by(Line.id)))


def send(factory: Factory, data: bytes, oven: str = "Oven S", replaces: tuple[int, ...] = ()) -> int:
    """How many lines were judged."""
    kept, trace = read_logger_file(factory.house, "log.csv", data, Stated())
    station = factory.things[oven]

    def verb(session: Session, by: By) -> int:
        done = import_logger_file(session, by, station, kept, trace, Stated(), replaces)
        return len(done.judged) + len(done.without)

    return factory.do("import_logger_file", verb)


def files(factory: Factory) -> list[int]:
    """The numbers of all logger files, as they came."""
    with factory.house.reading() as session:
        return list(session.scalars(select(CureTrace.evidence).order_by(CureTrace.id)))


def stopped(factory: Factory, lot: Named) -> bool:
    with factory.house.reading() as session:
        return bool(stops_on(session, panels_of_lot(session, lot.id)))


def verdicts(factory: Factory, lines: list[int]) -> list[str | None]:
    with factory.house.reading() as session:
        return [one.verdict if (one := judgement_in_force(session, line)) else None for line in lines]


def start_plasma(factory: Factory, lot: Named) -> int:
    return factory.start("Plasma", lot, at=START + timedelta(hours=3))


def test_a_cure_waits_for_its_file_and_conforms_by_it(factory: Factory) -> None:
    lot = attached_lot(factory)
    lines = cure(factory, {"1": lot})
    assert verdicts(factory, lines) == [None]
    with pytest.raises(Refused) as caught:
        start_plasma(factory, lot)
    assert caught.value.kind == "judgement_open" and "The cure of step cure 1, run R26-" in str(caught.value)
    assert send(factory, log(START, 120)) == 1
    assert verdicts(factory, lines) == ["conforms"]
    start_plasma(factory, lot)


def test_who_brings_a_file_is_told_which_cure_it_was_taken_for_by_the_clock_of_the_site(factory: Factory) -> None:
    """Of two cures three hours apart a file in the wrong zone fits the other: only a person can see that."""
    cure(factory, {"1": attached_lot(factory)})
    cure(factory, {"1": attached_lot(factory)}, start=START + timedelta(hours=3))
    kept, trace = read_logger_file(factory.house, "log.csv", log(START + timedelta(hours=3), 120), Stated())
    oven = factory.things["Oven S"]
    said = factory.do("import_logger_file", lambda s, by: reads_as(s, oven, trace, import_logger_file(s, by, oven, kept, trace, Stated()).judged))
    assert said == (
        "Read as from 2026-03-02 08:58 UTC to 2026-03-02 11:02 UTC, and taken for what Oven S did then:"
        " R26-000004-L, from 2026-03-02 09:00 UTC to 2026-03-02 11:00 UTC."
    )


def test_a_file_of_a_round_that_was_broken_off_is_told_as_that_round_s(factory: Factory) -> None:
    """It judges the round that completed it, whose time is another."""
    lot = attached_lot(factory)
    cure(factory, {"1": lot}, minutes=30, abort=True)
    cure(factory, {"1": lot}, start=START + timedelta(hours=3))
    kept, trace = read_logger_file(factory.house, "log.csv", log(START, 30), Stated())
    oven = factory.things["Oven S"]
    said = factory.do("import_logger_file", lambda s, by: reads_as(s, oven, trace, import_logger_file(s, by, oven, kept, trace, Stated()).judged))
    assert "did then: R26-" in said and said.endswith(", from 2026-03-02 06:00 UTC to 2026-03-02 06:30 UTC.")


def test_nothing_is_decided_or_judged_of_a_line_that_runs_still_or_did_nothing(factory: Factory) -> None:
    lot, oven = attached_lot(factory), factory.things["Oven S"]
    begun = {"happened_at": START}
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, oven, "C170").id, **begun)
    factory.do("add_to_load", lambda s, by: len(loads.add_to_load(s, by, s.get_one(Load, load), [lot], "1")), **begun)
    run, line = factory.do(
        "start_load", lambda s, by: ((one := loads.start_load(s, by, s.get_one(Load, load), None)).run.id, one.lines[0].id), **begun
    )
    with pytest.raises(Refused) as early:
        factory.do("dispose", lambda s, by: dispose(s, by, line, "concession", "looks right").id)
    assert early.value.kind == "in_work"
    factory.do("abort_load", lambda s, by: len(abort_run(s, by, s.get_one(Run, run))), happened_at=START + timedelta(hours=1))
    with pytest.raises(Refused) as of_nothing:
        factory.do("judge", lambda s, by: judge_again(s, by, line).line.id)
    assert (of_nothing.value.kind, verdicts(factory, [line])) == ("finished", [None])


@pytest.mark.parametrize("days", [1, 7, 7.5, 40])
def test_a_run_that_began_long_before_is_of_the_same_time(factory: Factory, days: float) -> None:
    oven = factory.things["Oven S"]

    def run(s: Any, by: Any, begin: datetime, end: datetime) -> int:
        s.add(one := Run(e=by.e, operation="cure", station=oven, started_at=begin, source="person"))
        s.flush()
        close(s, one, ended_at=end, ended_source="person", outcome="done", closed_e=by.e)
        return one.id

    begin, hour = START - timedelta(days=days), timedelta(hours=1)
    there = factory.do("start_load", lambda s, by: run(s, by, begin, START + hour))
    factory.do("start_load", lambda s, by: run(s, by, begin, START - hour))
    factory.do("start_load", lambda s, by: run(s, by, START + 3 * hour, START + 4 * hour))
    with factory.house.reading() as session:
        assert [one.id for one in cures_in(session, oven, START, START + 2 * hour)] == [there]


@pytest.mark.parametrize("days", [6, 7.5, 40])
def test_a_file_that_goes_on_long_after_the_load_tells_of_it_as_well(factory: Factory, days: float) -> None:
    lines = cure(factory, {"1": attached_lot(factory)})
    assert send(factory, log(START, 120) + f"\n{(START + timedelta(days=days)).isoformat()};25;25".encode()) == 1
    assert verdicts(factory, lines) == ["conforms"]


def test_the_cold_shelf_is_held_and_the_other_goes_on(factory: Factory) -> None:
    warm, cold = attached_lot(factory), attached_lot(factory)
    lines = cure(factory, {"1": warm, "2": cold})
    send(factory, log(START, 120, t2=161))
    assert verdicts(factory, lines) == ["conforms", "does_not_conform"]
    start_plasma(factory, warm)
    with pytest.raises(Refused) as caught:
        start_plasma(factory, cold)
    assert set(caught.value.kinds) == {"held", "judgement_open"}


def test_a_gap_is_never_judged_as_conforming(factory: Factory) -> None:
    lines = cure(factory, {"1": attached_lot(factory)})
    send(factory, log(START, 120, until=70))
    assert verdicts(factory, lines) == ["cannot_tell"]
    rows = log(START, 120).splitlines(keepends=True)
    send(factory, rows[0] + b"".join(rows[146:]))
    assert verdicts(factory, lines) == ["conforms"], "two files of one load are one trace"


def test_every_page_tells_a_verdict_in_the_same_words(factory: Factory) -> None:
    lot = attached_lot(factory)
    line = cure(factory, {"1": lot})[0]
    send(factory, log(START, 120, until=70))
    with factory.house.reading() as session:
        run = code_of(session, "run", session.get_one(Line, line).run)
    with client(factory.house) as browser:
        sign_in(browser, person(factory.house, "Quy", "quality"))
        for path in ("/runs", f"/runs/{run}", f"/lots/{lot.code}", f"/trace/{lot.code}"):
            page = browser.get(path).text
            assert "cannot be told" in page and "cannot tell" not in page, path
            assert ".." not in page, "a reason is a sentence already"


def test_an_aborted_round_counts_with_the_one_that_completes_it(factory: Factory) -> None:
    lot = attached_lot(factory)
    aborted = cure(factory, {"1": lot}, minutes=40, abort=True)
    again = START + timedelta(hours=1)
    lines = cure(factory, {"1": lot}, minutes=120, start=again)
    send(factory, log(START, 40, until=40))
    assert verdicts(factory, [*aborted, *lines]) == [None, None]
    send(factory, log(again, 120))
    assert verdicts(factory, [*aborted, *lines]) == [None, "conforms"]


def test_at_risk_goes_up_to_the_barrier_and_a_disposition_opens_it(factory: Factory) -> None:
    lot = attached_lot(factory)
    lines = cure(factory, {"1": lot})
    with factory.house.reading() as session:
        panels = panels_of_lot(session, lot.id)
    factory.do("go_on_at_risk", lambda s, by: len(go_on_at_risk(s, by, panels, "the logger is being repaired")))
    run = start_plasma(factory, lot)
    factory.finish(run, at=START + timedelta(hours=3, minutes=10))
    factory.mount("Bond 1", factory.batch("AU20"))
    bond = factory.start("Bond 1", lot, at=START + timedelta(hours=4))
    factory.finish(bond, at=START + timedelta(hours=5), pull=5.0)
    with pytest.raises(Refused) as caught:
        factory.start("Scope", lot)
    assert caught.value.kind == "barrier_open"
    factory.do("dispose", lambda s, by: dispose(s, by, lines[0], "concession", "the panels were tested").id)
    factory.start("Scope", lot)


def test_a_worse_judgement_that_comes_late_stops_what_is_still_here(factory: Factory) -> None:
    lot = attached_lot(factory)
    lines = cure(factory, {"1": lot}, oven="Oven")  # the catalogue names no sensors of this one: every sensor of its logger counts
    send(factory, log(START, 120), oven="Oven")
    run = start_plasma(factory, lot)
    factory.finish(run, at=START + timedelta(hours=3, minutes=10))
    send(factory, log(START, 120, t1=160).replace(b"T1", b"T8").replace(b"T2", b"T9"), oven="Oven")
    assert verdicts(factory, lines) == ["does_not_conform"]
    with factory.house.reading() as session:
        assert set(stops_on(session, panels_of_lot(session, lot.id))) == set(panels_of_lot(session, lot.id))
        judgements = list(session.scalars(select(Judgement).where(Judgement.line == lines[0]).order_by(Judgement.id)))
    assert [one.replaces for one in judgements] == [None, judgements[0].id]


def test_a_cure_that_can_no_longer_be_told_stops_what_is_still_here(factory: Factory) -> None:
    lot = attached_lot(factory)
    lines = cure(factory, {"1": lot}, oven="Oven")
    send(factory, log(START, 120), oven="Oven")
    start_plasma(factory, lot)
    late = log(START, 120).replace(b"T1", b"T8").replace(b"T2", b"T9").split(b"\n")
    send(factory, b"\n".join(late[:100] + late[160:]), oven="Oven")  # half an hour without a reading
    assert verdicts(factory, lines) == ["cannot_tell"]
    with factory.house.reading() as session:
        assert set(stops_on(session, panels_of_lot(session, lot.id))) == set(panels_of_lot(session, lot.id))


def test_a_cure_that_the_next_load_s_file_tells_nothing_new_of_stays_as_it_was_decided(factory: Factory) -> None:
    lot, later = attached_lot(factory), attached_lot(factory)
    lines = cure(factory, {"1": lot})
    send(factory, log(START, 120, t1=160))
    with factory.house.reading() as session:
        judged, hold = judgement_in_force(session, lines[0]), session.scalars(select(Hold)).one()
    assert judged is not None and judged.verdict == "does_not_conform"
    factory.do("dispose", lambda s, by: dispose(s, by, lines[0], "concession", "tested by the laboratory").id)
    freed = ([], "concession", "tested by the laboratory")
    factory.do("release_hold", lambda s, by: release_hold(s, by, s.get_one(Hold, hold.id), *freed, units_freed=0).id)
    again = START + timedelta(minutes=125)  # its file begins two minutes before, within what the first one's judgement looks at
    assert verdicts(factory, cure(factory, {"1": later}, start=again)) == [None]
    send(factory, log(again, 120))
    with factory.house.reading() as session:
        now = judgement_in_force(session, lines[0])
        assert now is not None and now.id == judged.id
        assert not stops_on(session, panels_of_lot(session, lot.id))
    factory.start("Plasma", lot, at=START + timedelta(hours=5))


def test_a_file_that_can_t_be_read_is_refused_by_line_and_kept(factory: Factory) -> None:
    times = ("06:00:00", "06:61:30", "06:02:00", "06:02:30")
    lines = [b"time;T1 [C]", *(f"2026-03-02T{time}+00:00;25.0".encode() for time in times)]
    with pytest.raises(Refused) as caught:
        read_logger_file(factory.house, "log.csv", b"\n".join(lines), Stated())
    assert caught.value.kind == "bad_input"
    assert any("line 3" in reason.where for reason in caught.value.reasons)
    kept = keep_file(factory.house, "again.csv", BytesIO(b"x"))
    assert kept.path.exists()


def test_a_file_for_a_station_that_is_no_oven_is_refused(factory: Factory) -> None:
    kept, trace = read_logger_file(factory.house, "log.csv", log(START, 120), Stated())
    verb: Any = lambda s, by: import_logger_file(s, by, factory.things["Saw"], kept, trace, Stated())  # noqa: E731
    with pytest.raises(Refused) as caught:
        factory.do("import_logger_file", verb)
    assert caught.value.kind == "station_cannot"


def warned(factory: Factory, data: bytes, oven: str = "Oven S") -> str | None:
    trace = read_logger_file(factory.house, "log.csv", data, Stated())[1]
    with factory.house.reading() as session:
        return fits_no_cure(session, factory.things[oven], trace)


@pytest.mark.parametrize("abort", [False, True])
def test_a_file_that_covers_no_load_of_the_oven_is_warned_of_with_what_to_check(factory: Factory, abort: bool) -> None:
    cure(factory, {"1": attached_lot(factory)}, abort=abort)
    assert warned(factory, log(START, 120)) is None
    for lost, oven in ((timedelta(hours=-3), "Oven S"), (timedelta(days=30), "Oven S"), (timedelta(0), "Oven")):
        told = warned(factory, log(START + lost, 120), oven)
        assert told is not None and all(word in told for word in (oven, "zone", "order of its dates", "the oven")), told
    early = warned(factory, log(START - timedelta(hours=3), 120))
    assert early is not None and "2026-03-02 02:58" in early, "as it was read, so that whoever knows the cure sees the hours between"


def test_a_file_of_a_load_that_is_still_in_the_oven_is_not_warned_of(factory: Factory) -> None:
    loaded(factory, attached_lot(factory), START)
    assert warned(factory, log(START, 120)) is None
    assert warned(factory, log(START - timedelta(hours=3), 120)) is not None


def test_a_file_that_contradicts_an_earlier_one_is_refused_while_the_load_runs_and_lets_it_end(factory: Factory) -> None:
    """Kept, the end of the load was refused, for ever: nothing that is on the record can be left out."""
    run = loaded(factory, attached_lot(factory), START)
    send(factory, log(START, 120))
    with pytest.raises(Refused, match="contradict each other"):
        send(factory, log(START, 120, t1=150))
    with factory.house.reading() as session:
        load = session.scalars(select(Load.id).where(Load.run == run)).one()
    factory.do("end_load", lambda s, by: len(end_load(s, by, s.get_one(Load, load))), happened_at=START + timedelta(minutes=120))
    assert verdicts(factory, [line.id for line in lines_of_run(factory, run)]) != [None]


def test_who_brings_a_file_that_contradicts_another_is_told_which_one_is_here(factory: Factory) -> None:
    cure(factory, {"1": attached_lot(factory)})
    send(factory, log(START, 120))
    with factory.house.reading() as session:
        here = session.scalars(select(CureTrace.evidence)).one()
    with pytest.raises(Refused) as caught:
        send(factory, log(START, 120, t1=150))
    assert f"file {here})" in caught.value.now


def test_a_file_that_was_read_in_the_wrong_zone_is_replaced_by_the_same_as_it_is_meant(factory: Factory) -> None:
    """Three hours late it is the next load's, which conformed by it; that load's own file contradicted it, and nothing could take it out."""
    later = START + timedelta(hours=3)
    first, second = attached_lot(factory), attached_lot(factory)
    ours, theirs = cure(factory, {"1": first}), cure(factory, {"1": second}, start=later)
    send(factory, log(later, 120))
    assert (verdicts(factory, ours), verdicts(factory, theirs)) == ([None], ["conforms"])
    assert send(factory, log(START, 120), replaces=(files(factory)[-1],)) == 2
    assert (verdicts(factory, ours), verdicts(factory, theirs)) == (["conforms"], ["cannot_tell"])
    assert (stopped(factory, first), stopped(factory, second)) == (False, True)
    send(factory, log(later, 120, t1=150))
    assert verdicts(factory, theirs) == ["does_not_conform"]


def test_a_file_is_replaced_once_and_by_one_of_its_own_oven(factory: Factory) -> None:
    cure(factory, {"1": attached_lot(factory)})
    send(factory, log(START, 120))
    (wrong,) = files(factory)
    for oven, number in (("Oven", wrong), ("Oven S", 9999)):
        with pytest.raises(Refused, match=f"File {number} is another"):
            send(factory, log(START, 120, t1=150), oven, (number,))
    send(factory, log(START, 120, t1=150), replaces=(wrong,))
    with pytest.raises(Refused, match="was replaced before"):
        send(factory, log(START, 120), replaces=(wrong,))
    send(factory, log(START, 120), replaces=(files(factory)[-1],))
    assert len(files(factory)) == 3, "what was wrong is kept"


def test_the_rest_of_an_interrupted_load_goes_in_by_one_scan_and_is_judged_with_the_heat_that_it_had(factory: Factory) -> None:
    """The door was opened after 40 min in band, and one panel was taken for done: it falls short. The other is cured to the end."""
    panels = factory.panels(2)
    lot = factory.lot(panels)
    factory.finish(factory.start("Attach", lot, at=START - timedelta(hours=2)), at=START - timedelta(hours=1))
    first = loaded(factory, lot, START)
    said = Said(done=[panels[0].id], in_work=[])
    factory.do("interrupt_run", lambda s, by: len(interrupt_run(s, by, s.get_one(Run, first), said)), happened_at=START + timedelta(minutes=60))
    again = START + timedelta(hours=2)
    rest = loaded(factory, lot, again)
    (first_line,), (line,) = (lines_of_run(factory, run) for run in (first, rest))
    with factory.house.reading() as session:
        assert panels_of(session, line.set or 0) == [panels[1].id], "what was done is left out"
        covers = session.query(Cover).filter_by(line=first_line.id)
        did = {(one.extent, one.done, *panels_of(session, one.set)) for one in covers}
        assert did == {("whole", True, panels[0].id), ("whole", False, panels[1].id)}, "all of it was in the oven"
    factory.finish(rest, at=again + timedelta(minutes=120))
    send(factory, log(again, 120))
    assert verdicts(factory, [first_line.id, line.id]) == [None, "cannot_tell"], "the round before it has no file yet"
    assert send(factory, log(START, 60)) == 2
    assert verdicts(factory, [first_line.id, line.id]) == ["does_not_conform", "conforms"]
    with factory.house.reading() as session:
        held = stops_on(session, [panel.id for panel in panels])
        rounds = heat_rounds(session, panels[1].id)
    assert panels[0].id in held
    assert rounds == 2


def test_a_file_that_comes_late_for_an_aborted_round_judges_what_completed_it(factory: Factory) -> None:
    lot = attached_lot(factory)
    cure(factory, {"1": lot}, minutes=40, abort=True)
    again = START + timedelta(hours=1)
    lines = cure(factory, {"1": lot}, minutes=120, start=again)
    send(factory, log(again, 120))
    assert verdicts(factory, lines) == ["cannot_tell"]
    send(factory, log(START, 40, until=42))
    assert verdicts(factory, lines) == ["conforms"]


def loaded(factory: Factory, lot: Named, start: datetime) -> int:
    """The run of a load of what one scan of the lot puts in."""
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, factory.things["Oven S"], "C170").id, happened_at=start)
    factory.do("add_to_load", lambda s, by: len(loads.add_to_load(s, by, s.get_one(Load, load), [lot], "1")), happened_at=start)
    return int(factory.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load), None).run.id, happened_at=start))


def lines_of_run(factory: Factory, run: int) -> list[Line]:
    with factory.house.reading() as session:
        return list(session.scalars(select(Line).where(Line.run == run).order_by(Line.id)))


def heat_rounds(session: Any, panel: int) -> int:
    """How many cures the heat ledger counts for its adhesive."""
    travels = travels_of(session, [panel])
    return sum(run.operation == "cure" for _, run in ran(session, travels.covers))

"""What should stand behind a reel and does not, kind by kind, and that asking costs the same for few and for many."""

import pytest
from sqlalchemy import event, select

from app.db import House
from app.errors import Refused
from app.evidence.keep import path_of
from app.evidence.models import Evidence
from app.floor.change_overs import change_over
from app.floor.ends import Said, finish_run
from app.floor.loose import merge_loose, split_loose
from app.floor.starts import start_run
from app.genealogy.missing_evidence import Missing, missing_evidence, missing_of
from app.genealogy.origins import origins
from app.ledger.items import Lot
from app.ledger.runs import Line, Run
from app.naming.resolve import Named
from app.receiving.batches import open_batch
from tests.genealogy.made import made
from tests.small_factory import STEPS, Factory, Need, Route, Step, named_lot


def missing(house: House, thing: Named) -> list[Missing]:
    with house.reading() as session:
        return missing_evidence(session, origins(session, [thing.id]), house)


def test_each_record_that_is_not_there_is_named_with_its_run_lot_or_wafer(house: House) -> None:
    factory = Factory(house).load()
    one = made(factory)
    rows = missing(house, one.reel)
    found = {(row.kind, row.about) for row in rows}
    assert [row.words.partition(" could not tell: ")[2] for row in rows if row.kind == "judgement"] == ["no evidence came"], "why, and no guess"
    kinds = [kind for kind, _ in found]
    assert ("die map", one.wafer.code) in found
    assert kinds.count("placement log") == kinds.count("logger file") == 1
    assert "count" not in kinds, "the saw's lot was counted by cells, the tester counted its bins"
    assert "unit results" not in kinds and "reading" not in kinds and "material" not in kinds
    assert "person" in kinds, "the runs of this cast name nobody"
    part = factory.do("split_loose", lambda s, by: split_loose(s, by, one.best.id, 10).item)
    merged = factory.do("merge_loose", lambda s, by: named_lot(s, merge_loose(s, by, one.best.id, [part]).item))
    assert ("count", merged.code) in {(row.kind, row.about) for row in missing(house, merged)}


def test_a_file_that_left_the_data_folder_is_missed(house: House) -> None:
    one = made(Factory(house).load())
    with house.reading() as session:
        file = session.query(Evidence).filter_by(kind="unit_results").one()
    path_of(house, file.digest).unlink()
    assert [row.about for row in missing(house, one.reel) if row.kind == "original file"] == ["results.csv"]


def test_a_reading_that_was_not_taken_is_missed(house: House) -> None:
    factory = Factory(house).load()
    lot = factory.lot(factory.panels(1))
    run = factory.do("start_run", lambda s, by: start_run(s, by, factory.things["Bond 1"], [lot]).run.id, fact=True)
    factory.do("finish_run", lambda s, by: len(finish_run(s, by, s.get_one(Run, run))), fact=True)
    with house.reading() as session:
        found = {(row.kind, row.words) for row in missing_of(session, session.scalars(select(Line.id)))}
    assert {("reading", "no reading of pull"), ("material", "no batch of wire is recorded at step bond")} <= found


def test_a_glue_whose_opening_nobody_recorded_is_named_once(house: House) -> None:
    factory = Factory(house).load()
    opened, closed = factory.batch("GLUE"), factory.batch("GLUE")
    factory.do("open_batch", lambda s, by: open_batch(s, by, opened).batch)
    factory.mount("Attach", factory.wafer())
    for glue in (opened, closed):
        factory.do("change_over", lambda s, by, glue=glue: len(change_over(s, by, factory.things["Attach"], glue, None, Said())))
        for _ in range(2):
            factory.run("Attach", factory.lot(factory.panels(1)))
    with house.reading() as session:
        found = [row for row in missing_of(session, session.scalars(select(Line.id))) if row.kind == "opening"]
    assert [(row.about, row.words) for row in found] == [
        (closed.code, "nobody recorded when it was opened: whether its pot life had ended is not known")
    ]


def test_of_two_wires_the_one_that_was_not_there_is_missed(house: House) -> None:
    two = Step(key="bond", name="bond", operation="wire bond", needs=(Need(kind="wire", part="AU20"), Need(kind="wire", part="AG20")))
    factory = Factory(house).load(("route", Route(product="P1", revision="B", steps=(two, STEPS[4]))))
    lot, thin = factory.lot(factory.panels(1)), factory.batch("AU20")
    factory.mount("Bond 1", thin, place="thin")
    with pytest.raises(Refused) as found:
        factory.start("Bond 1", lot)
    assert [(reason.kind, reason.why) for reason in found.value.reasons] == [("material_missing", "No AG20 is on Bond 1.")]
    run = factory.do("start_run", lambda s, by: start_run(s, by, factory.things["Bond 1"], [lot]).run.id, fact=True)
    factory.finish(run)
    with house.reading() as session:
        words = [row.words for row in missing_of(session, session.scalars(select(Line.id))) if row.kind == "material"]
    assert words == ["no batch of wire AG20 is recorded at step bond"]


def test_it_costs_the_same_for_few_lines_and_for_many(house: House) -> None:
    made(Factory(house).load())
    with house.reading() as session:
        lines = list(session.scalars(select(Line.id).order_by(Line.id)))
        loose = list(session.scalars(select(Lot.item)))
    assert _statements(house, lines[:2], loose[:1]) <= _statements(house, lines, loose) < 16  # with nothing to ask about, nothing is asked


def _statements(house: House, lines: list[int], loose: list[int]) -> int:
    seen: list[str] = []
    with house.reading() as session:
        listen = lambda *args: seen.append(args[2])  # noqa: E731  # kept to be taken off again
        event.listen(house.read_engine, "before_cursor_execute", listen)
        missing_of(session, lines, [], loose, house)
        event.remove(house.read_engine, "before_cursor_execute", listen)
    return len(seen)

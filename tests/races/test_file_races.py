"""Files that come at the same moment as each other, or as the act that they judge: what is in force afterwards knew of all of them."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db import House
from app.floor.dispositions import judgement_in_force
from app.journal.act import By
from app.ledger.places import Load
from app.ledger.runs import Line, Run
from app.ovens import loads
from app.ovens.judging import end_load, import_logger_file, judge_again, read_logger_file, verdict_of
from app.ovens.logger_table import Stated
from tests.crossing import crossing
from tests.small_factory import Factory

pytestmark = pytest.mark.only_on("postgresql")  # SQLite has one writer


@dataclass(frozen=True)
class Oven:
    """A load, and when its door was closed: 130 minutes ago."""

    load: int
    closed: datetime


@pytest.fixture
def factory(house: House) -> Factory:
    one = Factory(house).load()
    one.mount("Attach", one.batch("GLUE"), one.wafer())
    return one


def in_the_oven(factory: Factory) -> Oven:
    closed = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=130)
    lot = factory.lot(factory.panels(1))
    factory.finish(factory.start("Attach", lot, at=closed - timedelta(minutes=20)), at=closed - timedelta(minutes=10))

    def begin(session: Session, by: By) -> int:
        load = loads.begin_load(session, by, factory.things["Oven"], "C170")
        loads.add_to_load(session, by, load, [lot], "1")
        loads.start_load(session, by, load, None)
        return load.id

    return Oven(factory.do("start_load", begin, happened_at=closed), closed)


def logger(factory: Factory, oven: Oven, first: int, last: int) -> Callable[[Session, By], int]:
    """The verb that takes in the readings of these minutes since the door was closed."""
    temps = [(minute, 25 + 14.5 * min(max(minute, 0), 10)) for minute in range(first, last + 1)]
    text = "time,TC (C)\n" + "".join(f"{(oven.closed + timedelta(minutes=minute)).isoformat()},{temp}\n" for minute, temp in temps)
    kept, trace = read_logger_file(factory.house, f"{first}.csv", text.encode(), Stated())
    return lambda session, by: len(import_logger_file(session, by, factory.things["Oven"], kept, trace, Stated()).judged)


def end(factory: Factory, oven: Oven) -> int:
    return factory.do("end_load", lambda s, by: len(end_load(s, by, s.get_one(Load, oven.load))))


def judged(factory: Factory, oven: Oven) -> tuple[str | None, str]:
    """The verdict in force, and what the files say."""
    with factory.house.reading() as session:
        run = session.get_one(Run, session.get_one(Load, oven.load).run)
        line = session.scalars(select(Line).where(Line.run == run.id)).one()
        told = judgement_in_force(session, line.id)
        return told.verdict if told else None, verdict_of(session, run, line).verdict


def test_two_halves_of_a_cure_that_come_at_once_are_judged_together(factory: Factory) -> None:
    oven = in_the_oven(factory)
    end(factory, oven)
    second = logger(factory, oven, 61, 129)
    crossing(factory, logger(factory, oven, -5, 60), "import_logger_file", lambda: factory.do("import_logger_file", second))
    assert judged(factory, oven) == ("conforms", "conforms")


def test_a_cure_that_is_ended_while_its_file_comes_is_judged_by_it(factory: Factory) -> None:
    oven = in_the_oven(factory)
    crossing(factory, logger(factory, oven, -5, 129), "import_logger_file", lambda: end(factory, oven))
    assert judged(factory, oven) == ("conforms", "conforms")


def test_a_file_that_comes_while_its_cure_is_ended_judges_it(factory: Factory) -> None:
    oven = in_the_oven(factory)
    file = logger(factory, oven, -5, 129)
    crossing(factory, lambda s, by: len(end_load(s, by, s.get_one(Load, oven.load))), "end_load", lambda: factory.do("import_logger_file", file))
    assert judged(factory, oven) == ("conforms", "conforms")


def test_a_cure_that_is_judged_again_while_a_file_comes_keeps_one_judgement(factory: Factory) -> None:
    oven = in_the_oven(factory)
    end(factory, oven)
    factory.do("import_logger_file", logger(factory, oven, -5, 60))
    with factory.house.reading() as session:
        line = session.scalars(select(Line.id).where(Line.judged == "cure")).one()
    crossing(factory, logger(factory, oven, 61, 129), "import_logger_file", lambda: factory.do("judge", lambda s, by: bool(judge_again(s, by, line))))
    assert judged(factory, oven) == ("conforms", "conforms")

"""Spans of a station that were held: a record tells of those in which its lines were there, and costs nothing for the others."""

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import inspect, text

from app.db import House
from app.genealogy.origins import origins
from app.genealogy.record_stops import holds_ever
from app.journal.act import By
from app.ledger.stops import Hold
from app.migrate import downgrade, upgrade
from app.naming.resolve import give_code
from tests.genealogy.made import Made, made
from tests.small_factory import Factory


def _hold(factory: Factory, *spans: tuple[float | None, float | None], reason: str = "drifted") -> None:
    """Spans of the first bonder that ended, in days from now."""

    def at(days: float | None) -> datetime | None:
        return None if days is None else datetime.now(UTC) + timedelta(days=days)

    def verb(session: object, by: By) -> None:
        for since, until in spans:
            row = Hold(
                e=by.e, kind="span", subject=factory.things["Bond 1"], lot=None, container=None, span_from=at(since), span_to=at(until),
                reason=reason, automatic=False, closed_e=by.e,
            )  # fmt: skip
            session.add(row)  # type: ignore[attr-defined]
            session.flush()  # type: ignore[attr-defined]
            give_code(session, by, "hold", row.id)  # type: ignore[arg-type]

    factory.do("place_hold", verb)


def _told(factory: Factory, one: Made) -> list[str]:
    with factory.house.reading() as session:
        return [hold.reason for hold in holds_ever(session, origins(session, [one.reel.id]))]


TOLD = ((-1, 1), (-40, 1), (-400, None), (None, 1), (-1, None), (-30.5, 0.5), (-31.5, 0.5), (None, None))
NOT_TOLD = ((-3, -1), (-400, -1), (1, 2), (1, None), (None, -1), (1, 90))


def test_a_span_is_told_when_a_line_was_at_the_station_in_it(house: House) -> None:
    factory = Factory(house).load()
    one = made(factory)
    for span in (*TOLD, *NOT_TOLD):
        _hold(factory, span, reason=str(span))
    assert _told(factory, one) == [str(span) for span in TOLD]


@pytest.mark.only_on("sqlite")
def test_spans_of_other_times_cost_nothing(house: House) -> None:
    """SQLite's own steps."""
    factory = Factory(house).load()
    one = made(factory)

    def steps() -> int:
        count = [0]

        def more() -> int:
            count[0] += 1
            return 0

        with house.reading() as session:
            found = origins(session, [one.reel.id])
            raw = session.connection().connection.driver_connection
            assert raw is not None
            raw.set_progress_handler(more, 10)
            assert [hold.reason for hold in holds_ever(session, found)] == ["drifted"]
            raw.set_progress_handler(None, 10)
        return count[0]

    _hold(factory, (-1, 1))
    few = steps()
    _hold(factory, *((-2 * n, 0.5 - 2 * n) for n in range(1, 200)), *((2 * n, 2 * n + 0.5) for n in range(1, 200)), reason="another time")
    assert steps() < few + 40, "a step for each would be hundreds of tens"


def test_spans_stay_through_the_migration(house: House) -> None:
    factory = Factory(house).load()
    one = made(factory)
    _hold(factory, (-1, 1))
    downgrade(house, "over_shipments")
    assert "ix_hold_kind_subject" in {index["name"] for index in inspect(house.write_engine).get_indexes("hold")}
    upgrade(house)
    with house.write_engine.connect() as connection:
        assert connection.execute(text("select count(*) from hold where kind = 'span'")).scalar() == 1
    assert _told(factory, one) == ["drifted"]

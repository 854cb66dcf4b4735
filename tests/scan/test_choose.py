"""What a scan means, by what was scanned, what is asked, and which stations are at hand."""

from datetime import UTC, datetime, timedelta

import pytest

from app.codes import START_CARD, of_step
from app.db import House
from app.errors import Refused
from app.naming.resolve import Named, code_of
from app.scan.choose import READ_TWICE, Here, Pending, choose
from tests.small_factory import Factory

NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)


@pytest.fixture
def factory(house: House) -> Factory:
    one = Factory(house).load()
    one.mount("Attach", one.batch("GLUE"), one.wafer())
    return one


@pytest.fixture
def lot(factory: Factory) -> Named:
    return factory.lot(factory.panels(2))


def meant(factory: Factory, text: str, at: str | None = None, at_hand: tuple[str, ...] = (), pending: Pending | None = None) -> tuple[str, str]:
    """What is to be done, and the name of the station that it is about."""
    station = factory.things[at] if at else None
    with factory.house.reading() as session:
        found = choose(session, text, Here(None, station, tuple(factory.things[name] for name in at_hand)), pending, NOW)
    names = {thing: name for name, thing in factory.things.items()}
    return found.do, names.get(found.station or 0, "") or " or ".join(sorted(names[one] for one in found.able))


def station(factory: Factory, name: str) -> str:
    with factory.house.reading() as session:
        return code_of(session, "station", factory.things[name])


def asked(code: str, seconds: float, asks: str = "start") -> Pending:
    return Pending(code, asks, NOW - timedelta(seconds=seconds))


def test_the_code_of_a_sheets_step_leads_to_the_lots_own_code(factory: Factory) -> None:
    """It stands on the traveller that is scanned here all day: it is no stranger's code, and scanning it once more leads nowhere."""
    with pytest.raises(Refused, match="N-03-W is the code of a step on paper") as caught:
        meant(factory, of_step(3))
    assert caught.value.reasons[0].now == "Scan the lot's own code, at the top of its sheet."
    with pytest.raises(Refused, match="Nothing here has the code 'N-03-X'"):
        meant(factory, "N-03-X")


def test_the_same_code_confirms_no_sooner_than_a_second_and_a_half_later(factory: Factory, lot: Named) -> None:
    assert timedelta(seconds=1.5) == READ_TWICE
    assert meant(factory, lot.code, "Attach", pending=asked(lot.code, 1.49))[0] == "nothing"
    assert meant(factory, lot.code, "Attach", pending=asked(lot.code, 1.5))[0] == "confirm"


def test_the_start_card_and_the_stations_code_confirm_at_once(factory: Factory, lot: Named) -> None:
    for code in (START_CARD, START_CARD.lower(), station(factory, "Attach")):
        assert meant(factory, code, "Attach", pending=asked(lot.code, 0.1)) == ("confirm", "Attach")


def test_the_start_card_says_nothing_where_nothing_is_asked(factory: Factory) -> None:
    assert meant(factory, START_CARD, "Attach")[0] == "nothing"


def test_another_thing_or_station_leaves_the_question(factory: Factory, lot: Named) -> None:
    other = factory.lot(factory.panels(2))
    assert meant(factory, other.code, "Attach", pending=asked(lot.code, 5)) == ("ask", "Attach")
    assert meant(factory, station(factory, "Saw"), "Attach", pending=asked(lot.code, 5)) == ("choose_station", "Saw")


def test_a_wrong_magazine_is_asked_about_where_one_stands_and_never_elsewhere(factory: Factory, lot: Named) -> None:
    assert meant(factory, lot.code, "Bond 1", ("Bond 1", "Attach")) == ("ask", "Bond 1")


def test_without_a_station_chosen_the_one_at_hand_that_can_do_it_is_meant(factory: Factory, lot: Named) -> None:
    assert meant(factory, lot.code, None, ("Bond 1", "Attach", "Saw")) == ("ask", "Attach")
    assert meant(factory, lot.code, None, ("Bond 1", "Saw"))[0] == "look"


def test_where_several_could_it_is_asked_where_and_the_station_answers(factory: Factory, lot: Named) -> None:
    factory.run("Attach", lot)
    with factory.house.reading() as session:
        second = choose(session, lot.code, Here(None, None, (factory.things["Oven"], factory.things["Attach"])), None, NOW)
    assert second.do == "ask"
    pending = asked(lot.code, 0.1, "where")
    assert meant(factory, station(factory, "Oven"), None, pending=pending) == ("ask", "Oven")


def test_without_a_station_chosen_a_thing_in_work_is_asked_about_where_it_runs(factory: Factory, lot: Named) -> None:
    factory.start("Attach", lot)
    assert meant(factory, lot.code, None, ("Attach", "Bond 1")) == ("ask", "Attach")
    assert meant(factory, lot.code, None) == ("ask", "Attach")


def test_material_needs_a_station(factory: Factory) -> None:
    glue = factory.batch("GLUE")
    assert meant(factory, glue.code, "Attach") == ("mount", "Attach")
    with pytest.raises(Refused, match="No station is chosen"):
        meant(factory, glue.code)

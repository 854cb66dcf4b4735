"""Wafers received from the files of their maps: all or nothing, each once."""

from typing import Any

import pytest
from sqlalchemy import select

from app.catalogue.definitions import Part
from app.db import House
from app.errors import BadInput, NotFound
from app.genealogy.checks import check
from app.ledger.items import Wafer
from app.naming.resolve import Named, resolve
from app.receiving.die_map import Stated
from app.receiving.wafers import MapFile, map_of, read_map_files, receive_wafers
from tests.small_factory import Factory

WR = Part(number="WR", kind="wafer", role="red")


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load(("part", Part(number="WB", kind="wafer", role="blue")))


def maps(factory: Factory, *names: str) -> list[MapFile]:
    text = "wafer,x,y,bin\n{0},0,0,1\n{0},1,0,1\n{0},0,1,7\n"
    files = [(f"{name}.csv", text.format(name).encode()) for name in names]
    return read_map_files(factory.house, files, WR, Stated(passing=("1",)))


def receive(factory: Factory, *names: str, part: str = "WR", **more: Any) -> list[Named]:
    files = maps(factory, *names)
    return factory.do("receive_wafers", lambda s, by: receive_wafers(s, by, files, part, **more))  # type: ignore[no-any-return]


def test_each_map_is_a_wafer_with_its_suppliers_name(factory: Factory) -> None:
    first, second = receive(factory, "A-1", "A-2", supplier="Lumen")
    with factory.house.reading() as session:
        assert (resolve(session, "A-1"), resolve(session, "A-2")) == (first, second)
        assert (map_of(session, second.id).gross, map_of(session, second.id).passing) == (3, 2)
    assert list(check(factory.house)) == []


def test_a_wafer_is_received_once_and_with_it_nothing_of_its_files(factory: Factory) -> None:
    (first,) = receive(factory, "A-1")
    with pytest.raises(BadInput, match="A-1 is here already") as refused:
        receive(factory, "A-0", "A-1")
    assert first.code in refused.value.reasons[0].why
    with pytest.raises(BadInput, match="A-2 is here already"):
        receive(factory, "A-2", "A-2")
    with factory.house.reading() as session:
        assert session.scalars(select(Wafer.item)).all() == [first.id]
    assert list(check(factory.house)) == []


def test_a_wafer_of_another_part_may_have_the_same_name(factory: Factory) -> None:
    (red,), (blue,) = receive(factory, "A-1"), receive(factory, "A-1", part="WB")
    with pytest.raises(BadInput) as refused:
        receive(factory, "A-1", part="WB")
    assert blue.code in refused.value.reasons[0].why and red.code not in refused.value.reasons[0].why


def test_a_part_that_is_not_known_is_refused(factory: Factory) -> None:
    with pytest.raises(NotFound):
        receive(factory, "A-1", part="W9")

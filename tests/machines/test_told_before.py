"""What a form tells before its act is done is told of whatever that act would take, however it was typed."""

import pytest

from app.db import House
from app.machines.told_before import told_before
from tests.genealogy.made import made
from tests.small_factory import Factory


@pytest.mark.parametrize("apart", [" ", ";", " ; "])
def test_a_fill_is_told_of_before_however_its_rows_are_parted(house: House, apart: str) -> None:
    one = made(Factory(house).load())
    with house.reading() as session:
        told = told_before(session, "/packs", {"parts": f"{one.best.code}{apart}1\n\n{one.loose.code}{apart}2\n"})
    assert told is not None and told.is_fill and told.lots == f"{one.best.code} {one.loose.code}"

"""Several codes in one field, and other people's numbers with blanks among them."""

import pytest
from fastapi.testclient import TestClient
from people.signing_in import token

from app.db import House
from app.main import make_app
from app.naming.resolve import add_alias
from app.several import as_typed, codes_in
from tests.small_factory import Factory


@pytest.mark.parametrize(
    ("typed", "codes"),
    [
        ("K26-000001-A, K26-000002-8\nx", ["K26-000001-A", "K26-000002-8", "x"]),
        ('"FAB 7, slot 3" W1', ["FAB 7, slot 3", "W1"]),
        ('"FAB 7"@2026-03-01T06:30/', ["FAB 7@2026-03-01T06:30/"]),
        ('5" 6"', ['5"', '6"']),
        ('"R ""2"" x" y', ['R "2" x', "y"]),
        ('"R ""2"""@2026-03-01/', ['R "2"@2026-03-01/']),
        ('"""2"" x"', ['"2" x']),
        (" , ", []),
    ],
)
def test_a_number_with_blanks_stands_in_quotes(typed: str, codes: list[str]) -> None:
    assert codes_in(typed) == codes
    assert codes_in(as_typed(codes)) == codes


def test_an_exposure_is_asked_by_a_number_with_blanks(house: House) -> None:
    factory = Factory(house).load()
    wafer, number = factory.wafer(), "FAB 7, slot 3"
    factory.do("receive_wafers", lambda s, by: add_alias(s, by, wafer, "Fabco", "wafer id", number))
    client = TestClient(make_app(house.settings, house), headers={"Authorization": f"Bearer {token(house, 'quality')}"})
    by_number, by_code = (client.get("/api/v1/exposure", params={"suspect": one}) for one in (f'"{number}"', wafer.code))
    assert (by_number.status_code, by_number.json()) == (200, by_code.json())

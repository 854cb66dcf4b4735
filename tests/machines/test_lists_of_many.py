"""A page of packs or of holds over the API costs as many statements for many rows as for few, and says of each what it says of one alone."""

from datetime import UTC, datetime, timedelta

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import event, select

from app.db import House
from app.holds.place import place_hold
from app.ledger.runs import Line
from app.naming.resolve import Named, code_of
from app.packing.dry import seal_pack
from app.packing.rework import cut_pack
from tests.genealogy.made import Made, client_of, made
from tests.small_factory import Factory, named_pack


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load()


def asked(client: TestClient, house: House, path: str) -> tuple[int, list[dict[str, object]]]:
    """Statements, and rows. Asked once before: the first call of a process reads the catalogue."""
    client.get(path)
    sent: list[str] = []
    event.listen(house.read_engine, "before_cursor_execute", note := lambda _c, _cursor, sql, *_: sent.append(sql))
    answer = client.get(path).json()
    event.remove(house.read_engine, "before_cursor_execute", note)
    return len(sent), next(rows for rows in answer.values() if isinstance(rows, list))


def test_packs(factory: Factory, house: House) -> None:
    reel = made(factory).reel
    for _ in range(3):
        factory.do("cut_pack", lambda s, by: cut_pack(s, by, reel, 5).item)
    sealed = factory.do("seal_pack", lambda s, by: named_pack(s, seal_pack(s, by, factory.things["Bagger"], reel).pack.item))
    factory.do("cut_pack", lambda s, by: cut_pack(s, by, sealed, 5).item)
    client = client_of(factory)
    few, some = asked(client, house, "/api/v1/packs?limit=2")
    many, every = asked(client, house, "/api/v1/packs")
    assert (len(some), len(every), many) == (2, 6, few)
    for row in every:
        assert client.get(f"/api/v1/packs/{row['pack']}").json() == row
    by_code = {row["pack"]: row for row in every}
    assert (by_code[sealed.code]["dry_packed"], by_code[sealed.code]["units"], len(by_code[sealed.code]["runs"])) == (False, 10, 1)  # type: ignore[arg-type]


def held(factory: Factory, one: Made) -> None:
    """A hold of each kind."""
    begin = datetime.now(UTC) - timedelta(days=1)
    with factory.house.reading() as session:
        line = session.scalars(select(Line.id).where(Line.run == one.bond)).first() or 0
        run = Named("run", one.bond, code_of(session, "run", one.bond))
        station = Named("station", factory.things["Scope"], code_of(session, "station", factory.things["Scope"]))
    for thing in (one.wafer, one.glue, one.panels[0], one.best, one.reel, run, Named("line", line, str(line)), factory.lot(factory.panels(2))):
        factory.do("place_hold", lambda s, by, thing=thing: place_hold(s, by, thing, "looked odd").id)
    factory.do("place_hold", lambda s, by: place_hold(s, by, station, "a week", span=(begin, begin + timedelta(hours=1))).id)


def test_holds(factory: Factory, house: House) -> None:
    one, client = made(factory), client_of(factory)
    held(factory, one)
    few, some = asked(client, house, "/api/v1/holds")
    for _ in range(2):
        held(factory, one)
    many, every = asked(client, house, "/api/v1/holds")
    assert (len(every), many) == (3 * len(some), few)
    for row in every:
        seen = client.get(f"/api/v1/holds/{row['hold']}").json()
        assert {name: seen[name] for name in row} == row

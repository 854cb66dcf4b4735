"""Stations go to the next person with what runs there: to one who may do that, as a start asks it."""

from datetime import UTC, datetime, timedelta

from app.catalogue.definitions import Product, Route, Step
from app.db import House
from app.floor.attendance import stations_of
from app.naming.resolve import resolve
from tests.machines.plant import Plant, plant

PRODUCT = Product(part_number="BARE", rows=4, columns=5, roles=())
LOOKED_AT = Route(product="BARE", revision="1", steps=(Step(key="look", name="look", operation="inspect", certificate="eyes"),))


def someone(do: Plant, name: str, until: datetime | None = None, *, certified: bool = False) -> str:
    holds = [{"name": "eyes"} | ({"valid_until": until.isoformat()} if until else {})] if certified else []
    return str(do.post("/people", who="administrator", name=name, duties=["operate"], password="long enough", certificates=holds)["person"])


def has(do: Plant, badge: str) -> bool:
    with do.house.reading() as session:
        return bool(stations_of(session, resolve(session, badge, "person").id))


def test_what_runs_is_handed_over_to_nobody_without_its_certificate(house: House) -> None:
    with plant(house, ("product", PRODUCT), ("route", LOOKED_AT)) as do:
        ola, pia = someone(do, "Ola", certified=True), someone(do, "Pia")
        old = someone(do, "Olga", datetime.now(UTC) - timedelta(days=1), certified=True)
        lot = do.lot(do.panels(1), product="BARE")
        do.post(f"/stations/{do.at['Scope']}/attend", person=ola)
        do.post("/hand_over", from_person=ola, to_person=pia)  # nothing runs: it is the start that is refused
        start = {"station": do.at["Scope"], "things": [lot]}
        no_start = do.post("/runs", 409, person=pia, **start)
        do.post("/hand_over", from_person=pia, to_person=ola)

        run = do.start("Scope", lot, person=ola)
        refused = do.post("/hand_over", 409, from_person=ola, to_person=pia)
        assert refused["title"] == "Pia may not take over what runs on Scope."
        assert refused["reasons"] == no_start["reasons"] and refused["kind"] == "certificate"
        assert "lapsed" in do.post("/hand_over", 409, from_person=ola, to_person=old)["detail"]
        assert has(do, ola) and not has(do, pia) and not has(do, old)

        do.post("/hand_over", from_person=ola, to_person=pia, fact=True)  # told after it happened
        assert has(do, pia) and not has(do, ola)
        (hold,) = do.get("/holds")["holds"]
        assert "Pia is not certified for eyes." in hold["reason"], hold
        do.post("/hand_over", from_person=pia, to_person=ola)
        do.post(f"/runs/{run}/finish")
        do.post("/hand_over", from_person=ola, to_person=pia)

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from app.catalogue.definitions import Station
from app.catalogue.models import Definition
from app.db import House
from app.errors import BadInput, Refused
from app.floor.mounts import Loaded, loaded, mount, swap, unmount
from app.holds.place import hold_item
from app.journal.act import By
from app.ledger.items import Opening
from app.ledger.places import Mount
from app.ledger.runs import Claim, RunVoid
from app.naming.resolve import code_of
from tests.floor.acting import Factory, begin, do, make_batch, make_factory, make_panels, make_wafer, read, refused


@pytest.fixture
def factory(house: House) -> Factory:
    return make_factory(house)


@pytest.fixture
def wire(house: House, factory: Factory) -> int:
    return make_batch(house, factory["GOLD-20"])


def _mount(house: House, station: int, item: int, place: str | None = None, **how: object) -> int:
    return do(house, lambda s, by: mount(s, by, station, item, place).id, "mount", **how)


def _no_mount(house: House, station: int, item: int, place: str | None = None, **how: object) -> Refused:
    return refused(house, lambda s, by: mount(s, by, station, item, place), "mount", **how)


def _on(house: House, station: int) -> list[tuple[str, int]]:
    return [(one.place, one.item) for one in read(house, lambda s: loaded(s, station))]


def test_what_is_loaded_is_told_with_part_and_kind(house: House, factory: Factory) -> None:
    wafer = make_wafer(house, factory["RED-DIE"])
    mount_id = _mount(house, factory["attach 1"], wafer)
    code = read(house, lambda s: code_of(s, "wafer", wafer))
    assert read(house, lambda s: loaded(s, factory["attach 1"])) == [
        Loaded(mount_id, "wafer", wafer, code, "RED-DIE", factory["RED-DIE"], "wafer", "red")
    ]


def test_a_station_without_places_has_one_for_each_kind(house: House, factory: Factory) -> None:
    glue, wafer = make_batch(house, factory["GLUE-1"]), make_wafer(house, factory["RED-DIE"])
    _mount(house, factory["attach 2"], glue)
    _mount(house, factory["attach 2"], wafer)
    assert _on(house, factory["attach 2"]) == [("adhesive", glue), ("red", wafer)]


def redefine(session: Session, by: By, thing: int, body: Station) -> None:
    session.scalars(select(Definition).where(Definition.thing == thing, Definition.closed_e.is_(None))).one().closed_e = by.e
    session.flush()
    session.add(Definition(e=by.e, thing=thing, body=body.model_dump(mode="json")))


def test_places_that_are_named_for_a_material_are_kept_for_it(house: House, factory: Factory) -> None:
    places = ("wafer left", "wafer right", "paste")
    station = Station(name="attach 1", area="attach", operations=("die attach",), places=places)
    do(house, lambda s, by: redefine(s, by, factory["attach 1"], station), "load_catalogue")
    glue, wafer, next_to_it = make_batch(house, factory["GLUE-1"]), make_wafer(house, factory["RED-DIE"]), make_wafer(house, factory["RED-DIE"])
    for item in (glue, wafer, next_to_it):
        _mount(house, factory["attach 1"], item)
    assert sorted(_on(house, factory["attach 1"])) == [("paste", glue), ("wafer left", wafer), ("wafer right", next_to_it)]


def test_a_place_that_is_named_for_a_material_takes_no_other(house: House, factory: Factory) -> None:
    at = factory["attach 1"]
    station = Station(name="attach 1", area="attach", operations=("die attach",), places=("wafer left", "paste", "adhesive"))
    do(house, lambda s, by: redefine(s, by, at, station), "load_catalogue")
    glue, wafer = make_batch(house, factory["GLUE-1"]), make_wafer(house, factory["RED-DIE"])
    refusal = _no_mount(house, at, glue, "wafer left")
    assert refusal.kind == "material_wrong"
    assert "kept for wafer" in refusal.reasons[0].why and "adhesive" in refusal.reasons[0].now
    _mount(house, at, wafer, "wafer left")
    assert refused(house, lambda s, by: swap(s, by, at, glue, "wafer left"), "change_over").kind == "material_wrong"
    _mount(house, at, glue, "paste")
    assert sorted(_on(house, at)) == [("paste", glue), ("wafer left", wafer)]
    reasons = do(house, lambda s, by: swap(s, by, at, wafer, "adhesive")[1], "change_over", fact=True)
    assert [reason.kind for reason in reasons] == ["material_wrong"], "a fact is recorded, and its line held"


def test_a_wrong_spool_is_told_so_and_not_asked_for_its_place(house: House, factory: Factory, wire: int) -> None:
    _mount(house, factory["attach 1"], make_batch(house, factory["GLUE-1"]))
    _mount(house, factory["attach 1"], make_wafer(house, factory["RED-DIE"]))
    assert _no_mount(house, factory["attach 1"], wire).reasons[0].kind == "material_wrong"
    assert refused(house, lambda s, by: swap(s, by, factory["attach 1"], wire), "mount").reasons[0].kind == "material_wrong"


def test_material_finds_a_free_place_of_a_station_that_names_them(house: House, factory: Factory) -> None:
    glue = make_batch(house, factory["GLUE-1"])
    _mount(house, factory["attach 1"], glue)
    assert _on(house, factory["attach 1"]) == [("syringe", glue)]
    assert isinstance(_no_mount(house, factory["attach 1"], glue, "drawer"), BadInput)


def test_putting_on_what_is_on_changes_nothing(house: House, factory: Factory, wire: int) -> None:
    assert _mount(house, factory["bonder"], wire) == _mount(house, factory["bonder"], wire)


def test_a_place_that_is_taken_is_not_mounted_on(house: House, factory: Factory, wire: int) -> None:
    _mount(house, factory["bonder"], wire)
    assert _no_mount(house, factory["bonder"], make_batch(house, factory["GOLD-20"])).kind == "container_taken"


def test_material_of_another_kind_or_part_is_wrong(house: House, factory: Factory) -> None:
    glue, copper = make_batch(house, factory["GLUE-1"]), make_batch(house, factory["COPPER-20"])
    assert _no_mount(house, factory["bonder"], glue).kind == "material_wrong"
    refusal = _no_mount(house, factory["bonder"], copper)
    assert refusal.kind == "material_wrong"
    assert "GOLD-20" in str(refusal)
    assert isinstance(_no_mount(house, factory["bonder"], make_panels(house, 1)[0]), BadInput)


def test_material_is_fresh_at_the_time_that_is_told(house: House, factory: Factory) -> None:
    old = make_batch(house, factory["GOLD-20"], expires_in=timedelta(hours=-1))
    assert _no_mount(house, factory["bonder"], old).kind == "material_lapsed"
    assert _mount(house, factory["bonder"], old, happened_at=datetime.now(UTC) - timedelta(hours=2))


def test_pot_life_runs_from_the_opening(house: House, factory: Factory) -> None:
    glue = make_batch(house, factory["GLUE-1"])
    opened = datetime.now(UTC) - timedelta(hours=2)

    def open_it(session: Session, by: By) -> None:
        session.add(Opening(e=by.e, batch=glue, opened_at=opened, pot_life_ends_at=opened + timedelta(hours=1)))

    do(house, open_it, "open_batch")
    refusal = _no_mount(house, factory["attach 2"], glue)
    assert refusal.kind == "material_lapsed"
    assert "pot life" in str(refusal)
    assert _mount(house, factory["attach 2"], glue, happened_at=opened + timedelta(minutes=59))


def test_held_material_is_not_mounted(house: House, factory: Factory, wire: int) -> None:
    do(house, lambda s, by: hold_item(s, by, "batch", wire, "brittle"), "place_hold")
    refusal = _no_mount(house, factory["bonder"], wire)
    assert refusal.kind == "material_held"
    assert "brittle" in str(refusal)


def test_every_ground_is_told(house: House, factory: Factory) -> None:
    copper = make_batch(house, factory["COPPER-20"], expires_in=timedelta(hours=-1))
    do(house, lambda s, by: hold_item(s, by, "batch", copper, "brittle"), "place_hold")
    assert _no_mount(house, factory["bonder"], copper).kinds == ("material_wrong", "material_lapsed", "material_held")


def test_a_wafer_is_on_one_station_and_a_batch_on_many(house: House, factory: Factory, wire: int) -> None:
    wafer = make_wafer(house, factory["RED-DIE"])
    _mount(house, factory["attach 1"], wafer)
    refusal = _no_mount(house, factory["attach 2"], wafer)
    assert refusal.kind == "in_work"
    assert "attach 1" in str(refusal)
    do(house, lambda s, by: unmount(s, by, factory["attach 1"], wafer), "unmount")
    _mount(house, factory["attach 2"], wafer)
    assert _mount(house, factory["bonder"], wire) != _mount(house, factory["bonder 2"], wire)


def test_a_fact_puts_the_wafer_where_it_is_and_takes_it_off_where_it_was(house: House, factory: Factory) -> None:
    wafer = make_wafer(house, factory["RED-DIE"])
    _mount(house, factory["attach 1"], wafer)
    _mount(house, factory["attach 2"], wafer, fact=True)
    assert (_on(house, factory["attach 1"]), _on(house, factory["attach 2"])) == ([], [("red", wafer)])


def test_what_is_taken_off_must_be_on(house: House, factory: Factory, wire: int) -> None:
    assert refused(house, lambda s, by: unmount(s, by, factory["bonder"], wire), "unmount").kind == "not_here"
    row = _mount(house, factory["bonder"], wire)
    do(house, lambda s, by: unmount(s, by, factory["bonder"], wire), "unmount")
    closed = read(house, lambda s: s.get_one(Mount, row))
    assert closed.closed_e is not None
    assert closed.off_at is not None
    assert _on(house, factory["bonder"]) == []


def test_in_mid_run_material_changes_by_a_change_over_only(house: House, factory: Factory, wire: int) -> None:
    new = make_batch(house, factory["GOLD-20"])
    _mount(house, factory["bonder"], wire)
    run = begin(house, factory["bonder"], make_panels(house, 1))
    assert refused(house, lambda s, by: unmount(s, by, factory["bonder"], wire), "unmount").kind == "in_work"
    assert "in_work" in _no_mount(house, factory["bonder"], new).kinds
    assert do(house, lambda s, by: swap(s, by, factory["bonder"], new)[1], "change_over") == []
    assert _on(house, factory["bonder"]) == [("wire", new)]

    def void(session: Session, by: By) -> None:
        session.add(RunVoid(e=by.e, run=run, reason="wrong lot"))
        session.execute(delete(Claim).where(Claim.run == run))

    do(house, void, "void_run")
    do(house, lambda s, by: unmount(s, by, factory["bonder"], new), "unmount")


def test_a_change_over_replaces_what_is_alike_and_tells_the_broken_rules_of_a_fact(house: House, factory: Factory) -> None:
    first, second = make_wafer(house, factory["RED-DIE"]), make_wafer(house, factory["RED-DIE"])
    old = make_batch(house, factory["GLUE-1"], expires_in=timedelta(hours=-1))
    glue = make_batch(house, factory["GLUE-1"])
    for item in (first, glue):
        _mount(house, factory["attach 1"], item)
    do(house, lambda s, by: swap(s, by, factory["attach 1"], second), "change_over")
    assert _on(house, factory["attach 1"]) == [("syringe", glue), ("wafer", second)]
    assert refused(house, lambda s, by: swap(s, by, factory["attach 1"], old, "syringe"), "change_over").kind == "material_lapsed"
    reasons = do(house, lambda s, by: swap(s, by, factory["attach 1"], old, "syringe")[1], "change_over", fact=True)
    assert [reason.kind for reason in reasons] == ["material_lapsed"]
    assert _on(house, factory["attach 1"]) == [("syringe", old), ("wafer", second)]

"""A tester's file ends its run: bins and failures counted, one loose lot per bin, the rest stays, the file kept twice over."""

import json
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from app.backup import backup, restore
from app.db import House
from app.errors import Refused
from app.evidence.models import Evidence
from app.final_test.bin_tables import bin_table_of
from app.final_test.results_in import import_unit_results, parquet_path, read_results
from app.final_test.singulate import singulate
from app.floor.amounts import book_of
from app.floor.dispositions import dispose
from app.floor.ends import finish_run
from app.genealogy.checks import check
from app.ledger.places import Load
from app.ledger.runs import Run
from app.naming.resolve import Named, code_of
from app.ovens import loads
from tests.genealogy.made import client_of
from tests.small_factory import Factory, named_lot


@pytest.fixture
def factory(house: House) -> Factory:
    one = Factory(house).load()
    one.mount("Attach", one.batch("GLUE"), one.wafer())
    one.mount("Bond 1", one.batch("AU20"))
    return one


def loose_lot(factory: Factory) -> Named:
    lot = factory.lot(factory.panels(4))
    factory.finish(factory.start("Attach", lot))
    load = factory.do("begin_load", lambda s, by: loads.begin_load(s, by, factory.things["Oven"], "C170").id)
    factory.do("add_to_load", lambda s, by: len(loads.add_to_load(s, by, s.get_one(Load, load), [lot], "1")))
    run = factory.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load), None).run.id)
    line = factory.do("end_load", lambda s, by: finish_run(s, by, s.get_one(Run, run))[0].id)
    factory.do("dispose", lambda s, by: dispose(s, by, line, "concession", "no logger").id)
    factory.run("Plasma", lot)
    factory.run("Bond 1", lot, pull=5.0)
    factory.run("Scope", lot)
    saw = factory.start("Saw", lot)
    return factory.do("singulate", lambda s, by: named_lot(s, singulate(s, by, s.get_one(Run, saw)).item))


def results(units: int, failing: int) -> bytes:
    rows = ["unit,result"] + [f"{n},{'E07' if n <= failing else 'pass'}" for n in range(1, units + 1)]
    return "\n".join(rows).encode() + b"\n"


def take_in(factory: Factory, run: int, data: bytes) -> dict[str, int]:
    with factory.house.reading() as session:
        table = bin_table_of(session, session.get_one(Run, run))
    file = read_results(factory.house, "results.csv", BytesIO(data), table)
    assert parquet_path(factory.house, file.results.digest).is_file()

    def verb(session: Any, by: Any) -> dict[str, int]:
        lots = import_unit_results(session, by, session.get_one(Run, run), file)
        return {name: book_of(session, lot.item) for name, lot in lots.items()}

    return factory.do("import_unit_results", verb)


def test_bins_and_failures_are_counted_and_the_rest_stays(factory: Factory) -> None:
    loose = loose_lot(factory)
    run = factory.start("Tester", loose)
    assert take_in(factory, run, results(78, 8)) == {"B1": 70, "R": 8}
    with factory.house.reading() as session:
        assert book_of(session, loose.id) == 2
    assert list(check(factory.house)) == []


def test_what_is_binned_is_what_is_kept_and_nothing_half_kept_stays(factory: Factory) -> None:
    with factory.house.reading() as session:
        table = bin_table_of(session, session.get_one(Run, factory.start("Tester", loose_lot(factory))))
    data = results(3, 1)
    kept = read_results(factory.house, "results.csv", BytesIO(data), table).kept
    kept.wait_for_disk()
    assert (kept.path.read_bytes(), kept.digest, kept.size_bytes) == (data, sha256(data).hexdigest(), len(data))
    with pytest.raises(Refused):
        read_results(factory.house, "results.csv", BytesIO(data + b"4"), table)
    assert [path.name for path in (factory.house.data_dir / "evidence").glob("*") if path.is_file()] == []
    assert len(list((factory.house.data_dir / "unit_results").iterdir())) == 1


def test_a_decimal_sign_that_was_stated_is_kept_with_the_file(factory: Factory) -> None:
    run, client = factory.start("Tester", loose_lot(factory)), client_of(factory)
    with factory.house.reading() as session:
        path = f"/api/v1/runs/{code_of(session, 'run', run)}/unit_results"
    data = "unit;result;vf\n" + "".join(f"{n};pass;3,125\n" for n in range(1, 81))
    asked, done = (
        client.post(path, files={"file": ("t.csv", data)}, data=stated, headers={"Idempotency-Key": f"{n}"})
        for n, stated in enumerate(({}, {"decimal": ","}))
    )
    assert (asked.status_code, done.status_code) == (422, 200), done.text
    assert "State the decimal sign" in asked.text and done.json()["rows"] == 80
    with factory.house.reading() as session:
        stated = session.scalars(select(Evidence.stated).where(Evidence.kind == "unit_results").order_by(Evidence.id)).all()[-1]
    assert json.loads(stated) == {"decimal": ","}


def test_a_run_takes_one_file(factory: Factory) -> None:
    run = factory.start("Tester", loose_lot(factory))
    take_in(factory, run, results(80, 8))
    with pytest.raises(Refused) as caught:
        take_in(factory, run, results(80, 8))
    assert caught.value.kind == "finished"


def test_a_line_that_can_t_be_read_is_named_and_nothing_is_half_stored(factory: Factory) -> None:
    loose = loose_lot(factory)
    run = factory.start("Tester", loose)
    with pytest.raises(Refused) as caught:
        take_in(factory, run, results(10, 1) + b"11\n")
    assert caught.value.kind == "bad_input"
    with factory.house.reading() as session:
        assert book_of(session, loose.id) == 80
        assert session.get_one(Run, run).closed_e is None


def test_a_backup_has_the_unit_results_and_the_file_of_seals(house: House, fresh_house: Any, factory: Factory, tmp_path: Path) -> None:
    lot = loose_lot(factory)
    take_in(factory, factory.start("Tester", lot), results(40, 3))
    assert list(check(house)) == []
    archive = backup(house, tmp_path / "all.tar.gz")
    (tmp_path / "new").mkdir()
    with fresh_house(tmp_path / "new") as new:
        restore(new, archive)
        assert list(check(new)) == []
        kept = [path.read_bytes() for path in (new.data_dir / "unit_results").iterdir()]
        assert kept == [path.read_bytes() for path in (house.data_dir / "unit_results").iterdir()]
        assert (new.data_dir / "seals.log").read_text() == (house.data_dir / "seals.log").read_text()

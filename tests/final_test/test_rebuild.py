"""Unit results that are missing, made anew from the testers' files: the very bytes that were recorded, or why not."""

from pathlib import Path

import pytest
from sqlalchemy import text
from typer.testing import CliRunner

from app.cli import FOUND, shell
from app.db import House
from app.final_test import result_faults
from app.final_test.rebuild import REMEDY
from app.genealogy.checks import check
from app.naming.resolve import code_of
from tests.final_test.test_results_in import factory, loose_lot  # noqa: F401 (a fixture)
from tests.genealogy.made import client_of
from tests.small_factory import Factory


@pytest.fixture
def run(factory: Factory) -> str:  # noqa: F811
    """A run whose first file had decimal commas, as was stated, and was corrected."""
    number, client = factory.start("Tester", loose_lot(factory)), client_of(factory)
    with factory.house.reading() as session:
        code = code_of(session, "run", number)
    for n, (path, failing, stated) in enumerate((("", 2, {"decimal": ","}), ("/correct", 3, {"decimal": ",", "reason": "two were left out"}))):
        data = "unit;result;vf\n" + "".join(f"{unit};{'E07' if unit <= failing else 'pass'};3,125\n" for unit in range(1, 81))
        files, key = {"file": (f"t{n}.csv", data)}, {"Idempotency-Key": f"{n}"}
        sent = client.post(f"/api/v1/runs/{code}/unit_results{path}", files=files, data=stated, headers=key)
        assert sent.status_code == 200, sent.text
    return code


@pytest.fixture
def command(house: House, monkeypatch: pytest.MonkeyPatch) -> CliRunner:
    monkeypatch.setenv("REELROOT_DATA_DIR", str(house.data_dir))
    monkeypatch.setenv("REELROOT_DATABASE_URL", house.settings.url)
    return CliRunner()


def kept(house: House) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (house.data_dir / "unit_results").iterdir()}


def test_what_is_missing_is_named_with_its_remedy_and_made_anew(house: House, run: str, command: CliRunner) -> None:
    before = kept(house)
    assert len(before) == 2 and list(check(house)) == []
    gone, damaged = (house.data_dir / "unit_results" / name for name in sorted(before))
    gone.unlink()
    damaged.write_bytes(b"x")
    found = command.invoke(shell, ["check"])
    assert found.exit_code == FOUND
    assert f"unit results: {run}: the file {gone.name[:12]} is missing: {REMEDY}" in found.stdout
    assert f"unit results: {run}: the file {damaged.name[:12]} is not as it was written: {REMEDY}" in found.stdout
    done = command.invoke(shell, ["rebuild-results"])
    assert done.stdout.splitlines() == [f"{run}: t0.csv: 80 units, as recorded", f"{run}: t1.csv: 80 units, as recorded"]
    assert done.exit_code == 0
    assert kept(house) == before and list(check(house)) == []
    again = command.invoke(shell, ["rebuild-results"])
    assert (again.exit_code, again.stdout) == (0, "")


def test_what_a_killed_command_left_of_them_is_made_whole(house: House, run: str, command: CliRunner) -> None:
    before = kept(house)
    folder = house.data_dir / "unit_results"
    for path in folder.iterdir():
        path.rename(folder / f"rebuilding-{path.name}")
    assert command.invoke(shell, ["rebuild-results"]).exit_code == 0
    assert kept(house) == before


def test_what_was_taken_for_a_failure_before_it_was_asked_about_is_one_when_it_is_made_anew(
    house: House, factory: Factory, command: CliRunner, monkeypatch: pytest.MonkeyPatch  # noqa: F811
) -> None:  # fmt: skip
    number, client = factory.start("Tester", loose_lot(factory)), client_of(factory)
    with house.reading() as session:
        sent = {"url": f"/api/v1/runs/{code_of(session, 'run', number)}/unit_results"}
    data = "unit,result,vf\n" + "".join(f"{unit},{'NOT TESTED' if unit < 3 else 'pass'},3.1\n" for unit in range(1, 81))
    assert client.post(**sent, files={"file": ("t.csv", data)}, headers={"Idempotency-Key": "1"}).status_code == 422
    with monkeypatch.context() as before:
        before.setattr(result_faults, "_NO_TEST", set())
        assert client.post(**sent, files={"file": ("t.csv", data)}, headers={"Idempotency-Key": "2"}).status_code == 200
    for path in (house.data_dir / "unit_results").iterdir():
        path.unlink()
    done = command.invoke(shell, ["rebuild-results"])
    assert done.exit_code == 0 and "80 units, as recorded" in done.stdout


def test_what_can_t_be_made_as_recorded_stays_missing_and_says_why(house: House, run: str, command: CliRunner) -> None:
    for path in (house.data_dir / "unit_results").iterdir():
        path.unlink()
    _, right = originals(house)
    right.write_bytes(right.read_bytes().replace(b"pass", b"PASS", 1))
    assert why_not(command) == {"t0.csv: 80 units, as recorded", "t1.csv: The tester's file is not as it came."}
    right.unlink()
    assert why_not(command) == {"t1.csv: The tester's file is missing as well."}
    assert len(kept(house)) == 1


@pytest.mark.parametrize(
    ("update", "why"),
    [
        ("update unit_file set rows = rows + 1", "it gives other counts than are recorded"),
        ("update unit_file set parquet = replace(parquet, substr(parquet, 1, 8), '00000000')", "The counts are as recorded, the bytes are not"),
        ("update evidence set stated = '{}' where kind = 'unit_results'", "3,125 may be thousands or decimals"),
    ],
    ids=["counts", "bytes", "refused"],
)
def test_other_counts_or_bytes_never_take_its_place(house: House, run: str, command: CliRunner, update: str, why: str) -> None:
    for path in (house.data_dir / "unit_results").iterdir():
        path.unlink()
    with house.owner_engine.begin() as connection:
        connection.execute(text(update))
    told = why_not(command)
    assert len(told) == 2 and all(why in one for one in told)
    assert kept(house) == {}


def why_not(command: CliRunner) -> set[str]:
    done = command.invoke(shell, ["rebuild-results"])
    assert done.exit_code == 1, done.output
    return {line.partition(": ")[2] for line in done.stdout.splitlines()}


def originals(house: House) -> list[Path]:
    """The testers' files, in the order in which they came."""
    with house.read_engine.connect() as connection:
        digests = connection.execute(text("select digest from evidence where kind = 'unit_results' order by id")).scalars().all()
    return [house.data_dir / "evidence" / digest[:2] / digest for digest in digests]

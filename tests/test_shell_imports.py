"""`reelroot import` of files from a disk: what they tell, files that are not there, and names in no encoding."""

import os
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from typer.testing import CliRunner

from app.cli import shell
from app.db import House
from app.errors import BadInput, Refused
from app.evidence.models import Evidence
from app.naming.resolve import code_of, resolve
from tests.floor.placing import attached, good_dies, log_of, onto, plain_map
from tests.genealogy.made import made_loose
from tests.small_factory import Factory


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load()


@pytest.fixture
def command(house: House, monkeypatch: pytest.MonkeyPatch) -> CliRunner:
    monkeypatch.setenv("REELROOT_DATA_DIR", str(house.data_dir))
    monkeypatch.setenv("REELROOT_DATABASE_URL", house.settings.url)
    return CliRunner()


@pytest.fixture
def station(factory: Factory) -> str:
    with factory.house.reading() as session:
        return code_of(session, "station", factory.things["Attach"])


def test_maps_and_the_logs_of_what_was_placed(factory: Factory, command: CliRunner, station: str, tmp_path: Path) -> None:
    panels = factory.panels(1)
    maps = [tmp_path / f"{name}.txt" for name in ("S-1", "S-2")]
    for path in maps:
        path.write_text(plain_map(path.stem))
    said = command.invoke(shell, ["import", "wafers", *map(str, maps), "--part", "WR", "--passing", "1"])
    assert said.exit_code == 0 and said.stdout.count("100 dies, 97 passing") == 2, said.output
    with factory.house.reading() as session:
        first = resolve(session, said.stdout.split()[0], "wafer")
    attached(factory, panels, first)
    logs = [tmp_path / f"{n}.csv" for n in (1, 2)]
    for path, lines in zip(logs, (onto("S-1", panels[0], good_dies(19)), onto("S-1", panels[0], [*good_dies(19), (3, 0)])), strict=True):
        path.write_bytes(log_of(lines))
    said = command.invoke(shell, ["import", "placements", *map(str, logs), "--station", station])
    assert said.exit_code == 0 and "19 placed, 0 lost, 0 wrong, 0 known before" in said.stdout, said.output
    assert "1 placed, 0 lost, 1 wrong, 19 known before" in said.stdout and "die failed: line 21" in said.stdout


def test_a_file_whose_name_is_in_no_encoding_is_taken_or_refused_as_any_other(
    factory: Factory, command: CliRunner, station: str, tmp_path: Path
) -> None:
    wafer_map = tmp_path / os.fsdecode(b"M\xe4rz.txt")  # as a disk in Latin-1 names it
    wafer_map.write_text(plain_map("S-9"))
    said = command.invoke(shell, ["import", "wafers", str(wafer_map), "--part", "WR", "--passing", "1"])
    assert said.exit_code == 0 and "97 passing" in said.stdout, (said.output, said.exception)
    bad = tmp_path / os.fsdecode(b"M\xe4rz.csv")
    bad.write_text("time,wafer\n1,2\n")
    for kind, of in (("placements", "--station"), ("logger", "--oven")):
        refused = command.invoke(shell, ["import", kind, str(bad), of, station])
        assert isinstance(refused.exception, BadInput) and "half a character" not in str(refused.exception), refused.exception
    with factory.house.reading() as session:
        assert list(session.scalars(select(Evidence.name).order_by(Evidence.id)))[-3:] == ["M\ufffdrz.txt", "M\ufffdrz.csv", "M\ufffdrz.csv"]


@pytest.mark.parametrize("path", ["none.csv", "."], ids=["no such file", "a folder"])
def test_a_file_that_is_not_there_is_refused_by_its_name(factory: Factory, command: CliRunner, station: str, tmp_path: Path, path: str) -> None:
    *_, loose = made_loose(factory)
    test = factory.start("Tester", loose)
    with factory.house.reading() as session:
        run = code_of(session, "run", test)
    whole = str(tmp_path / path)
    for kind, *more in (("wafers", "--part", "WR"), ("placements", "--station", station), ("logger", "--oven", station), ("results", "--run", run)):
        refused = command.invoke(shell, ["import", kind, whole, *more])
        assert isinstance(refused.exception, Refused) and refused.exception.reasons[0].where == whole, (kind, refused.exception)


def test_a_file_that_may_not_be_read_is_no_folder_that_takes_no_writes(
    factory: Factory, command: CliRunner, station: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = tmp_path / "log.csv"
    opened = Path.open

    def only_others(path: Path, *how: Any, **more: Any) -> Any:
        if path == kept:
            raise PermissionError(13, "Permission denied")  # what nobody is refused who runs the tests as root
        return opened(path, *how, **more)

    monkeypatch.setattr(Path, "open", only_others)
    refused = command.invoke(shell, ["import", "placements", str(kept), "--station", station])
    assert isinstance(refused.exception, BadInput) and "A file can't be read" in str(refused.exception), refused.exception

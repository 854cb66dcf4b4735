"""`reelroot catalogue` from outside: exit codes, lines, and a dump that loads back."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from cast import SMALL

from app.db import House
from app.journal.act import SYSTEM, act
from app.migrate import upgrade
from app.people.people import add_person
from app.people.secrets import set_secret
from app.settings import Settings


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An installation with one engineer, whose badge is E-EN02-C and whose password is `long enough`."""
    house = House(Settings(data_dir=tmp_path / "data"))
    upgrade(house)

    def verb(session: object, by: object) -> dict[str, str]:
        engineer = add_person(session, by, "Ena", ["engineer"], badge="E-EN02-C")  # type: ignore[arg-type]
        set_secret(session, by, engineer.id, "password", "long enough")  # type: ignore[arg-type]
        return {}

    act(house, SYSTEM, "add_person", {}, verb)
    house.dispose()
    return tmp_path / "data"


def reelroot(folder: Path, *arguments: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    plain = {name: value for name, value in os.environ.items() if not name.startswith("REELROOT_")}
    command = [sys.executable, "-m", "app", "catalogue", *arguments, "--data", str(folder)]
    return subprocess.run(command, env=plain | {"COLUMNS": "200"}, capture_output=True, text=True, timeout=60, check=False, input=typed)


def test_load_check_dump_and_approve(folder: Path, tmp_path: Path) -> None:
    before = reelroot(folder, "check", str(SMALL))
    assert before.returncode == 0, before.stderr
    assert "added route P1 rev A" in before.stdout
    loaded = reelroot(folder, "load", str(SMALL))
    assert loaded.stdout == before.stdout
    assert "no lot starts by it until an engineer approves it" in loaded.stderr
    assert "Nothing changed" in reelroot(folder, "load", str(SMALL)).stdout

    dumped = tmp_path / "dump.toml"
    dumped.write_text(reelroot(folder, "dump").stdout)
    assert "Nothing would change" in reelroot(folder, "check", str(dumped)).stdout

    dumped.write_text(dumped.read_text().replace("soak_minutes = 110.0", "soak_minutes = 100.0"))
    assert reelroot(folder, "load", str(dumped)).stdout == "changed recipe C170: soak_minutes 110 -> 100\n"

    wrong = reelroot(folder, "approve", "P1", "A", "--by", "E-EN02-C", typed="guessed\n")
    assert (wrong.returncode, wrong.stdout) == (1, "")
    assert "password is wrong" in wrong.stderr
    done = reelroot(folder, "approve", "P1", "A", "--by", "E-EN02-C", typed="long enough\n")
    assert done.returncode == 0, done.stderr
    assert done.stdout == "P1 rev A is active.\n"
    assert "steps[cure].recipe: (none) -> C170" in done.stderr


def test_a_wrong_file_is_one_and_names_the_line(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "wrong.toml"
    file.write_text('[[recipes]]\nname = "X"\nsoak = 3\n')
    done = reelroot(folder, "check", str(file))
    assert (done.returncode, done.stdout) == (1, "")
    assert "line 3, recipes[0].soak: There is no key soak here." in done.stderr
    assert "Traceback" not in done.stderr


def test_a_file_that_is_not_there_is_wrong_use(folder: Path) -> None:
    assert reelroot(folder, "load", "/nowhere.toml").returncode == 2

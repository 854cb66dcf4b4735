"""The shell's own manners: exit codes, sentences instead of stack traces, help that comes at once."""

import os
import subprocess
import sys
from pathlib import Path

from app.db import House
from app.migrate import is_newest
from app.settings import Settings


def reelroot(*arguments: str, **settings: str) -> subprocess.CompletedProcess[str]:
    plain = {name: value for name, value in os.environ.items() if not name.startswith("REELROOT_")}
    command = [sys.executable, "-m", "app", *arguments]
    return subprocess.run(command, env=plain | {"COLUMNS": "200"} | settings, capture_output=True, text=True, timeout=60, check=False)


def test_upgrade_makes_the_database_and_again_changes_nothing(tmp_path: Path) -> None:
    first, second = reelroot("upgrade", "--data", str(tmp_path)), reelroot("upgrade", "--data", str(tmp_path))
    assert (first.returncode, second.returncode) == (0, 0)
    assert "is now at" in first.stdout
    assert "was already at" in second.stdout
    house = House(Settings(data_dir=tmp_path))
    assert is_newest(house)
    house.dispose()


def test_upgrade_takes_the_database_of_the_settings(empty_house: House) -> None:
    done = reelroot("upgrade", REELROOT_DATA_DIR=str(empty_house.data_dir), REELROOT_DATABASE_URL=empty_house.settings.url)
    assert done.returncode == 0, done.stderr
    assert is_newest(empty_house)


def test_wrong_use_is_two_and_says_how(tmp_path: Path) -> None:
    done = reelroot("upgrade", "--date", str(tmp_path))
    assert done.returncode == 2
    assert "--date" in done.stderr
    assert "Usage" in done.stderr


def test_a_wrong_setting_is_named(tmp_path: Path) -> None:
    done = reelroot("upgrade", "--data", str(tmp_path), REELROOT_PORT="eighty")
    assert done.returncode == 1
    assert done.stdout == ""
    assert "REELROOT_PORT" in done.stderr
    assert "'eighty'" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_database_that_does_not_answer_is_a_sentence(tmp_path: Path) -> None:
    done = reelroot("upgrade", "--data", str(tmp_path), REELROOT_DATABASE_URL=f"postgresql+psycopg://someone:word@/none?host={tmp_path}")
    assert done.returncode == 1
    assert "does not answer" in done.stderr
    assert "Traceback" not in done.stderr
    assert "word@" not in done.stderr


def test_help_needs_no_engine() -> None:
    script = "import sys, app.cli; print(sorted({'sqlalchemy', 'alembic', 'fastapi', 'scipy', 'numpy', 'duckdb'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.strip() == "[]"

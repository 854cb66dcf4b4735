"""`reelroot user` from outside: secrets from standard input, badges and tokens to standard output."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy import select

from app import clock
from app.db import House
from app.naming.resolve import resolve
from app.people.models import Person
from app.people.secrets import is_right
from app.people.tokens import bearer_of, tokens_in_force
from app.settings import Settings


@pytest.fixture
def folder(tmp_path: Path, sqlite_template: Path) -> Path:
    shutil.copy(sqlite_template, tmp_path / "reelroot.db")
    return tmp_path


def user(folder: Path, *arguments: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    plain = {name: value for name, value in os.environ.items() if not name.startswith("REELROOT_")}
    command = [sys.executable, "-m", "app", "user", *arguments, "--data", str(folder)]
    environment = plain | {"COLUMNS": "200"}
    return subprocess.run(command, env=environment, capture_output=True, text=True, timeout=60, check=False, input=typed)


def test_a_person_from_nothing_to_a_password_and_a_pin(folder: Path) -> None:
    added = user(folder, "add", "Ada Fenn", "--duty", "administer", "--duty", "lead", typed="long enough\n")
    badge = added.stdout.strip()
    assert (added.returncode, badge) == (0, "E-0001-V"), added.stderr
    assert user(folder, "list").stdout == "E-0001-V  Ada Fenn: lead, administer\n"
    assert user(folder, "pin", badge, typed="402817\n").returncode == 0
    assert user(folder, "password", badge.lower(), typed="another one\n").returncode == 0
    house = House(Settings(data_dir=folder))
    with house.reading() as session:
        ada = resolve(session, badge, "person").id
        assert is_right(session, ada, "pin", "402817")
        assert is_right(session, ada, "password", "another one")
        assert not is_right(session, ada, "password", "long enough")
    house.dispose()


def test_a_token_is_printed_once_and_alone(folder: Path) -> None:
    made = user(folder, "token", "bonder 3", "--duty", "operate", "--facts", "--days", "30")
    secret = made.stdout.removesuffix("\n")
    house = House(Settings(data_dir=folder))
    with house.reading() as session:
        found, (token,) = bearer_of(session, secret, clock.now()), tokens_in_force(session)
        assert found is not None and found.may_state_facts and token.valid_until is not None
        assert 29 < (token.valid_until - clock.now()).days + 1 <= 30
    house.dispose()


@pytest.mark.parametrize(("arguments", "typed", "said"), [
    (("add", "Ada", "--duty", "fly"), "long enough\n", "'fly' is not one of"), (("add", "Ada", "--duty", "operate"), "short\n", "8 to 200"),
    (("add", "Ada", "--duty", "operate"), "", "8 to 200"), (("pin", "E-0009-9"), "1234\n", "Nothing here has the code"),
    (("token", "bonder", "--duty", "fly"), "", "'fly' is not one of"),
])  # fmt: skip
def test_what_is_wrong_is_a_sentence_and_exit_code_one(folder: Path, arguments: tuple[str, ...], typed: str, said: str) -> None:
    done = user(folder, *arguments, typed=typed)
    assert (done.returncode, done.stdout) == (1, "")
    assert said in done.stderr and "Traceback" not in done.stderr
    house = House(Settings(data_dir=folder))
    with house.reading() as session:
        assert list(session.scalars(select(Person))) == [] and tokens_in_force(session) == []
    house.dispose()

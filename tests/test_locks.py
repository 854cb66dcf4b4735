"""What is installed is pinned, with digests and without the address of an index."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
RUNTIME = PROJECT["dependencies"]
TESTS = RUNTIME + PROJECT["optional-dependencies"]["test"]
FUZZ = TESTS + PROJECT["optional-dependencies"]["fuzz"]
LOCKS = {"requirements.txt": RUNTIME, "requirements-test.txt": TESTS, "requirements-fuzz.txt": FUZZ}


@pytest.mark.parametrize("lock", LOCKS)
def test_every_dependency_is_pinned_to_a_version_that_it_allows(lock: str) -> None:
    pinned = _pinned(lock)
    for wanted in map(Requirement, LOCKS[lock]):
        versions = pinned.get(canonicalize_name(wanted.name), [])
        assert versions, f"{lock} lacks {wanted.name}: run make lock"
        assert all(wanted.specifier.contains(version) for version in versions), f"{lock} has {wanted.name} {versions}: run make lock"


@pytest.mark.parametrize("lock", LOCKS)
def test_every_entry_has_a_digest_and_none_has_an_address(lock: str) -> None:
    entries = re.split(r"\n(?=\S)", (ROOT / lock).read_text().strip())
    assert [entry.splitlines()[0] for entry in entries if "--hash=sha256:" not in entry] == []
    assert "://" not in (ROOT / lock).read_text()


def test_tests_run_on_what_the_program_is_installed_with() -> None:
    runtime, whole, fuzz = (_pinned(lock) for lock in LOCKS)
    assert {name: versions for name, versions in runtime.items() if whole.get(name) != versions} == {}
    assert {name: versions for name, versions in whole.items() if fuzz.get(name) != versions} == {}


def _pinned(lock: str) -> dict[str, list[str]]:
    """Name -> its versions: several where they differ by Python version."""
    found: dict[str, list[str]] = {}
    for name, version in re.findall(r"^([A-Za-z0-9._-]+)(?:\[[^\]]*\])?==([^\s;\\]+)", (ROOT / lock).read_text(), re.MULTILINE):
        found.setdefault(canonicalize_name(name), []).append(version)
    return found

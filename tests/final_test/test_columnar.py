"""What DuckDB may open."""

from pathlib import Path

import duckdb
import pytest

from app.final_test.columnar import columnar


@pytest.fixture
def named(tmp_path: Path) -> Path:
    for name in ("it's named.csv", "other.csv"):
        (tmp_path / name).write_text("a\n1\n")
    return tmp_path / "it's named.csv"


def asked(path: Path, *files: Path, folder: Path | None = None) -> list[tuple[int]]:
    with columnar(*files, folder=str(folder) if folder else None) as connection:
        return connection.execute("SELECT * FROM read_csv(?)", [str(path)]).fetchall()


def test_it_opens_what_is_named(named: Path) -> None:
    assert asked(named, named) == asked(named, folder=named.parent) == [(1,)]


@pytest.mark.parametrize("statement", [
    "SELECT * FROM read_csv('{folder}/other.csv')",
    "SELECT content FROM read_text('{folder}/other.csv')",
    "SELECT * FROM glob('{folder}/*')",
    "COPY (SELECT 1) TO '{folder}/new.csv'",
    "ATTACH '{folder}/new.db'",
    "SET allowed_directories = ['{folder}']",
    "SET enable_external_access = true",
    "INSTALL httpfs",
])  # fmt: skip
def test_it_opens_nothing_else(named: Path, statement: str) -> None:
    with columnar(named) as connection, pytest.raises((duckdb.PermissionException, duckdb.InvalidInputException)):
        connection.execute(statement.format(folder=named.parent))
    assert len(list(named.parent.iterdir())) == 2

"""The rooms stand in one order: imports and foreign keys run towards the ground, never up."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from app.tables import Base

APP = Path(__file__).parent.parent / "app"
ORDER = (
    "settings", "errors", "clock", "codes", "db", "drawing", "web", "journal", "naming", "people", "evidence", "catalogue", "ledger", "holds",
    "receiving", "floor", "ovens", "final_test", "packing", "genealogy", "quality", "board", "labels", "paper", "scan", "machines",
    "tables", "migrate", "backup", "main", "cli", "__main__",
)  # fmt: skip


def imports_of(path: Path) -> Iterator[tuple[int, str]]:
    """(line, room) of every import of a room, wherever in the file it stands."""
    for node in ast.walk(ast.parse(path.read_text())):
        names = []
        if isinstance(node, ast.ImportFrom) and node.module:
            names = [f"{node.module}.{alias.name}" for alias in node.names] if node.module == "app" else [node.module]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "app" and len(parts) > 1:
                yield node.lineno, parts[1]


def room_of(path: Path) -> str:
    return path.relative_to(APP).parts[0].removesuffix(".py")


FILES = sorted(path for path in APP.rglob("*.py") if path != APP / "__init__.py")


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(APP)))
def test_a_room_uses_only_rooms_nearer_the_ground(path: Path) -> None:
    room = room_of(path)
    assert room in ORDER, f"{room} has no place in the order"
    upwards = [f"line {line}: {used}" for line, used in imports_of(path) if used != room and ORDER.index(used) > ORDER.index(room)]
    assert not upwards, f"{path} uses rooms above {room}: {upwards}"


def test_foreign_keys_run_the_same_way() -> None:
    rooms = {mapper.local_table.name: mapper.class_.__module__.split(".")[1] for mapper in Base.registry.mappers}
    upwards = [
        f"{table.name}.{key.parent.name} -> {key.column.table.name}"
        for table in Base.metadata.tables.values()
        for key in table.foreign_keys
        if ORDER.index(rooms[key.column.table.name]) > ORDER.index(rooms[table.name])
    ]
    assert upwards == []


def test_there_are_no_rooms_without_a_word_about_them() -> None:
    for init in APP.glob("*/__init__.py"):
        assert ast.get_docstring(ast.parse(init.read_text())), f"{init} does not say what the room owns"


def test_nothing_names_a_drawer() -> None:
    tells_nothing = {"utils", "helpers", "manager", "service", "common", "misc"}
    assert not [path for path in FILES if path.stem in tells_nothing]

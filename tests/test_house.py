"""The rooms stand in one order: imports and foreign keys run towards the ground, never up."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.routing import APIRoute

from app import main
from app.people.callers import form_is_ours
from app.people.doors import DOORS
from app.tables import Base

APP = Path(__file__).parent.parent / "app"
ORDER = (
    "settings", "garbage", "errors", "misfits", "named_once", "outages", "clock", "codes", "several", "journeys", "db", "listed", "drawing", "web",
    "journal", "naming", "people", "evidence", "catalogue", "ledger", "holds", "receiving", "floor", "ovens", "final_test", "packing", "genealogy",
    "board", "desk", "labels", "paper", "scan", "machines", "tables", "rights", "migrate", "backup", "main", "shell", "cli", "__main__",
)  # fmt: skip
FILES = sorted(path for path in APP.rglob("*.py") if path != APP / "__init__.py")


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(APP)))
def test_a_room_uses_only_rooms_nearer_the_ground(path: Path) -> None:
    room = room_of(path)
    assert room in ORDER, f"{room} has no place in the order"
    upwards = list(uses_above(room, path.read_text()))
    assert not upwards, f"{path.relative_to(APP)} uses rooms above {room}: {upwards}"


@pytest.mark.parametrize(
    "source",
    [
        "import app.scan.choose",
        "import json, app.scan",
        "from app.scan import choose",
        "from app import scan",
        "from app.scan.choose import choose as pick",
        "def later():\n    from app.scan import choose",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from app.scan import choose",
        "from ..scan import choose",
        "from app.unknown_room import what",
    ],
)
def test_an_import_upwards_is_seen_however_it_is_written(source: str) -> None:
    assert list(uses_above("ledger", source))


def test_an_import_downwards_or_of_others_is_fine() -> None:
    source = "import json\nfrom app import codes\nfrom app.ledger.items import Item\nfrom sqlalchemy import select\nfrom app.journal.act import By"
    assert list(uses_above("ledger", source)) == []


def test_foreign_keys_run_the_same_way() -> None:
    rooms = {mapper.local_table.name: mapper.class_.__module__.split(".")[1] for mapper in Base.registry.mappers}
    upwards = [
        f"{table.name}.{key.parent.name} -> {key.column.table.name}"
        for table in Base.metadata.tables.values()
        for key in table.foreign_keys
        if ORDER.index(rooms[key.column.table.name]) > ORDER.index(rooms[table.name])
    ]
    assert upwards == []


def test_relationships_run_the_same_way() -> None:
    upwards = [
        f"{mapper.class_.__name__}.{relation.key} -> {relation.mapper.class_.__name__}"
        for mapper in Base.registry.mappers
        for relation in mapper.relationships
        if _room_of_class(relation.mapper.class_) > _room_of_class(mapper.class_)
    ]
    assert upwards == []


def test_every_room_says_what_it_owns() -> None:
    folders = {path.parent for path in FILES if path.parent != APP}
    silent = [folder.name for folder in folders if not (folder / "__init__.py").exists() or not _says_something(folder / "__init__.py")]
    assert sorted(silent) == []


def test_every_table_is_known_to_the_migrations() -> None:
    """A room's `models.py` that `tables.py` forgets would have no table."""
    known = {mapper.class_.__module__ for mapper in Base.registry.mappers}
    written = {_module_of(path) for path in FILES if _maps_a_table(path)}
    assert written - known == set()


def test_no_file_is_a_drawer() -> None:
    tells_nothing = {"utils", "helpers", "manager", "service", "services", "common", "misc"}
    assert [path for path in FILES if path.stem in tells_nothing] == []


def uses_above(room: str, source: str) -> Iterator[str]:
    """What a file of this room uses that stands above it or nowhere, with the line; imports inside functions count."""
    for line, used in _imports(source):
        if used != room and (used not in ORDER or ORDER.index(used) > ORDER.index(room)):
            yield f"line {line}: {used}"


def _imports(source: str) -> Iterator[tuple[int, str]]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.level:
            yield node.lineno, "a relative import: name the room"
            continue
        if isinstance(node, ast.ImportFrom):
            names = [f"app.{alias.name}" for alias in node.names] if node.module == "app" else [node.module or ""]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        yield from ((node.lineno, name.split(".")[1]) for name in names if name.startswith("app."))


def room_of(path: Path) -> str:
    return path.relative_to(APP).parts[0].removesuffix(".py")


def _room_of_class(cls: type) -> int:
    return ORDER.index(cls.__module__.split(".")[1])


def _says_something(path: Path) -> bool:
    return bool(ast.get_docstring(ast.parse(path.read_text())))


def _module_of(path: Path) -> str:
    return ".".join(path.relative_to(APP.parent).with_suffix("").parts)


def _maps_a_table(path: Path) -> bool:
    return any(isinstance(node, ast.Name) and node.id == "__tablename__" for node in ast.walk(ast.parse(path.read_text())))


def test_every_route_has_a_row_that_says_which_duties_open_it() -> None:
    """A route without a row opens to nobody: add one to app/people/doors.py."""
    routes = {f"{method} {route.path}" for router in (*main._PAGES, *main._CALLS) for route in router.routes for method in route.methods}  # type: ignore[attr-defined]
    assert sorted(routes - set(DOORS)) == [], "routes without a row in app/people/doors.py"
    assert sorted(set(DOORS) - routes) == [], "rows of app/people/doors.py without a route"


def test_every_page_asks_first_who_calls_and_whose_form_it_is() -> None:
    pages = [route for router in main._PAGES for route in router.routes if isinstance(route, APIRoute)]
    assert pages
    open_pages = [page.path for page in pages if form_is_ours not in [one.dependency for one in page.dependencies]]
    assert open_pages == [], "pages of a router that page_router() did not make"

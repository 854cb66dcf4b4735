"""What the documents name is there: a test that was renamed would leave a claim with nothing behind it."""

import ast
import re
from pathlib import Path

import pytest

HOME = Path(__file__).parent.parent
DOCUMENTS = [
    *(HOME / name for name in ("README.md", "DEVELOPERS.md")),
    *(HOME / "docs" / name for name in ("asvs.md", "calls.md", "files.md", "standby.md", "threats.md")),
]
TESTS = {
    node.name
    for path in (HOME / "tests").rglob("test_*.py")
    for node in ast.walk(ast.parse(path.read_text()))
    if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
}
_OURS = ("app/", "tests/", "docs/", "benchmarks/", "seed_demo/", ".ci/", "templates/")


def coded(document: Path) -> list[str]:
    return re.findall(r"`([^`\n]+)`", document.read_text())


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_every_test_that_a_document_names_is_there(document: Path) -> None:
    named = {word for word in coded(document) if re.fullmatch(r"test_\w+", word)}
    assert named - TESTS == set()
    if document.name == "asvs.md":
        assert len(named) > 50, "the reading of the document itself is broken"


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_every_file_that_a_document_names_is_there(document: Path) -> None:
    told = [word.split()[0] for word in coded(document)] + re.findall(r"\]\(([^)#:]+)\)", document.read_text())
    named = {path for path in told if path.startswith(_OURS) and not set(path) & set("*{<")}
    missing = {path for path in named if not ((HOME / path).exists() or (document.parent / path).exists())}
    assert missing == set()


def test_every_module_that_a_document_or_a_docstring_names_is_there() -> None:
    """Named as it stands in its room, or by its name alone; several of a chain stand in one pair of quotes."""
    folders = [HOME / name for name in ("app", "tests", "benchmarks", "seed_demo", "docs")]
    ours = [f"/{path.relative_to(HOME).as_posix()}" for folder in folders for path in folder.rglob("*.py")]
    named: dict[str, str] = {}
    for path in [*DOCUMENTS, *(HOME / "app").rglob("*.py")]:
        named |= {name: path.name for quoted in coded(path) for name in re.findall(r"[\w/]+\.py\b", quoted)}
    assert len(named) > 50, "the reading of the names itself is broken"
    assert {name: where for name, where in named.items() if not any(one.endswith(f"/{name}") for one in ours)} == {}

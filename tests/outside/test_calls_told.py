"""The calls of docs/calls.md, made one after another as they stand there, on a plant of their own; what each answer is told to hold is compared."""

import json
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from people.signing_in import PASSWORD, person, token

from app.db import House
from app.main import make_app

TOLD = (Path(__file__).parents[2] / "docs" / "calls.md").read_text()
FILES = {name: text.encode() for name, text in re.findall(r"```\w+ (\S+)\n(.*?)```", TOLD, re.DOTALL)}
CALLS = re.findall(r"```http\n(GET|POST) (\S+)(.*?)\n\n(\d+) (.*?)```", re.sub(r"(?<=\{)(\w+) (\w+)(?=\})", r"\1_\2", TOLD), re.DOTALL)


def test_the_calls_give_the_answers_that_are_told(house: House) -> None:
    bearer = token(house, "operate", "lead", "quality", "engineer", facts=True)
    assert len(CALLS) == TOLD.count("```http") > 0, "the reading of the document itself is broken"
    known = {"badge": person(house, "Ida Quist", "engineer"), "password": PASSWORD}
    with TestClient(make_app(house.settings, house), headers={"Authorization": f"Bearer {bearer}"}) as client:
        for method, path, sent, status, told in CALLS:
            answer = client.request(method, f"/api/v1{fill(path, known)}", **body(fill(sent.strip(), known)))
            assert answer.status_code == int(status), f"{method} {path}: {answer.text}"
            differs = list(differences(json.loads(told), answer.json(), known))
            assert not differs, f"{method} {path}: {differs} in {answer.text}"


def fill(text: str, known: dict[str, Any]) -> str:
    return re.sub(r"\{(\w+)\}", lambda name: str(known[name[1]]), text)


def body(sent: str) -> dict[str, Any]:
    """As a client of HTTP takes it: JSON, one file alone, or a form with files."""
    if not sent or sent.startswith("{"):
        return {"json": json.loads(sent)} if sent else {}
    if sent.startswith("@"):
        return {"content": FILES[sent[1:]]}
    fields = dict(word.split("=", 1) for word in shlex.split(sent))
    files = {name: (value[1:], FILES[value[1:]]) for name, value in fields.items() if value.startswith("@")}
    return {"files": files, "data": {name: value for name, value in fields.items() if name not in files}}


def differences(told: Any, given: Any, known: dict[str, Any], where: str = "") -> Iterator[str]:
    """Where what was given lacks what is told; a name in braces that is met for the first time is kept."""
    if isinstance(told, dict):
        for name, value in told.items():
            yield from differences(value, given.get(name), known, f"{where}.{name}")
    elif isinstance(told, list):
        if len(told) > len(given):
            yield f"{where}: {len(given)}"
        for number, (one, other) in enumerate(zip(told, given, strict=False)):
            yield from differences(one, other, known, f"{where}[{number}]")
    elif isinstance(told, str) and (name := re.fullmatch(r"\{(\w+)\}", told)):
        if given is None or known.setdefault(name[1], given) != given:
            yield f"{where}: {given}"
    elif (pytest.approx(told, abs=5e-4) if isinstance(told, float) else told) != given:  # as many places as the document has
        yield f"{where}: {given}"

"""An empty query parameter is as good as none, in every call that asks."""

import re

import pytest

from app.db import House
from app.naming.resolve import code_of
from tests.genealogy.made import client_of, made
from tests.small_factory import Factory


@pytest.mark.only_on("sqlite")
def test_an_empty_parameter_changes_no_answer(house: House) -> None:
    factory = Factory(house).load()
    one, client = made(factory), client_of(factory)
    with house.reading() as session:
        station = code_of(session, "station", factory.things["Taper"])
    codes = {"station": station, "lot": one.best.code, "wafer": one.wafer.code, "panel": one.panels[0].code}
    asked = 0
    for path, methods in client.app.openapi()["paths"].items():  # type: ignore[attr-defined]
        optional = [each["name"] for each in methods.get("get", {}).get("parameters", ()) if each["in"] == "query" and not each.get("required")]
        if not optional:
            continue
        given = {"suspect": one.wafer.code} if "exposure" in path else {}
        address = re.sub(r"{(\w+)}", lambda name: codes.get(name[1], one.reel.code), path)
        whole = client.get(address, params=given).status_code
        for name in [each for each in optional if each not in given]:
            asked += 1
            assert client.get(address, params=given | {name: ""}).status_code == whole, f"{path}?{name}="
    assert asked > 50


def test_an_empty_line_of_a_suspect_is_none_on_the_page_too(house: House) -> None:
    factory = Factory(house).load()
    one, client = made(factory), client_of(factory)
    asked = f"suspect={one.lot.code}&line=&shelf=&bin="
    page = client.get(f"/exposure?{asked}")
    assert page.status_code == 200 and one.reel.code in page.text
    told = [client.get(f"/api/v1/exposure?{query}").json() for query in (asked, f"suspect={one.lot.code}")]
    assert told[0] == told[1] and told[0]["total"]["greatest"] > 0

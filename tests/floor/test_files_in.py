"""Files from outside by the page: what they add stands in the answer, a repeat adds nothing, and one that is not understood is refused and kept."""

import json
import re
from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient
from floor.placing import wafer
from people.signing_in import HERE, PASSWORD, person
from receiving.test_origin_documents import MADE, call_it, document
from sqlalchemy import func, select

from app.db import House
from app.evidence.models import Evidence
from app.ledger.cells import Placement
from app.main import make_app
from app.receiving.models import OriginLink
from tests.small_factory import Factory

TRANSFERS = """<MapData xmlns="urn:semi-org:xsd.E142-1.V1005.SubstrateMap">
<Layouts><Layout LayoutId="Cells"><Dimension X="5" Y="4"/></Layout></Layouts><SubstrateMaps>
<SubstrateMap SubstrateType="Strip" SubstrateId="{panel}" OriginLocation="UpperLeft" AxisDirection="DownRight" LayoutSpecifier="S/Cells">
<Overlay MapName="Attach"><TransferMap FromSubstrateType="Wafer" FromSubstrateId="A-1">
<T FX="0" FY="0" TX="0" TY="0"/><T FX="1" FY="0" TX="1" TY="0"/>
</TransferMap></Overlay></SubstrateMap></SubstrateMaps></MapData>"""


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load()


@pytest.fixture
def browser(house: House, factory: Factory) -> Iterator[TestClient]:
    badge = person(house, "Lena", "operate", "lead")
    with TestClient(make_app(house.settings, house)) as client:
        client.post("/sign-in", data={"badge": badge, "secret": PASSWORD}, headers=HERE)
        yield client


def send(browser: TestClient, form: str, name: str, data: bytes, **fields: str) -> tuple[int, str]:
    hidden = dict(re.findall(r'type="hidden" name="(form_token|key)" value="([^"]*)"', browser.get("/files-in").text))
    answers = [browser.post(f"/files-in/{form}", data=hidden | fields, files={"file": (name, data)}, headers=HERE) for _ in range(2)]
    assert answers[0].status_code == answers[1].status_code, "the same form again"
    return answers[0].status_code, answers[0].text


def how_many(house: House, table: type) -> int:
    with house.reading() as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_a_suppliers_document_is_linked_and_a_wrong_one_says_where(house: House, factory: Factory, browser: TestClient) -> None:
    glue = factory.batch("GLUE")
    call_it(factory, glue, "HC-20881")
    status, page = send(browser, "origins", "lot.jsonld", json.dumps(document(MADE)).encode())
    assert status == 200 and glue.code in page and "HC-20881" in page
    assert how_many(house, OriginLink) == 1, "sent twice, taken in once"
    status, page = send(browser, "origins", "wrong.jsonld", json.dumps(document(MADE) | {"schemaVersion": "1.2"}).encode())
    assert status == 422 and "schemaVersion" in page and "Take in the document" in page
    with house.reading() as session:
        assert "wrong.jsonld" in set(session.scalars(select(Evidence.name))), "it is kept all the same"


def test_transfer_maps_put_dies_on_cells(house: House, factory: Factory, browser: TestClient) -> None:
    (panel,) = factory.panels(1)
    factory.mount("Attach", factory.batch("GLUE"), wafer(factory, "A-1"))
    factory.run("Attach", factory.lot([panel]))
    station = re.findall(r'<option value="(S[^"]+)">Attach', browser.get("/files-in").text)[0]
    status, page = send(browser, "placements", "maps.xml", TRANSFERS.format(panel=panel.code).encode(), station=station)
    assert status == 200 and "<dt>New dies on cells</dt><dd>2</dd>" in page
    assert how_many(house, Placement) == 1
    status, page = send(browser, "placements", "maps.xml", TRANSFERS.format(panel="P-NONE").encode(), station=station)
    assert status in (404, 422) and "P-NONE" in page


def test_only_who_may_sees_a_form_and_sends_it(house: House, factory: Factory) -> None:
    with TestClient(make_app(house.settings, house)) as client:
        client.post("/sign-in", data={"badge": person(house, "Ada", "administer"), "secret": PASSWORD}, headers=HERE)
        page = client.get("/files-in").text
        assert "<button>Take in" not in page
        hidden = dict(re.findall(r'name="(form_token)" value="([^"]*)"', page))
        assert client.post("/files-in/origins", data=hidden, files={"file": ("a.json", b"{}")}, headers=HERE).status_code == 403

"""EPCIS documents of suppliers: what they name is found by its number, kept as evidence, and shown; a wrong one is refused by its element."""

import copy
import json
from io import BytesIO
from typing import Any

import pytest
from fastapi.testclient import TestClient

from app.db import House
from app.errors import BadInput
from app.naming.resolve import Named, add_alias
from app.receiving.cbv import CONTEXT
from app.receiving.origin_events import NamedThing, read_origin_document
from tests.genealogy.made import client_of, made
from tests.small_factory import Factory

# the shape of GS1's own example of a transformation, with our values
MADE = {
    "type": "TransformationEvent", "eventTime": "2026-02-14T08:00:00Z", "eventTimeZoneOffset": "+08:00", "eventID": "urn:uuid:1",
    "inputQuantityList": [{"epcClass": "urn:epc:class:lgtin:0614141.054321.RESIN-7", "quantity": 20, "uom": "KGM"}],
    "outputQuantityList": [{"epcClass": "urn:epc:class:lgtin:0614141.012345.HC-20881", "quantity": 25, "uom": "KGM"}],
    "bizStep": "commissioning", "disposition": "in_progress", "readPoint": {"id": "urn:epc:id:sgln:0614141.00001.0"},
}  # fmt: skip
SENT = {
    "type": "ObjectEvent", "action": "OBSERVE", "eventTime": "2026-02-15T08:00:00+08:00", "eventTimeZoneOffset": "+08:00",
    "epcList": ["https://supplier.example/wafer/HARR-0007"], "bizStep": "https://ns.gs1.org/cbv/BizStep-shipping",
    "disposition": "urn:epcglobal:cbv:disp:in_transit",
}  # fmt: skip


LESS_THAN_NOTHING = {"epcClass": "urn:a:b", "quantity": -1}


def document(*events: dict[str, Any]) -> dict[str, Any]:
    return {
        "@context": [CONTEXT], "type": "EPCISDocument", "schemaVersion": "2.0", "creationDate": "2026-02-15T09:00:00Z",
        "epcisBody": {"eventList": [copy.deepcopy(event) for event in events]},
    }  # fmt: skip


@pytest.fixture
def factory(house: House) -> Factory:
    return Factory(house).load()


def call_it(factory: Factory, named: Named, number: str) -> None:
    factory.do("receive_batch", lambda s, by: add_alias(s, by, named, "supplier", "number", number))


def send(client: TestClient, sent: dict[str, Any] | bytes, name: str = "lot.jsonld") -> Any:
    data = sent if isinstance(sent, bytes) else json.dumps(sent).encode()
    return client.post("/api/v1/origins", files={"file": (name, BytesIO(data))})


def test_a_document_is_linked_by_the_suppliers_number_and_shown(factory: Factory) -> None:
    one = made(factory)
    call_it(factory, one.glue, "HC-20881")
    call_it(factory, one.wafer, "https://supplier.example/wafer/HARR-0007")
    client = client_of(factory)
    sent = json.dumps(document(MADE, SENT)).encode()
    answer = send(client, sent)
    assert answer.status_code == 200, answer.text
    links = [(link["item"], link["event"], link["role"]) for link in answer.json()["links"]]
    assert (answer.json()["events"], links) == (2, [(one.glue.code, 1, "output"), (one.wafer.code, 2, "object")])
    told = client.get(f"/api/v1/origins/{one.glue.code}").json()["origins"]
    assert [(row["step"], row["quantity"], row["uom"], row["came_from"]) for row in told] == [
        ("commissioning", 25.0, "KGM", ["urn:epc:class:lgtin:0614141.054321.RESIN-7"])
    ]
    wafer = client.get(f"/api/v1/origins/{one.wafer.code}").json()["origins"][0]
    assert (wafer["step"], wafer["disposition"], wafer["happened_at"]) == ("shipping", "in_transit", "2026-02-15T00:00:00Z")
    record = client.get(f"/api/v1/record/{one.reel.code}").json()
    assert {row["item"] for row in record["told"]} == {one.glue.code, one.wafer.code}
    file = next(row for row in record["files"] if row["kind"] == "origin document")
    assert client.get(f"/evidence/{file['number']}").content == sent
    for path in (f"/trace/{one.glue.code}?forward=true", f"/record/{one.reel.code}"):
        page = client.get(path).text
        assert "RESIN-7" in page and f"/evidence/{file['number']}" in page


def test_our_code_is_found_however_often_it_is_spelled_and_events_of_others_are_told(factory: Factory) -> None:
    glue = factory.batch("GLUE")
    spelled = [SENT | {"epcList": [f"https://supplier.example/batch/{code}"]} for code in (glue.code, glue.code.lower(), "HC-1")]
    answer = send(client_of(factory), document(*spelled)).json()
    assert ([(link["item"], link["event"]) for link in answer["links"]], answer["of_nothing_here"]) == ([(glue.code, 1), (glue.code, 2)], [3])


def test_a_document_that_names_nothing_of_ours_or_two_things_is_refused(factory: Factory) -> None:
    client = client_of(factory)
    glue, more = factory.batch("GLUE"), factory.batch("GLUE")
    assert send(client, document(MADE)).json()["kind"] == "unknown_code"
    for batch in (glue, more):
        call_it(factory, batch, "HC-20881")
    refused = send(client, document(MADE)).json()
    assert (refused["kind"], refused["reasons"][0]["where"]) == ("ambiguous_code", "epcisBody.eventList[0].outputQuantityList[0]")


@pytest.mark.parametrize(
    ("where", "change"),
    [
        ("type", lambda one: one.update(type="EPCISQueryDocument")),
        ("@context", lambda one: one.pop("@context")),
        ("@context", lambda one: one.update({"@context": ["https://other.example/context.jsonld"]})),
        ("schemaVersion", lambda one: one.update(schemaVersion="1.2")),
        ("epcisBody", lambda one: one.pop("epcisBody")),
        ("epcisBody.eventList", lambda one: one["epcisBody"].update(eventList=[])),
        ("epcisBody.eventList[0]", lambda one: one["epcisBody"]["eventList"].insert(0, "event")),
        ("epcisBody.eventList[0].type", lambda one: event(one, type="QuantityEvent")),
        ("epcisBody.eventList[0].eventTime", lambda one: event(one, eventTime="2026-02-14 at noon")),
        ("epcisBody.eventList[0].eventTime", lambda one: event(one, eventTime="2026-02-14T08:00:00")),
        ("epcisBody.eventList[0].eventTimeZoneOffset", lambda one: event(one, eventTimeZoneOffset="+15:00")),
        ("epcisBody.eventList[0].bizStep", lambda one: event(one, bizStep="transforming")),
        ("epcisBody.eventList[0].bizStep", lambda one: event(one, bizStep="urn:epcglobal:cbv:bizstep:transforming")),
        ("epcisBody.eventList[0].disposition", lambda one: event(one, disposition=7)),
        ("epcisBody.eventList[0].action", lambda one: event(one, action="ADD")),
        ("epcisBody.eventList[0]", lambda one: one["epcisBody"]["eventList"][0].pop("inputQuantityList")),
        ("epcisBody.eventList[0].outputQuantityList", lambda one: event(one, outputQuantityList="HC-20881")),
        ("epcisBody.eventList[0].outputQuantityList[0].epcClass", lambda one: event(one, outputQuantityList=[{"quantity": 1}])),
        ("epcisBody.eventList[0].outputQuantityList[0].quantity", lambda one: event(one, outputQuantityList=[LESS_THAN_NOTHING])),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_by_its_element(where: str, change: Any) -> None:
    wrong = document(MADE)
    change(wrong)
    with pytest.raises(BadInput) as refused:
        read_origin_document(json.dumps(wrong).encode(), "The file")
    assert [reason.where for reason in refused.value.reasons] == [where]


@pytest.mark.parametrize(
    ("where", "change"),
    [
        ("epcList", {"epcList": []}), ("epcList", {"epcList": [], "sensorElementList": [{}]}),
        ("parentID", {"type": "AggregationEvent", "action": "ADD", "childEPCs": ["urn:a:b"]}),
        ("childEPCs", {"type": "AggregationEvent", "action": "ADD", "parentID": "urn:a:b"}),
        ("childEPCs", {"type": "AssociationEvent", "parentID": "urn:a:b"}),
        ("", {"type": "AggregationEvent", "action": "DELETE", "parentID": "urn:a:b"}),
        ("", {"epcList": [], "sensorElementList": [{}], "readPoint": {"id": "urn:a:b"}}), ("", {"type": "TransactionEvent", "action": "DELETE"}),
    ],
)  # fmt: skip
def test_an_event_names_what_its_kind_asks_for(where: str, change: dict[str, Any]) -> None:
    """As the published schema has it; a DELETE may mean all that there was."""
    told = document(SENT | change)
    if not where:
        assert len(read_origin_document(json.dumps(told).encode(), "The file")) == 1
        return
    with pytest.raises(BadInput) as refused:
        read_origin_document(json.dumps(told).encode(), "The file")
    assert refused.value.reasons[0].where == f"epcisBody.eventList[0].{where}"


def event(one: dict[str, Any], **changed: Any) -> None:
    one["epcisBody"]["eventList"][0].update(changed)


BODY_OF_ONE = b'{"type": "EPCISDocument", "schemaVersion": "2.0", "epcisBody": 1}'


@pytest.mark.parametrize("data", [b"", b"{", b"[]", b"\xff\xfe", b"[" * 100_000, BODY_OF_ONE])
def test_what_is_no_document_is_refused(data: bytes) -> None:
    with pytest.raises(BadInput):
        read_origin_document(data, "The file")


def test_a_refused_document_is_kept(factory: Factory) -> None:
    client = client_of(factory)
    assert send(client, b"{}", "odd.jsonld").status_code == 422
    entries = client.get("/api/v1/journal?limit=3").json()["entries"]
    assert any(one["action"] == "keep_refused_file" for one in entries)


@pytest.mark.parametrize(
    ("uri", "number"),
    [
        ("urn:epc:class:lgtin:0614141.012345.RD0417", "RD0417"), ("urn:epc:id:sgtin:0614141.112345.40.0", "40.0"),
        ("https://id.gs1.org/01/09521321123456/10/LOT%2F7", "LOT/7"), ("https://supplier.example/wafer/HARR-0007", "HARR-0007"),
        ("urn:supplier:lot:A.1.2", "A.1.2"),
    ],
)  # fmt: skip
def test_the_number_within_a_uri(uri: str, number: str) -> None:
    assert NamedThing(uri, "object", None, "", "").number == number

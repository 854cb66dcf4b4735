"""Lists of lots and of containers."""

from collections import Counter, defaultdict

from sqlalchemy import ColumnElement, exists, or_, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.desk.listing import Cell, Column, Filter, Listing, Row, Sort, State, coded, equals, named_like
from app.desk.names import distinct, every_name, thing_is, times_of
from app.floor.amounts import amounts
from app.floor.standing import Standing, standings
from app.ledger.inside import is_inside
from app.ledger.items import Lot
from app.ledger.loose_stock import LooseStock
from app.ledger.places import Container, Content
from app.ledger.sets import LotHolding, Member, lots_of_panels
from app.listed import among
from app.naming.resolve import codes_of

_IN_IT = "in work, waiting or held"
_EMPTY = "nothing in it now"


def _lot_rows(session: Session, lots: list[Lot]) -> list[Row]:
    codes = codes_of(session, "lot", [lot.item for lot in lots])
    names = catalogue.with_ids(session, list({thing for lot in lots for thing in (lot.product, lot.order) if thing}))
    stand = standings(session, lots)
    units = amounts(session, [lot.item for lot in lots if lot.form == "loose"])
    begun = times_of(session, [lot.e for lot in lots])
    return [
        [
            coded(codes[lot.item]), names[lot.product].name, names[lot.order].name if lot.order else None,
            stand[lot.item].panels or None, units[lot.item].book if lot.item in units else None,
            *_next_and_state(stand[lot.item], units[lot.item].book if lot.item in units else 0),
            lot.bin, lot.grade, begun[lot.e],
        ]
        for lot in lots
    ]  # fmt: skip


def _next_and_state(stand: Standing, units: int) -> tuple[Cell, Cell]:
    """Nothing comes next for a lot that is spent: all of it went into others."""
    states = _states(stand, units)
    return (None if states == (_EMPTY,) else _next_steps(stand)), states


def _next_steps(stand: Standing) -> Cell:
    if len(stand.steps) == 1:
        return stand.steps[0][0]
    return tuple(f"{name} {n}" for name, n in stand.steps)


def _states(stand: Standing, units: int) -> tuple[Cell, ...]:
    found: list[Cell] = []
    if stand.is_held:
        found.append(State("held", "stop"))
    if stand.is_at_risk:
        found.append(State("at risk", "care"))
    if stand.in_work:
        found.append("in work" if stand.in_work >= stand.panels else f"in work, {stand.in_work} of {stand.panels} panels")
    elif not found:
        found.append("waiting" if stand.panels or units else _EMPTY)
    return tuple(found)


def _is_in_it(session: Session, value: str) -> ColumnElement[bool]:
    """Panels are in it, or loose units by its book."""
    panels = exists().where(LotHolding.lot == Lot.item, LotHolding.closed_e.is_(None))
    units = exists().where(LooseStock.lot == Lot.item, LooseStock.emptied_e.is_(None))
    found = or_(panels, units)
    return ~found if value == _EMPTY else found


def _by_its_panels(session: Session, text: str) -> ColumnElement[bool]:
    """A lot is found by a panel in it, or by the container that it is in."""
    of_panels = select(LotHolding.lot).join(Member, Member.set == LotHolding.set).where(LotHolding.closed_e.is_(None))
    in_container = select(Content.item).where(is_inside(), named_like(session, "container", Content.container, text))
    sets = select(Member.panel).join(Content, Content.set == Member.set)
    boxed = sets.where(Content.closed_e.is_(None), named_like(session, "container", Content.container, text))
    is_whole = len(text) >= 8  # a part of a panel's code would be found in every lot
    by_panel = [Lot.item.in_(of_panels.where(named_like(session, "panel", Member.panel, text)))] if is_whole else []
    return or_(Lot.item.in_(in_container), Lot.item.in_(of_panels.where(Member.panel.in_(boxed))), *by_panel)


LOTS = Listing(
    name="lots",
    title="Lots",
    about="What travels together, and where each lot stands on its route. A lot is found by its code or number, a container, or a panel in it.",
    empty="No lot yet. A lot is started at a floor terminal from panels, which come from a batch of lead frames.",
    records=select(Lot),
    key=Lot.item,
    kind="lot",
    columns=(
        Column("lot", "Lot"), Column("product", "Product"), Column("order", "Order"), Column("panels", "Panels", True),
        Column("units", "Loose units", True), Column("next", "Next step"), Column("state", "State"), Column("bin", "Bin"),
        Column("grade", "Grade"), Column("begun_at", "Begun"),
    ),
    rows=_lot_rows,
    sorts=(Sort("newest", "newest first", falling=True), Sort("oldest", "oldest first")),
    filters=(
        Filter("product", "Product", thing_is(Lot.product, "product"), every_name("product")),
        Filter("order", "Order", thing_is(Lot.order, "order"), every_name("order")),
        Filter("form", "Of", equals(Lot.form), ("panel", "loose")),
        Filter("grade", "Grade", equals(Lot.grade), ("prime", "second", "reject")),
        Filter("now", "Now", _is_in_it, (_IN_IT, _EMPTY)),
    ),
    search=_by_its_panels,
)  # fmt: skip


def _container_rows(session: Session, containers: list[Container]) -> list[Row]:
    ids = [one.id for one in containers]
    codes = codes_of(session, "container", ids)
    inside, since = _inside(session, ids)
    lots = codes_of(session, "lot", list({lot for found in inside.values() for lot in found}))
    samples = codes_of(session, "sample", list({item for found in inside.values() for item in found}))
    begun = times_of(session, since.values())
    return [
        [
            coded(codes[one.id]), one.name, one.kind, tuple(coded(lots.get(item) or samples.get(item)) for item in inside[one.id] if item),
            sum(inside[one.id].values()) or None, begun.get(since.get(one.id, 0)),
        ]
        for one in containers
    ]  # fmt: skip


def _inside(session: Session, containers: list[int]) -> tuple[dict[int, Counter[int]], dict[int, int]]:
    """What is in each container: lot or sample -> how many panels of it (0: it is loose); and the entry since which it is so."""
    found: defaultdict[int, Counter[int]] = defaultdict(Counter)
    query = select(Content).where(Content.container.in_(containers), is_inside())
    rows = list(session.scalars(query.order_by(Content.id)))
    holder = {row.set: row.container for row in rows if row.set is not None}
    panels = {panel: set_id for set_id, panel in session.execute(select(Member.set, Member.panel).where(among(Member.set, holder)))}
    lots = lots_of_panels(session, list(panels))
    for row in rows:
        if row.item is not None:
            found[row.container][row.item] = 0
    for panel, set_id in panels.items():
        found[holder[set_id]][lots.get(panel, 0)] += 1
    return found, {row.container: row.e for row in rows}


def _is_full(session: Session, value: str) -> ColumnElement[bool]:
    full = exists().where(Content.container == Container.id, is_inside())
    return full if value == "full" else ~full


CONTAINERS = Listing(
    name="containers",
    title="Containers",
    about="Magazines, trays and jars with labels of their own, used again and again. Scanning one means what is in it.",
    empty="No container yet. One is added under Do: add a container; its label is printed once and stays on it.",
    records=select(Container),
    key=Container.id,
    kind="container",
    columns=(
        Column("container", "Container"), Column("name", "Name"), Column("kind", "Kind"), Column("holds", "In it now"),
        Column("panels", "Panels", True), Column("since", "Since"),
    ),
    rows=_container_rows,
    sorts=(Sort("newest", "newest first", falling=True), Sort("name", "name", Container.name)),
    filters=(Filter("kind", "Kind", equals(Container.kind), distinct(Container.kind)), Filter("now", "Now", _is_full, ("full", "empty"))),
    search=lambda session, text: Container.name.icontains(text, autoescape=True),
)  # fmt: skip

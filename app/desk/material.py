"""Lists of what comes in: wafers, material batches, panels."""

from collections import defaultdict
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import ColumnElement, exists, func, select
from sqlalchemy.orm import Session

from app import clock
from app.catalogue import queries as catalogue
from app.desk.listing import Cell, Column, Filter, Linked, Listing, Row, Sort, State, Where, coded, equals, moment, named_like
from app.desk.names import distinct, numbers_of, roles, thing_is, things_named, times_of
from app.floor.containers import containers_of_panels
from app.floor.marks import good_units, singulated
from app.floor.progress import progress
from app.floor.scrapped_wafers import is_scrap, scraps_of
from app.holds.stopped import Stop, stops_on
from app.ledger.counts import CountEntry
from app.ledger.items import Batch, Opening, Panel, Wafer
from app.ledger.places import Mount
from app.ledger.sets import LotHolding, Member
from app.naming.resolve import codes_of

_NEVER = datetime(9999, 12, 31, tzinfo=UTC)
_ON = "on a station"
_NOT_ON = "not on a station"
_SCRAPPED = "scrapped"


def _mounted(session: Session, items: list[int]) -> dict[int, tuple[Cell, ...]]:
    """The stations that each batch or wafer is on, each with its place."""
    query = select(Mount.item, Mount.station, Mount.place).where(Mount.item.in_(items), Mount.closed_e.is_(None)).order_by(Mount.id)
    rows = session.execute(query).all()
    names = things_named(session, [station for _, station, _ in rows])
    codes = codes_of(session, "station", list(names))
    found: defaultdict[int, list[Cell]] = defaultdict(list)
    for item, station, place in rows:
        found[item].append(Linked(f"{names[station]}, {place}", codes[station]))
    return {item: tuple(cells) for item, cells in found.items()}


def _is_mounted(column: Any) -> Where:
    def where(session: Session, value: str) -> ColumnElement[bool]:
        on = exists().where(Mount.item == column, Mount.closed_e.is_(None))
        return on if value == _ON else ~on

    return where


def _wafer_is(session: Session, value: str) -> ColumnElement[bool]:
    """A scrapped wafer is not among those that could be put on."""
    is_scrapped = exists().where(CountEntry.item == Wafer.item, is_scrap(CountEntry))
    if value == _SCRAPPED:
        return is_scrapped
    on = _is_mounted(Wafer.item)(session, value)
    return on if value == _ON else on & ~is_scrapped


def _on_station(column: Any) -> Where:
    return lambda session, text: column.in_(select(Mount.item).where(Mount.closed_e.is_(None), named_like(session, "station", Mount.station, text)))


def _held(stops: list[Stop] | None) -> list[Cell]:
    return [State("held", "stop")] if stops else []


def _wafer_rows(session: Session, wafers: list[Wafer]) -> list[Row]:
    ids = [one.item for one in wafers]
    codes, parts, numbers = codes_of(session, "wafer", ids), things_named(session, [one.part for one in wafers]), numbers_of(session, "wafer", ids)
    on, stops, came = _mounted(session, ids), stops_on(session, ids), times_of(session, [one.e for one in wafers])
    scraps = scraps_of(session, ids)
    return [
        [
            coded(codes[one.item]),
            numbers.get(one.item, ()),
            parts[one.part],
            one.role,
            on.get(one.item, ()),
            tuple(_held(stops.get(one.item)) + ([State(_SCRAPPED, "stop")] if one.item in scraps else [])),
            came[one.e],
        ]
        for one in wafers
    ]


WAFERS = Listing(
    name="wafers",
    title="Wafers",
    about="Tested wafers on film frame, each with its die map. A supplier's wafer number finds it as well as our code.",
    empty="No wafer yet. Wafers come in with their die maps under Do: receive wafers, or by the supplier's file over the API.",
    records=select(Wafer),
    key=Wafer.item,
    kind="wafer",
    columns=(
        Column("wafer", "Wafer"), Column("numbers", "Others call it"), Column("part", "Part"), Column("role", "Role"), Column("on", "On"),
        Column("state", "State"), Column("received_at", "Received"),
    ),
    rows=_wafer_rows,
    sorts=(Sort("newest", "newest first", falling=True), Sort("oldest", "oldest first")),
    template="desk/received.html",
    filters=(
        Filter("part", "Part", thing_is(Wafer.part, "part"), lambda session: _parts_of(session, "wafer")),
        Filter("role", "Role", equals(Wafer.role), roles),
        Filter("on", "Now", _wafer_is, (_ON, _NOT_ON, _SCRAPPED)),
        Filter("station", "On station", _on_station(Wafer.item), finds=True),
    ),
)  # fmt: skip


def _batch_rows(session: Session, batches: list[Batch]) -> list[Row]:
    ids, now = [one.item for one in batches], clock.now()
    codes, numbers = codes_of(session, "batch", ids), numbers_of(session, "batch", ids)
    parts = catalogue.with_ids(session, list({one.part for one in batches}))
    opened = {one.batch: one for one in session.scalars(select(Opening).where(Opening.batch.in_(ids)))}
    on, stops, came = _mounted(session, ids), stops_on(session, ids), times_of(session, [one.e for one in batches])
    return [
        [
            coded(codes[one.item]), parts[one.part].body.kind, parts[one.part].name,
            tuple(_held(stops.get(one.item)) + _lapsed(one, opened.get(one.item), now)), on.get(one.item, ()),
            numbers.get(one.item, ()), one.supplier or None,
            one.expires_at, opened[one.item].pot_life_ends_at if one.item in opened else None, came[one.e],
        ]
        for one in batches
    ]  # fmt: skip


def _lapsed(batch: Batch, opened: Opening | None, now: datetime) -> list[Cell]:
    found: list[Cell] = []
    if batch.expires_at is not None and now > batch.expires_at:
        found.append(State("expired", "stop"))
    if opened is not None and opened.pot_life_ends_at is not None and now > opened.pot_life_ends_at:
        found.append(State("pot life over", "stop"))
    elif opened is not None:
        found.append("opened")
    return found


def _life(session: Session, value: str) -> ColumnElement[bool]:
    over = func.coalesce(Batch.expires_at, _NEVER) < clock.now()
    return over if value == "expired" else ~over


def _parts_of(session: Session, *kinds: str) -> list[str]:
    return [one.name for one in catalogue.every(session, "part") if (one.body.kind in kinds if kinds else one.body.kind != "wafer")]


BATCHES = Listing(
    name="batches",
    title="Material batches",
    about="Supplier batches of adhesive, wire, encapsulant, lead frames, tapes and bags, and what was mixed of them here.",
    empty="No material yet. It is received under Do: receive a material batch.",
    records=select(Batch),
    key=Batch.item,
    kind="batch",
    columns=(
        Column("batch", "Batch"), Column("kind", "Kind"), Column("part", "Part"), Column("state", "State"), Column("on", "On"),
        Column("numbers", "Others call it"), Column("supplier", "Supplier"), Column("expires_at", "Expires"),
        Column("pot_life_ends_at", "Pot life until"), Column("received_at", "Received"),
    ),
    rows=_batch_rows,
    sorts=(
        Sort("newest", "newest first", falling=True), Sort("oldest", "oldest first"),
        Sort("expiry", "what expires first", Batch.expires_at, moment, first=Batch.expires_at.is_not(None)),
    ),
    template="desk/received.html",
    filters=(
        Filter("part", "Part", thing_is(Batch.part, "part"), _parts_of),
        Filter("supplier", "Supplier", equals(Batch.supplier), distinct(Batch.supplier)),
        Filter("life", "Shelf life", _life, ("good", "expired")),
        Filter("on", "Now", _is_mounted(Batch.item), (_ON, _NOT_ON)),
        Filter("station", "On station", _on_station(Batch.item), finds=True),
    ),
)  # fmt: skip


def _panel_rows(session: Session, panels: list[Panel]) -> list[Row]:
    ids = [one.item for one in panels]
    codes, numbers = codes_of(session, "panel", ids), numbers_of(session, "panel", ids)
    stand, good, loose = progress(session, ids), good_units(session, ids), singulated(session, ids)
    lots = codes_of(session, "lot", list({one.lot for one in stand.values() if one.lot}))
    boxes = containers_of_panels(session, ids)
    boxed = codes_of(session, "container", list(set(boxes.values())))
    steps: dict[tuple[int | None, str | None], str] = {
        (one.id, step.key): step.name for one in catalogue.every(session, "route") for step in one.body.steps
    }
    came = times_of(session, [one.e for one in panels])
    return [
        [
            coded(codes[one.item]), numbers.get(one.item, ()), coded(lots.get(stand[one.item].lot or 0)), coded(boxed.get(boxes.get(one.item, 0))),
            "singulated" if one.item in loose else steps.get((stand[one.item].route, stand[one.item].next_step)),
            good[one.item], one.rows * one.columns, came[one.e],
        ]
        for one in panels
    ]  # fmt: skip


def _in_lot(session: Session, text: str) -> ColumnElement[bool]:
    held = select(Member.panel).join(LotHolding, LotHolding.set == Member.set).where(LotHolding.closed_e.is_(None))
    return Panel.item.in_(held.where(named_like(session, "lot", LotHolding.lot, text)))


PANELS = Listing(
    name="panels",
    title="Panels",
    about="Lead-frame panels: the lot and container that each is in, its next step and its good cells.",
    empty="No panel yet. Panels are received with their batch of lead frames under Do: receive panels.",
    records=select(Panel),
    key=Panel.item,
    kind="panel",
    columns=(
        Column("panel", "Panel"), Column("marks", "Mark on the frame"), Column("lot", "Lot"), Column("container", "Container"),
        Column("next", "Next step"), Column("good", "Good cells", True), Column("cells", "Cells", True), Column("received_at", "Received"),
    ),
    rows=_panel_rows,
    sorts=(Sort("newest", "newest first", falling=True), Sort("oldest", "oldest first")),
    filters=(Filter("lot", "In lot", _in_lot, finds=True),),
)  # fmt: skip

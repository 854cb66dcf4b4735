"""What there is: any thing by its code, a lot with its counts, lists that go on by key, the journal, and the check of the whole record."""

from datetime import datetime
from typing import Annotated, Any

from fastapi import Query
from pydantic import Field
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.errors import NotFound, not_allowed
from app.floor.balance import balance
from app.floor.groups import contents, gather
from app.floor.whereabouts import place_of_lot
from app.genealogy.checks import check
from app.journal.actions import ACTIONS
from app.journal.models import Entry
from app.ledger.items import Lot, LotRoute
from app.ledger.places import Load
from app.ledger.runs import Run
from app.machines.bodies import Answer, LotCode, Number, PanelCode
from app.machines.call_router import call_router
from app.machines.calls import Calling
from app.machines.names import lot_named, panel_codes
from app.machines.ovens import LoadOut, load_as_json
from app.machines.paging import Before, Limit, Next, page
from app.machines.runs import GroupOut, RunOut, group_out, run_as_json
from app.machines.stations import StationOut, station_as_json
from app.naming.models import Alias
from app.naming.resolve import Named, codes_of, resolve
from app.people.doors import SEES_PEOPLE
from app.people.personal import without_personal

router = call_router("lists")


class AliasOut(Answer):
    whose: str = Field(examples=["supplier"])
    what: str = Field(examples=["batch number"])
    value: str = Field(examples=["HC-20881"])


class ThingOut(Answer):
    kind: str = Field(description="wafer, batch, panel, lot, sample, pack, container, station, load, run, hold, ...", examples=["batch"])
    code: str = Field(examples=["B26-000012-0"])
    aliases: list[AliasOut] = Field(description="Other people's numbers for it.")


class LotRow(Answer):
    lot: LotCode
    form: str = Field(description="panel or loose.", examples=["panel"])
    product: str = Field(examples=["P1"])
    order: str | None = Field(examples=["QL-26-0418"])
    bin: str | None = Field(examples=[None])
    grade: str | None = Field(description="prime, second or reject, after test.", examples=[None])


class LotsOut(Answer):
    lots: list[LotRow]
    next: Next


class AmountOut(Answer):
    """An amount that came in or left. `u` is its standard uncertainty."""

    what: str = Field(description="in, out, scrapped, sampled or difference.", examples=["in"])
    kind: str = Field(examples=["panel"])
    units: int = Field(examples=[400])
    method: str = Field(description="How it was counted. `book`: it was not, and is what the lot before had by its book.", examples=["cells"])
    u: float = Field(examples=[0.0])
    reason: str = Field(examples=[""])
    count: Number | None = Field(None, description="Of units scrapped, or signed for: the number to take it back by.", examples=[None])
    mark: Number | None = Field(None, description="Of marked cells: the mark's number, to take it back by.", examples=[None])


class CountsOut(Answer):
    """in = out + scrapped + sampled + difference + left, within what counting can tell."""

    units_in: int = Field(examples=[9600])
    units_out: int = Field(examples=[0])
    scrapped: int = Field(examples=[12])
    sampled: int = Field(examples=[0])
    difference: int = Field(examples=[0])
    left: int = Field(examples=[9588])
    u: float = Field(description="Standard uncertainty of the book.", examples=[0.0])
    unexplained: int = Field(description="Units that nothing explains.", examples=[0])
    closes: bool
    unsigned: int | None = Field(description="Number of a count whose difference nobody has signed for.", examples=[None])
    amounts: list[AmountOut]


class TravellerOut(LotRow):
    route: str | None = Field(description="The revision that it is on.", examples=["P1 rev A"])
    where: str = Field(description="Of a lot of panels, all places where some of them are.", examples=["floor"])
    panels: list[PanelCode]
    groups: list[GroupOut] = Field(description="Where what is in it stands on the route.")
    counts: CountsOut


class RunsOut(Answer):
    runs: list[RunOut]
    next: Next


class LoadsOut(Answer):
    loads: list[LoadOut]
    next: Next


class EntryOut(Answer):
    entry: int = Field(examples=[731])
    action: str = Field(examples=["start_run"])
    words: str = Field(examples=["start a run"])
    who: str = Field(examples=["Mara Lind"])
    arguments: dict[str, Any] = Field(examples=[{"station": "S-0006-H", "things": ["C-0118-W"]}])
    happened_at: datetime = Field(examples=["2026-03-01T06:30:00Z"])
    recorded_at: datetime = Field(examples=["2026-03-01T06:30:00Z"])
    source: str = Field(description="Whose word for the time: server, person, machine or file.", examples=["server"])
    outcome: str = Field(description="done or refused.", examples=["done"])
    signed: bool
    fact: bool


class JournalOut(Answer):
    entries: list[EntryOut]
    next: Next


class FindingOut(Answer):
    check: str = Field(examples=["counts"])
    where: str = Field(examples=["L26-000058-T"])
    what: str = Field(examples=["12 units are missing"])


class CheckOut(Answer):
    findings: list[FindingOut] = Field(description="Empty: the record is as it should be.")


@router.get("/things/{code}", summary="What a code or another's number names")
def thing(code: str, call: Calling) -> ThingOut:
    with call.house.reading() as s:
        named = resolve(s, code)
        query = select(Alias).where(Alias.kind == named.kind, Alias.thing == named.id, Alias.closed_e.is_(None)).order_by(Alias.id)
        aliases = [AliasOut(whose=one.whose, what=one.what, value=one.value) for one in s.scalars(query)]
        return ThingOut(kind=named.kind, code=named.code, aliases=aliases)


@router.get("/things", summary="The same, for a number that can't stand in an address")
def thing_of(code: Annotated[str, Query(min_length=1, max_length=120, examples=["HC/20881"])], call: Calling) -> ThingOut:
    return thing(code, call)


@router.get("/lots", summary="Lots, the newest first")
def lots(call: Calling, before: Before = None, limit: Limit = 100) -> LotsOut:
    with call.house.reading() as s:
        found, next_ = page(s, select(Lot).order_by(Lot.item.desc()), Lot.item, before, limit)
        return LotsOut(lots=[LotRow(**one) for one in _lot_rows(s, found)], next=next_)


@router.get("/lots/{lot}", summary="A lot: product, route, where it stands, its panels, and counts that close")
def see_lot(lot: str, call: Calling) -> TravellerOut:
    with call.house.reading() as s:
        named = lot_named(s, lot)
        row = s.get_one(Lot, named.id)
        route = s.scalar(select(LotRoute.route).where(LotRoute.lot == row.item, LotRoute.closed_e.is_(None)))
        panels, _ = contents(s, named)
        return TravellerOut(
            **_lot_rows(s, [row])[0], route=catalogue.with_id(s, route).name if route else None, panels=panel_codes(s, panels),
            where=place_of_lot(s, row.item), groups=[group_out(s, group) for group in _groups(s, named)], counts=_counts(s, row.item),
        )  # fmt: skip


@router.get("/runs", summary="Runs, the newest first: those that are open, or all of them")
def runs(call: Calling, is_open: Annotated[bool, Query(alias="open")] = True, before: Before = None, limit: Limit = 100) -> RunsOut:
    query = select(Run)
    # the newest of all by their key; of the few that are open by another expression, or SQLite looks for them from the newest back
    query = query.where(Run.closed_e.is_(None)).order_by(func.coalesce(Run.id, 0).desc()) if is_open else query.order_by(Run.id.desc())
    with call.house.reading() as s:
        found, next_ = page(s, query, Run.id, before, limit)
        return RunsOut(runs=[RunOut(**run_as_json(s, run)) for run in found], next=next_)


@router.get("/loads", summary="Oven loads, the newest first")
def loads(call: Calling, before: Before = None, limit: Limit = 100) -> LoadsOut:
    with call.house.reading() as s:
        found, next_ = page(s, select(Load).order_by(Load.id.desc()), Load.id, before, limit)
        return LoadsOut(loads=[LoadOut(**load_as_json(s, load)) for load in found], next=next_)


@router.get("/stations", summary="Stations with their codes, states, open runs, and what is on them")
def stations(call: Calling) -> list[StationOut]:
    with call.house.reading() as s:
        found = [one.id for one in catalogue.every(s, "station")]
        codes = codes_of(s, "station", found)
        return [StationOut(**station_as_json(s, one, codes[one])) for one in found]


@router.get("/journal", summary="Who did what and when, refusals too; the newest first")
def journal(call: Calling, before: Before = None, limit: Limit = 100) -> JournalOut:
    with call.house.reading() as s:
        found, next_ = page(s, select(Entry).order_by(Entry.id.desc()), Entry.id, before, limit)
    sees = call.who.has(*SEES_PEOPLE)
    entries = [
        EntryOut(
            entry=e.id, action=e.action, words=ACTIONS[e.action].words, who=e.actor_name, happened_at=e.happened_at,
            arguments=e.arguments if sees else without_personal(e.action, e.arguments),
            recorded_at=e.recorded_at, source=e.source, outcome=e.outcome, signed=e.signed, fact=e.fact,
        )
        for e in found
    ]  # fmt: skip
    return JournalOut(entries=entries, next=next_)


@router.get("/check", summary="Check the whole record: journal, counts, flows, packs, placements, claims, evidence")
def check_all(call: Calling) -> CheckOut:
    """What `reelroot check` does. It reads everything, which takes its time."""
    if not call.who.has("administer"):
        raise not_allowed(call.who.actor.name, "check the record", ("administer",))
    return CheckOut(findings=[FindingOut(check=one.check, where=one.where, what=one.what) for one in check(call.house)])


def _lot_rows(session: Session, found: list[Lot]) -> list[dict[str, Any]]:
    codes = codes_of(session, "lot", [lot.item for lot in found])
    things = catalogue.with_ids(session, list({thing for lot in found for thing in (lot.product, lot.order) if thing}))
    return [
        {
            "lot": codes[lot.item], "form": lot.form, "product": things[lot.product].name, "order": things[lot.order].name if lot.order else None,
            "bin": lot.bin, "grade": lot.grade,
        }
        for lot in found
    ]  # fmt: skip


def _groups(session: Session, named: Named) -> list[Any]:
    try:
        return gather(session, [named])
    except NotFound:
        return []


def _counts(session: Session, lot: int) -> CountsOut:
    found = balance(session, lot)
    total = found.total
    amounts = [
        AmountOut(what=p.what, kind=p.kind, units=p.units, method=p.method, u=p.u, reason=p.reason, count=p.to_take_back, mark=p.mark)
        for p in found.postings
    ]
    return CountsOut(
        units_in=total("in"), units_out=total("out"), scrapped=total("scrapped"), sampled=total("sampled"), difference=total("difference"),
        left=found.left, u=found.u, unexplained=found.unexplained, closes=found.closes, unsigned=found.unsigned.entry if found.unsigned else None,
        amounts=amounts,
    )  # fmt: skip

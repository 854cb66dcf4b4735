"""Dry pack: a closed pack goes into its barrier bag, at a station, as a run of its own."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select, text
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Product, Step
from app.db import Moment
from app.errors import Reason, Refused
from app.floor.ends import Value, close_line, close_run, record_values
from app.floor.gate_facts import Facts, read_facts
from app.floor.gates import grounds
from app.floor.groups import Group, gather
from app.floor.progress import Doing, Progress, Ways, loose_progress
from app.floor.starts import use_what_is_loaded
from app.holds.place import against_rules, hold_item
from app.journal.act import By, lock
from app.journal.record import AtOnce
from app.ledger.flows import Flow
from app.ledger.items import DryPack, Item, LotRoute, Pack
from app.ledger.runs import Line, Run
from app.ledger.sealed import stands
from app.listed import among, ask, listed
from app.naming.resolve import Named, give_code
from app.packing.contents import empty_reason, fills_of, fills_of_packs, units_of
from app.packing.dry_pack import use_before
from app.packing.fill import for_order
from app.packing.rework import has_given_out, part_of_pack


@dataclass(frozen=True)
class Sealed:
    pack: Pack
    dry_pack: DryPack


def seal_pack(
    session: Session, by: By, station: int, pack: Named, *, values: Sequence[Value] = (), person: int | None = None, again: bool = False
) -> Sealed:
    """Seals a closed pack. One that was sealed before, or of which something was cut off, goes on as a new pack with a new label (rule 4).

    `again`: the bag that it lies in is known to be opened; what is only sent twice seals nothing.
    """
    lock(session, Item, [pack.id])
    row = session.get_one(Pack, pack.id, populate_existing=True)
    facts, route, wanted, found = _would(session, station, pack, row, person, by.happened_at)
    if not again and sealing_of(session, row.item) is not None and not is_opened(session, row.item):
        found.append(Reason("finished", f"{pack.code} lies sealed in its bag.", "Nothing is left to do. Only if its bag was opened, say again."))
    if found and not by.fact:
        raise Refused(f"{pack.code} may not be dry packed at {facts.station.name}.", *found)
    if session.get(DryPack, row.item) is not None or has_given_out(session, row.item):
        row = part_of_pack(session, by, row, 1, units_of(session, row.item))
    run = Run(e=by.e, operation="dry pack", station=station, recipe=None, person=person, started_at=by.happened_at, source=by.source)
    session.add(run)
    session.flush()
    give_code(session, by, "run", run.id)
    line = Line(
        e=by.e, run=run.id, set=None, item=row.item, lot=None, route=route, step=wanted.key, round=1, shelf=None, units=units_of(session, row.item),
        judged=None, started_at=by.happened_at,
    )  # fmt: skip
    session.add(line)
    session.flush()
    use_what_is_loaded(session, by, line, facts.loaded, "dry pack", wanted)
    record_values(session, by, run, [line], values)
    with AtOnce(session) as writes:
        close_line(writes, by, line, whole=[], either=[], done=True)
        close_run(writes, by, run, "done", person=person)
    product: Product = catalogue.with_id(session, row.product).body
    sealed = DryPack(
        e=by.e, pack=row.item, sealed_at=by.happened_at, moisture_level=product.moisture_level,
        use_before_at=use_before(by.happened_at, product.shelf_months, catalogue.site(session).zone),
    )  # fmt: skip
    session.add(sealed)
    if found:
        hold_item(session, by, "pack", row.item, against_rules(found))
    session.flush()
    return Sealed(row, sealed)


def check_seal(session: Session, station: int, pack: Named, *, person: int | None, at: datetime) -> Step:
    """Asks before the act; writes and locks nothing. The step that it would be."""
    facts, _, step, found = _would(session, station, pack, session.get_one(Pack, pack.id), person, at)
    if found:
        raise Refused(f"{pack.code} may not be dry packed at {facts.station.name}.", *found)
    return step


def sealing_of(session: Session, pack: int) -> DryPack | None:
    """How a pack came into its bag, where that was not voided."""
    return session.scalar(select(DryPack).where(DryPack.pack == pack, text(stands("dry_pack.pack"))))


def is_opened(session: Session, pack: int) -> bool:
    """Units were taken out of its bag after it was sealed; whoever seals it again makes a new pack of it."""
    return bool(opened(session, [pack]))


def opened(session: Session, packs: Collection[int]) -> set[int]:
    """The same of many, in one statement."""
    taken = select(Flow.child).where(Flow.parent == DryPack.pack, Flow.e > DryPack.e)
    return set(session.scalars(select(DryPack.pack).where(DryPack.pack.in_(packs), taken.exists())))


def _would(
    session: Session, station: int, pack: Named, row: Pack, person: int | None, at: datetime
) -> tuple[Facts, int | None, Step, list[Reason]]:  # fmt: skip
    """(facts, route, step, what speaks against it)."""
    route, step = _dry_step(session, row)
    stand = Progress(route=route, ways=ways_of(session, [row.item])[row.item])
    groups = [Group(None, (), group.item, route, step.key if step else None, 1, (stand,)) for group in gather(session, [pack])]
    facts = for_order(session, read_facts(session, station, groups, person, at), row.order)
    wanted = step or Step(key="dry-pack", name="dry pack", operation="dry pack")
    found = grounds(facts, {0: wanted}) + ([] if row.closed_e else [Reason("pack_open", f"{pack.code} is still being filled.", "Close it first.")])
    if row.closed_e and units_of(session, row.item) == 0:
        found.append(empty_reason(session, pack))
    return facts, route, wanted, found


def ways_of(session: Session, packs: Collection[int]) -> dict[int, Ways]:
    """What was done to the units in packs, loose and at the taper. In a bag that was opened they have the floor life of J-STD-033, and no window."""
    fills = fills_of_packs(session, packs)
    lay_in = {pack: {pack, *(before for fill in some for before, _ in fill.was_in)} for pack, some in fills.items()}
    every = set().union(*lay_in.values())
    bagged = set(session.scalars(select(DryPack.pack).where(among(DryPack.pack, every))))
    found = {pack: Ways() for pack in packs}
    unbagged = {pack: some for pack, some in fills.items() if not lay_in[pack] & bagged}
    stands = loose_progress(session, sorted({fill.loose for some in unbagged.values() for fill in some}))
    taped = _taped(session, every)
    for pack, some in unbagged.items():
        for loose in {fill.loose for fill in some}:
            for step, doings in (stands[loose].ways or Ways()).lasts.items():
                found[pack].lasts.setdefault(step, set()).update(doings)
        for fill in some:
            if mine := [doing for one in {pack, *(before for before, _ in fill.was_in)} for doing in taped.get(one, ())]:
                last = max(mine, key=lambda doing: (doing.ended_at, doing.line))
                found[pack].lasts.setdefault(last.step, set()).add(last)
    return found


def _taped(session: Session, packs: Collection[int]) -> dict[int, list[Doing]]:
    found: defaultdict[int, list[Doing]] = defaultdict(list)
    for row in ask(session, _TAPED, packs=packs):
        found[row.item].append(Doing(row.line, row.step, row.round, row.ended_at, row.judged))
    return found


_TAPED = listed(
    """
    select l.item, l.id as line, l.step, l.round, l.ended_at, l.judged from line l
    where l.item in :packs and l.step is not null and l.ended_at is not null and not exists (select 1 from run_void v where v.run = l.run)
    """,
    "packs",
).columns(ended_at=Moment())


def _dry_step(session: Session, pack: Pack) -> tuple[int | None, Step | None]:
    fills = fills_of(session, pack.item)
    if not fills:
        return None, None
    route = session.scalar(select(LotRoute.route).where(LotRoute.lot == fills[0].loose, LotRoute.closed_e.is_(None)))
    steps = catalogue.route(session, route).body.steps if route else ()
    return route, next((step for step in steps if step.operation == "dry pack"), None)

"""Fill a pack: units of loose lots go into its pockets, from the hub outwards; then it is closed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Order, Product, Site, Step
from app.errors import Reason, Refused, bad_input, refuse
from app.floor.counting import take
from app.floor.ends import Value, finish_run
from app.floor.gate_facts import Facts, read_facts
from app.floor.gates import grounds
from app.floor.groups import Group, gather
from app.floor.loose import lot_for_giving, must_be_loose
from app.floor.starts import claim, lock_and_gather, use_what_is_loaded
from app.holds.place import against_rules, hold_item
from app.journal.act import By, lock
from app.ledger import walk
from app.ledger.flows import Flow
from app.ledger.items import Item, Lot, Pack
from app.ledger.runs import Line, Run
from app.ledger.sets import last_lots
from app.naming.resolve import Named, code_of, give_code
from app.packing.contents import fills_of, put_in, units_of
from app.packing.date_codes import date_code
from app.packing.order_materials import made_with_others
from app.packing.pockets import Fill


@dataclass(frozen=True)
class Part:
    """So many units of a loose lot."""

    lot: Named
    units: int


def fill_pack(
    session: Session, by: By, station: int, parts: Sequence[Part], *, form: str = "reel", size: int | None = None, order: int | None = None,
    person: int | None = None, line_clear: bool = False, close: bool = True, short_reason: str | None = None, values: Sequence[Value] = (),
) -> Pack:  # fmt: skip
    """Begins a pack at a station and fills it from loose lots, in the order given; `close` ends the run and closes it.

    A part without units only begins it: they are said as they are taped.
    """
    if not parts or (close and not any(part.units for part in parts)):
        raise bad_input("Nothing to pack.", "parts", "No units of a loose lot were named.", "Name a lot and a number of units.")
    lots = [part.lot for part in parts]
    groups = lock_and_gather(session, lots, station=station)
    rows = [session.get_one(Lot, part.lot.id) for part in parts]
    first = rows[0]
    product: Product = catalogue.with_id(session, first.product).body
    unsaid = [] if order else _different_orders(session, rows)
    order = order or _own_order(session, first)
    would = _would(session, station, groups, lots, order, person, by.happened_at)
    found = [*would.found, *unsaid, *_clear(would.facts, line_clear)]
    if found and not by.fact:
        raise Refused(_not_packed(would, lots), *found)
    pack = _new_pack(session, by, form, first, product, order, size)
    run = _open_run(session, by, would.facts, pack, parts[0].lot.id, next(iter(would.steps.values()), None), person)
    for part in parts:
        add_units(session, by, pack, part, run.id)
    _hold_if_broken(session, by, pack, found)
    if close:
        close_pack(session, by, pack, short_reason=short_reason, values=values, person=person)
    return pack


def fill_more(session: Session, by: By, pack: Pack, parts: Sequence[Part]) -> None:
    """Goes on filling a pack that is open, from these or other lots."""
    lock(session, Item, sorted([pack.item, *(part.lot.id for part in parts)]))
    session.refresh(pack)
    if pack.closed_e is not None:
        raise refuse("finished", f"Pack {code_of(session, 'pack', pack.item)} is closed.", "It takes nothing in.", "Begin another pack.")
    run, line = open_line(session, pack)
    lots = [part.lot for part in parts]
    would = _would(session, run.station, gather(session, lots), lots, pack.order, run.person, by.happened_at, pack)
    if would.found and not by.fact:
        raise Refused(_not_packed(would, lots), *would.found)
    for part in parts:
        add_units(session, by, pack, part, line.run)
    _hold_if_broken(session, by, pack, would.found)


def check_fill(session: Session, station: int, lot: Named, pack: Pack | None, *, person: int | None, at: datetime) -> Step | None:
    """Asks before the act whether the lot may begin a pack here, or go into the open one; writes and locks nothing. The tape step of its route."""
    order = pack.order if pack else _own_order(session, session.get_one(Lot, lot.id))
    would = _would(session, station, gather(session, [lot]), [lot], order, person, at, pack)
    if would.found:
        raise Refused(_not_packed(would, [lot]), *would.found)
    return would.steps.get(0)


def pack_in_work(session: Session, station: int) -> Pack | None:
    """The pack that is being filled at a station."""
    lines = select(Line.item).join(Run, Run.id == Line.run).where(Run.station == station, Run.closed_e.is_(None), Run.operation == "tape")
    lines = lines.where(Line.closed_e.is_(None))
    return session.scalars(select(Pack).where(Pack.item.in_(lines), Pack.closed_e.is_(None)).order_by(Pack.item)).first()


def add_units(session: Session, by: By, pack: Pack, part: Part, run: int | None) -> None:
    """Units of a loose lot into the next pockets."""
    if not part.units:
        return
    room = pack.size_units - units_of(session, pack.item)
    if part.units > room:
        why = Reason("capacity", f"{max(room, 0)} pockets are free; {part.units} units come.", "Take fewer.")
        if not by.fact:
            raise Refused(f"{_called(session, by, pack)} has no room.", why)
        _hold_if_broken(session, by, pack, [why])
    lot_for_giving(session, by, part.lot.id)
    before = session.get(Flow, (pack.item, part.lot.id, by.e, "fill"))
    if before is not None:
        raise bad_input("A lot appears twice.", "parts", f"{part.lot.code} is named more than once.", "Name each lot once, with all its units.")
    take(session, by, part.lot.id, part.units, pack.item, "fill", run=run)
    put_in(session, by, pack.item, [Fill(part.lot.id, 1, part.units)])


def close_pack(
    session: Session, by: By, pack: Pack, *, short_reason: str | None = None, values: Sequence[Value] = (), person: int | None = None
) -> Pack:
    """Ends the taping and closes the pack: units and date code. Fewer units than its size need a stated reason."""
    lock(session, Item, [pack.item])
    session.refresh(pack)
    name = _called(session, by, pack)
    if pack.closed_e is not None:
        raise refuse("finished", f"{name} is closed already.", "Someone closed it before.", "Scan it to see what comes next.")
    units = units_of(session, pack.item)
    if units < pack.size_units and not (short_reason or "").strip() and not by.fact:
        raise refuse("pack_short", f"{name} is not full.", f"It holds {units} of {pack.size_units} units.", "Fill it, or state the reason.")
    until = by.happened_at
    if at_work := _open_line(session, pack):
        finish_run(session, by, at_work[0], values, person=person)
    else:  # its run was interrupted, aborted or voided: what it holds would be in no closed pack for ever
        until = session.scalar(select(func.max(Line.ended_at)).where(Line.item == pack.item)) or until
    site: Site = catalogue.site(session)
    pack.closed_e, pack.closed_at, pack.units = by.e, by.happened_at, units
    pack.date_code, pack.short_reason = date_code(until, site.zone), (short_reason or "").strip() or None
    session.flush()
    return pack


def _called(session: Session, by: By, pack: Pack) -> str:
    """One that was begun in this very act is not there after its refusal."""
    return "The new pack" if pack.e == by.e else f"Pack {code_of(session, 'pack', pack.item)}"


@dataclass(frozen=True)
class _Would:
    """What a fill would meet: the facts, the tape step of each group that has one, and what speaks against it."""

    facts: Facts
    steps: dict[int, Step]
    found: list[Reason]


def _would(
    session: Session, station: int, groups: list[Group], lots: Sequence[Named], order: int | None, person: int | None, at: datetime,
    pack: Pack | None = None,
) -> _Would:  # fmt: skip
    coming = [must_be_loose(session, lot.id) for lot in lots]
    facts = for_order(session, read_facts(session, station, groups, person, at), order)
    steps = {i: step for i, group in enumerate(groups) if (step := _tape_step(facts, group))}
    inside = [fill.loose for fill in fills_of(session, pack.item)] if pack else []
    rows = [*(session.get_one(Lot, lot) for lot in inside), *coming]
    return _Would(facts, steps, [*grounds(facts, steps), *_may_be_packed(session, rows, order, pack)])


def for_order(session: Session, facts: Facts, order: int | None) -> Facts:
    """The facts of a start with a pack's own order, which chooses its tape and bag, in place of those that its lots were started for."""
    body: Order | None = catalogue.with_id(session, order).body if order is not None else None
    return replace(facts, orders={group.lot or 0: body for group in facts.groups} if body else {})


def _not_packed(would: _Would, lots: Sequence[Named]) -> str:
    return f"{', '.join(lot.code for lot in lots)} may not be packed at {would.facts.station.name}."


def _hold_if_broken(session: Session, by: By, pack: Pack, found: list[Reason]) -> None:
    if found:
        hold_item(session, by, "pack", pack.item, against_rules(found))


def _may_be_packed(session: Session, lots: list[Lot], order: int | None, pack: Pack | None) -> list[Reason]:
    product: Product = catalogue.with_id(session, lots[0].product).body
    kinds = {(lot.product, lot.bin, lot.grade or "prime") for lot in lots} | ({(pack.product, pack.bin, pack.grade)} if pack else set())
    found = [
        Reason("grade_differs", f"The {'pack and the lots' if pack else 'lots'} differ in {what}.", "Pack them separately.")
        for what, of_each in zip(("product", "bin", "grade"), zip(*kinds, strict=True), strict=True)
        if len(set(of_each)) > 1
    ]
    if any(lot.grade == "reject" for lot in lots):
        found.append(Reason("grade_unwanted", "Rejects are not packed.", "Scrap them, or test them again."))
    if any(lot.grade == "second" for lot in lots):
        found += _seconds(session, product, order)
    above = walk.up(session, [lot.item for lot in lots])
    found += too_many_lots(session, lots[0].product, [lot.item for lot in lots], above)
    if order is not None:
        wanted: Order = catalogue.with_id(session, order).body
        if wanted.product != product.part_number:
            found.append(Reason("order_differs", f"Order {wanted.number} is for {wanted.product}.", "Name the right order."))
        found += made_with_others(session, above, wanted)
    return found


def too_many_lots(session: Session, product: int, loose: Sequence[int], above: walk.Up) -> list[Reason]:
    """Units of more panel lots than a pack of the product may hold: of those that held their panels when these were made `loose`."""
    held, allowed = _panel_lots(session, above), catalogue.with_id(session, product).body.max_lots_per_pack
    if held <= allowed:
        return []
    why, now = f"The pack would hold units of {held} lots; {allowed} are allowed.", "Begin another pack."
    for lot in loose:
        if _panel_lots(session, walk.up(session, [lot])) > allowed:  # no other pack takes them either
            now = f"{code_of(session, 'lot', lot)} has too many by itself, and nobody can part them: ask an engineer how many a pack may hold."
    return [Reason("too_many_lots", why, now)]


def _panel_lots(session: Session, above: walk.Up) -> int:
    return len(set(last_lots(session, list(above.panels)).values()))


def _seconds(session: Session, product: Product, order: int | None) -> list[Reason]:
    if product.seconds_part_number is None:
        now = "Scrap them, or ask an engineer for a part number to sell them under."
        return [Reason("grade_unwanted", f"Seconds of {product.part_number} are not sold.", now)]
    if order is not None and not catalogue.with_id(session, order).body.accepts_seconds:
        return [Reason("grade_unwanted", "The order does not accept seconds.", "Pack them for one that does, or for none.")]
    return []


def _own_order(session: Session, lot: Lot) -> int | None:
    """The order that a lot was started for; none for seconds that it does not accept: they are packed for whoever will have them."""
    if lot.order is None or (lot.grade == "second" and not catalogue.with_id(session, lot.order).body.accepts_seconds):
        return None
    return lot.order


def _different_orders(session: Session, lots: Sequence[Lot]) -> list[Reason]:
    """The first lot's would be on the label, and its customer the one that the pack goes to, without anyone having said so."""
    if len({own for lot in lots if (own := _own_order(session, lot))}) < 2:
        return []
    return [Reason("order_differs", "They were started for different orders.", "Name the order that the pack is for.")]


def _new_pack(session: Session, by: By, form: str, lot: Lot, product: Product, order: int | None, size: int | None) -> Pack:
    if form not in ("reel", "bag", "tray"):
        raise bad_input("That is not a kind of pack.", "form", f"{form!r} is not a reel, bag or tray.", "Choose one of them.")
    second = lot.grade == "second"
    part_number = product.seconds_part_number if second and product.seconds_part_number else product.part_number
    return new_pack(session, by, form, lot.product, part_number, lot.bin, lot.grade or "prime", order, size or product.units_per_reel)


def new_pack(session: Session, by: By, form: str, product: int, part_number: str, bin: str | None, grade: str, order: int | None, size: int) -> Pack:
    """An empty, open pack with its code."""
    if size < 1:
        raise bad_input("That is not a size.", "size", f"It is {size}.", "Give the number of units of a full pack.")
    item = Item(e=by.e, kind="pack")
    session.add(item)
    session.flush()
    pack = Pack(e=by.e, item=item.id, form=form, product=product, part_number=part_number, bin=bin, grade=grade, order=order, size_units=size)
    session.add(pack)
    give_code(session, by, "pack", item.id)
    session.flush()
    return pack


def _open_run(session: Session, by: By, facts: Facts, pack: Pack, lot: int, step: Step | None, person: int | None) -> Run:
    run = Run(e=by.e, operation="tape", station=facts.station.id, recipe=None, person=person, started_at=by.happened_at, source=by.source)
    session.add(run)
    session.flush()
    give_code(session, by, "run", run.id)
    group = facts.groups[0]
    line = Line(
        e=by.e, run=run.id, set=None, item=pack.item, lot=lot, route=group.route, step=step.key if step else None, round=1, shelf=None, units=None,
        judged=None, started_at=by.happened_at,
    )  # fmt: skip
    session.add(line)
    session.flush()
    use_what_is_loaded(session, by, line, facts.loaded, "tape", step)
    claim(session, run.id, [pack.item])
    return run


def open_line(session: Session, pack: Pack) -> tuple[Run, Line]:
    found = _open_line(session, pack)
    if found is None:
        name = code_of(session, "pack", pack.item)
        raise refuse("finished", f"Pack {name} is not being filled.", "Its run has ended.", "Close it with what it holds, and begin another.")
    return found


def _open_line(session: Session, pack: Pack) -> tuple[Run, Line] | None:
    row = session.execute(
        select(Run, Line).join(Line, Line.run == Run.id).where(Line.item == pack.item, Line.closed_e.is_(None), Run.operation == "tape")
    ).first()
    return (row[0], row[1]) if row else None


def _tape_step(facts: Facts, group: Group) -> Step | None:
    route = facts.routes.get(group.route or 0)
    return next((step for step in route.steps if step.operation == "tape"), None) if route else None


def _clear(facts: Facts, line_clear: bool) -> list[Reason]:
    if line_clear:
        return []
    return [
        Reason("line_not_clear", f"Nobody said that {facts.station.name} is clear.", "Look for units of the lot before; then say that it is clear.")
    ]

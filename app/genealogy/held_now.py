"""What a hold stops now: packs, loose lots and panels by their lots, with how much of each and where it is; wafers, batches and samples last."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue.models import Thing
from app.floor.moves import place_of
from app.genealogy.freed import Stopped
from app.ledger.items import Item
from app.ledger.runs import Claim, Run
from app.ledger.sets import lots_of_panels
from app.listed import among
from app.naming.resolve import codes_of

HEAD = ("kind", "code", "panels", "units", "where", "also_held")


@dataclass(frozen=True)
class HeldThing:
    """`panels`: of a panel lot, how many of it are stopped. `units`: None where no release counts them.

    `also_held`: another hold stops all or some of it too.
    """

    kind: str
    code: str
    panels: int | None
    units: int | None
    where: str
    also_held: bool

    @property
    def cells(self) -> tuple[object, ...]:
        return (self.kind, self.code, self.panels, self.units, self.where, "yes" if self.also_held else "no")


def held_now(session: Session, stopped: Stopped) -> list[HeldThing]:
    """Those with most units first. A handful of statements, however many they are."""
    every = [*stopped.units, *stopped.uncounted]
    kinds = {item: kind for item, kind in session.execute(select(Item.id, Item.kind).where(among(Item.id, every)))}
    lots = lots_of_panels(session, [item for item, kind in kinds.items() if kind == "panel"])
    things: defaultdict[int, list[int]] = defaultdict(list)
    for item in every:
        things[lots.get(item, item)].append(item)
    kinds |= dict.fromkeys(lots.values(), "lot")
    codes = {kind: codes_of(session, kind, [thing for thing in things if kinds[thing] == kind]) for kind in set(kinds.values())}
    where = _where(session, every)
    found = [
        HeldThing(
            kinds[thing], codes[kinds[thing]][thing], len(items) if thing not in items else None,
            None if thing in stopped.uncounted else sum(stopped.units[item] for item in items),
            ", ".join(sorted({where[item] for item in items})), any(item in stopped.elsewhere for item in items),
        )
        for thing, items in things.items()
    ]  # fmt: skip
    return sorted(found, key=lambda one: (one.units is None, -(one.units or 0), one.code))


def _where(session: Session, items: Iterable[int]) -> dict[int, str]:
    """Its place; of what is in work the station."""
    ids = list(items)
    query = select(Claim.item, Thing.name).join(Run, Run.id == Claim.run).join(Thing, Thing.id == Run.station)
    running = {item: f"in work at {station}" for item, station in session.execute(query.where(among(Claim.item, ids)))}
    return {item: str(place) for item, place in place_of(session, ids).items()} | running

"""Customers of the invented factory: what is free goes out once a day, some of it comes back, and a bonder's drift is found out late."""

from contextlib import suppress
from datetime import datetime, timedelta
from typing import Any

from app.errors import Refused
from app.holds.place import place_hold
from app.holds.stopped import stops_on
from app.naming.resolve import Named
from app.packing.shipping import ship, take_back
from seed_demo.floor import Story
from seed_demo.hands import later
from seed_demo.packing import GRADES, Pack, Packing, cut_at


class Shipping:
    def __init__(self, packing: Packing) -> None:
        self.packing, self.floor = packing, packing.floor

    def every_day(self, at: datetime, until: datetime) -> Story:
        """Once a day, what is free goes to its customer."""
        while at < until:
            yield at
            yield from self._all_go(self._free(), at)
            at += timedelta(days=1)

    def ship_and_more(self, at: datetime) -> Story:
        """Some of it comes back; and a bonder's drift is found out late, and what it touched stays here."""
        yield at
        free = self._free()
        first = free[: len(free) * 2 // 3]
        yield from self._all_go(first, at)
        shipped = [pack for pack in self.packing.packs if pack.shipped_to and GRADES[pack.bin] == "prime"]
        if len(shipped) >= 2:
            at = later(at, 240)
            yield at
            self._back(shipped[-1], None, at)
            yield from self.packing.seal(shipped[-1])
            self._back(shipped[-2], len(shipped[-2].units) // 2, later(at, 10))
        if self.floor.bonding.drifted is not None:
            at = later(at, 60)
            yield at
            self._hold_the_bonder(at)
        at = later(at, 300)
        yield at
        yield from self._all_go(self._free(), at)

    def _free(self) -> list[Pack]:
        """Sealed and here; without what the drifted bonder did just before, as long as nobody knows of it."""
        doubtful = self._just_before_the_drift()
        return [
            pack for pack in self.packing.packs
            if pack.sealed and len(pack.units) and pack.shipped_to is None and not any(doubtful & fill.reach.runs for fill in pack.fills)
        ]  # fmt: skip

    def _all_go(self, packs: list[Pack], at: datetime) -> Story:
        for order in dict.fromkeys(pack.order for pack in packs):
            if order is not None:
                at = later(at, 20)
                yield at
                self._ship([pack for pack in packs if pack.order == order and pack.shipped_to is None and len(pack.units)], order, at)

    def _just_before_the_drift(self) -> set[str]:
        """The drifted bonder's last runs before the one whose pull test was bad."""
        floor = self.floor
        if floor.bonding.drifted is None:
            return set()
        runs = floor.bonding.bonded[floor.bonding.drifted.name]
        bad = runs.index(floor.truth.faults["bonder that drifted"])
        return set(runs[max(0, bad - 2) : bad])

    def _ship(self, packs: list[Pack], order: str, at: datetime) -> None:
        hands = self.floor.hands
        with hands.house.reading() as session:
            held = set(stops_on(session, [pack.named.id for pack in packs]))
            customer = hands.customer_of(session, order)
        going = [pack for pack in packs if pack.named.id not in held]
        if not going:
            return
        arguments = {"packs": [pack.named.code for pack in going], "customer": customer, "order": order}
        verb = lambda s, by: ship(s, by, [pack.named for pack in going], customer, order).id  # noqa: E731
        hands.do(hands.certified("packing"), "ship", arguments, at, verb)
        for pack in going:
            pack.shipped_to = customer

    def _back(self, pack: Pack, units: int | None, at: datetime) -> None:
        """A customer sends a pack back; with `units`, only what is left nearest the hub."""
        hands = self.floor.hands

        def take(s: Any, by: Any) -> int:
            return int(take_back(s, by, pack.named, units).item)

        if units is None:
            hands.do(hands.certified("packing"), "take_back", {"pack": pack.named.code}, at, take)
            pack.shipped_to, pack.at = None, later(at, 30)
            return
        inner, outer = cut_at(pack.fills, units)
        pack.fills = outer
        self.packing.made("take_back", [pack], take, inner, at, units=units)
        self.floor.truth.into(pack.named.code, pack.units, pockets=True)

    def _hold_the_bonder(self, at: datetime) -> None:
        """Everything that the drifted bonder did in the two days before its bad pull test is held; a pack that was tested is let go."""
        floor, hands = self.floor, self.floor.hands
        bench, quality = floor.bonding.drifted, hands.with_duty("quality")
        assert bench is not None
        span = hands.span_before(floor.truth.faults["bonder that drifted"], timedelta(hours=50))
        subject = Named("station", bench.id, bench.code)
        arguments = {"subject": bench.code, "reason": "readings out of limits"}
        hold = hands.do(
            quality, "place_hold", arguments, at, lambda s, by: int(place_hold(s, by, subject, "readings out of limits", span=span).id)
        )
        here = [pack for pack in self.packing.packs if len(pack.units) and pack.shipped_to is None]
        with hands.house.reading() as session:
            stopped = stops_on(session, [pack.named.id for pack in here])
        mine = [pack for pack in here if hold in {stop.hold for stop in stopped.get(pack.named.id, [])}]
        if mine:
            floor.release(hold, [mine[0].named], later(at, 10))
        if len(mine) > 1 and mine[1].order is not None:
            self._may_not_leave(mine[1], mine[1].order, later(at, 15))

    def _may_not_leave(self, pack: Pack, order: str, at: datetime) -> None:
        """Someone tries to ship a pack that was not let go; the refusal is in the journal."""
        hands = self.floor.hands
        with hands.house.reading() as session:
            customer = hands.customer_of(session, order)
        verb = lambda s, by: ship(s, by, [pack.named], customer, order).id  # noqa: E731
        with suppress(Refused):
            hands.do(hands.certified("packing"), "ship", {"packs": [pack.named.code], "customer": customer, "order": order}, at, verb)
            pack.shipped_to = customer

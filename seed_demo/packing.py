"""From the tester into packs: bins, reels, bags of seconds; re-reeled, cut, joined, taken off the tape; dry packed."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from io import BytesIO
from typing import Any

import numpy as np

from app.final_test.bin_tables import bin_table_of
from app.final_test.results_in import import_unit_results, read_results
from app.floor.ends import Value
from app.floor.loose import merge_loose
from app.floor.moves import move_item
from app.floor.samples import sample_units
from app.floor.scrap import scrap_units
from app.floor.starts import start_run
from app.holds.stopped import stops_on
from app.ledger.items import Pack as PackRow
from app.naming.resolve import Named, code_of
from app.packing.dry import seal_pack
from app.packing.fill import Part, close_pack, fill_pack
from app.packing.rework import cut_pack, join_packs, re_reel, take_off_tape
from seed_demo.factory import Factory
from seed_demo.files import green_measured, unit_results
from seed_demo.floor import Campaign, Loose, Story
from seed_demo.hands import later
from seed_demo.loosening import clean
from seed_demo.truth import Ints, Reach

SHARES = {
    "LF-C20": {"A1": 0.922, "S1": 0.034, "R-OPEN": 0.024, "R-OUT": 0.02},
    "LF-M12": {"A1": 0.915, "S1": 0.041, "R-OPEN": 0.024, "R-OUT": 0.02},
}
SPLIT_BY_GREEN = {"LF-C20": 0.17}  # product -> x of the green die above which a prime unit is A2
GRADES = {"A1": "prime", "A2": "prime", "S1": "second", "R-OPEN": "reject", "R-OUT": "reject"}


@dataclass
class Fill:
    """Units of one loose lot in the pockets of a pack, and what was done to them in packs."""

    units: Ints
    reach: Reach

    def part(self, some: slice) -> "Fill":
        kept = Reach()
        kept.take(self.reach)
        return Fill(self.units[some], kept)


@dataclass(eq=False)
class Pack:
    """A pack as the simulator knows it. `fills` from the hub outwards."""

    named: Named
    product: str
    bin: str
    order: str | None
    fills: list[Fill]
    at: datetime
    sealed: bool = False
    shipped_to: str | None = None

    @property
    def units(self) -> Ints:
        return np.concatenate([fill.units for fill in self.fills] or [np.zeros(0, dtype=np.int64)])


@dataclass
class Packing:
    """The end of the line. `reel`: units of a full reel."""

    reel: int
    factory: Factory | None = None
    _filled: int = 0
    packs: list[Pack] = field(default_factory=list)
    rests: dict[tuple[str, str, str | None], Loose] = field(default_factory=dict)  # (product, bin, order) -> too few for a reel

    @property
    def floor(self) -> Factory:
        assert self.factory is not None
        return self.factory

    def test(self, campaign: Campaign) -> Story:
        """Lots of one order are poured together, tested and binned; then reels are filled."""
        floor, hands = self.floor, self.floor.hands
        loose = campaign.ready[0]
        for one in campaign.ready:
            one.at = max(one.at, floor.now)
        if len(campaign.ready) > 1:
            others, at = campaign.ready[1:], max(one.at for one in campaign.ready)

            def pour(s: Any, by: Any) -> Named:
                item = merge_loose(s, by, loose.named.id, [one.named.id for one in others]).item
                return Named("lot", item, code_of(s, "lot", item))

            arguments = {"into": loose.named.code, "others": [one.named.code for one in others]}
            named = hands.do(hands.certified(None), "merge_loose", arguments, at, pour)
            reach = Reach()
            for one in campaign.ready:
                reach.take(one.reach)
            loose = Loose(named, np.concatenate([one.units for one in campaign.ready]), reach, at)
            floor.truth.into(named.code, loose.units)
        bins = yield from self._bins(campaign.product, loose)
        for name, one in sorted(bins.items()):
            yield one.at
            if GRADES[name] == "reject":
                self._scrap(one)
            elif GRADES[name] == "second":
                yield from self._seconds(campaign.product, one)
            else:
                yield from self._reels(campaign, name, one)

    def _bins(self, product: str, loose: Loose) -> Any:
        floor, hands = self.floor, self.floor.hands
        step = next(step for step in hands.routes[product].steps if step.operation == "test")
        bench = hands.earliest("test", loose.at)
        starts = max(loose.at, bench.free_at)
        ends = later(starts, 5 + len(loose.units) / 36_000 * 60)
        bench.free_at = later(ends, 5)
        yield starts
        who = hands.certified(step.certificate)

        def start(s: Any, by: Any) -> Named:
            run = start_run(s, by, bench.id, [loose.named], person=who.id, line_clear=True).run.id
            return Named("run", run, code_of(s, "run", run))

        run = hands.do(who, "start_run", {"station": bench.code, "things": [loose.named.code]}, starts, start)
        floor.truth.worked(run.code, loose.units)
        loose.reach.runs.add(run.code)
        yield ends
        green_x, green_y = green_measured(floor.rng, floor.truth.green_nm[loose.units])
        bins = floor.rng.choice(list(SHARES[product]), len(loose.units), p=list(SHARES[product].values()))
        bins[(bins == "A1") & (green_x > SPLIT_BY_GREEN.get(product, 1.0))] = "A2"
        picked = {str(name): loose.units[bins == name] for name in np.unique(bins)}
        with hands.house.reading() as session:
            table = bin_table_of(session, hands.run_of(session, run))
        data = unit_results(floor.rng, bins.tolist(), green_x, green_y)
        file = read_results(hands.house, f"{bench.name.replace(' ', '-').lower()}-{ends:%m%d%H%M}.csv", BytesIO(data), table)

        def out(s: Any, by: Any) -> dict[str, Named]:
            lots = import_unit_results(s, by, hands.run_of(s, run), file, person=who.id)
            return {name: Named("lot", lot.item, code_of(s, "lot", lot.item)) for name, lot in lots.items()}

        arguments = {"run": run.code, "file": [file.kept.name, file.kept.digest]}
        lots = hands.do(who, "import_unit_results", arguments, ends, out, source="file")
        found = {}
        for name, units in picked.items():
            mixed = units[np.argsort(floor.rng.random(len(units)), kind="stable")]
            floor.truth.into(lots[name].code, mixed)
            found[name] = Loose(lots[name], mixed, _same(loose.reach), later(ends, 5))
        return found

    def _scrap(self, one: Loose) -> None:
        hands, truth = self.floor.hands, self.floor.truth
        arguments = {"lot": one.named.code, "units": len(one.units)}
        verb = lambda s, by: scrap_units(s, by, one.named.id, len(one.units), "reject bin").units  # noqa: E731
        hands.do(hands.certified("test"), "scrap", arguments, one.at, verb)
        truth.place[one.units] = -1
        truth.alive[one.units] = False

    def _seconds(self, product: str, one: Loose) -> Story:
        """Seconds go into a bag, for an order that takes them."""
        order = "BT-77" if product == "LF-C20" else "BT-78"
        yield from self._fill([one], [len(one.units)], product, "S1", order, form="bag", size=len(one.units))

    def _reels(self, campaign: Campaign, name: str, one: Loose) -> Story:
        floor = self.floor
        if name == "A1" and floor.rng.random() < 0.5 and len(one.units) > 40:
            self._sample(one)
        while len(one.units) >= self.reel:
            yield from self._fill([one], [self.reel], campaign.product, name, campaign.order)
        key = (campaign.product, name, campaign.order)
        before = self.rests.pop(key, None)
        if before is not None:
            with floor.hands.house.reading() as session:
                before = None if stops_on(session, [before.named.id]).get(before.named.id) else before  # a held rest stays where it is
        if not len(one.units):
            if before is not None:
                self.rests[key] = before
            return
        if before is None:
            self._keep(key, one)
            return
        self._move(before, "floor")
        if len(before.units) + len(one.units) >= self.reel:
            yield from self._fill([before, one], [len(before.units), self.reel - len(before.units)], campaign.product, name, campaign.order)
        elif floor.rng.random() < 0.3:
            yield from self._fill([before], [len(before.units)], campaign.product, name, campaign.order, short="end of the lot")
        for rest in (before, one):
            if len(rest.units) and key not in self.rests:
                self._keep(key, rest)
            elif len(rest.units):
                yield from self._fill([rest], [len(rest.units)], campaign.product, name, campaign.order, short="end of the lot")

    def _keep(self, key: tuple[str, str, str | None], one: Loose) -> None:
        """Too few for a reel: they wait in stock for more of the same."""
        self.rests[key] = one
        self._move(one, "stock", "rests")

    def _move(self, one: Loose, kind: str, place: str = "") -> None:
        hands = self.floor.hands
        arguments = {"lot": one.named.code, "to": place or kind}
        hands.do(hands.certified("taping"), "move_item", arguments, one.at, lambda s, by: str(move_item(s, by, one.named.id, kind, place)))

    def _sample(self, one: Loose) -> None:
        hands, truth = self.floor.hands, self.floor.truth

        def take(s: Any, by: Any) -> str:
            return code_of(s, "sample", sample_units(s, by, one.named.id, 20, "solder test", kept=True).item)

        code = hands.do(hands.with_duty("quality"), "take_sample", {"lot": one.named.code, "units": 20}, one.at, take)
        truth.into(code, one.units[:20])
        one.units = one.units[20:]

    def _fill(
        self, lots: list[Loose], takes: list[int], product: str, name: str, order: str | None, *, form: str = "reel", size: int | None = None,
        short: str | None = None, again: bool = False,
    ) -> Story:  # fmt: skip
        floor, hands = self.floor, self.floor.hands
        step = next(step for step in hands.routes[product].steps if step.operation == "tape")
        units, at = sum(takes), max(one.at for one in lots)
        bench = hands.earliest("tape", at)
        starts = max(at, bench.free_at)
        ends = later(starts, 2 + units / 30_000 * 60)
        bench.free_at = later(ends, 2)
        yield starts
        used = [floor.supplies.ready(bench, need.part, units, starts, ends) for need in step.needs if need.part]
        who = hands.certified(step.certificate)
        parts = [Part(one.named, n) for one, n in zip(lots, takes, strict=True)]
        values = [Value("peel", float(round(floor.rng.normal(55, 8), 1)))]

        def fill(s: Any, by: Any) -> tuple[Named, str]:
            to = hands.order(s, order)
            pack = fill_pack(s, by, bench.id, parts, form=form, size=size or self.reel, order=to, person=who.id, line_clear=True, close=False)
            return Named("pack", pack.item, code_of(s, "pack", pack.item)), hands.run_over(s, pack.item)

        arguments = {"station": bench.code, "parts": [[part.lot.code, part.units] for part in parts], "order": order}
        named, run = hands.do(who, "fill_pack", arguments, starts, fill)
        fills = []
        for one, n in zip(lots, takes, strict=True):
            fills.append(Fill(one.units[:n], _same(one.reach)))
            one.units, one.at = one.units[n:], later(ends, 1)
        pack = self._new(Pack(named, product, name, order, fills, later(ends, 2)))
        self._worked(pack, run, [material.named.code for material in used])
        yield ends
        close = lambda s, by: close_pack(s, by, s.get_one(PackRow, named.id), short_reason=short, values=values, person=who.id).units  # noqa: E731
        hands.do(who, "close_pack", {"pack": named.code, "values": {one.name: one.value for one in values}}, ends, close)
        yield pack.at
        yield from self.seal(pack) if again else self._rework(pack)

    def _new(self, pack: Pack) -> Pack:
        self.packs.append(pack)
        self.floor.truth.packs.append(pack.named.code)
        self.floor.truth.into(pack.named.code, pack.units, pockets=True)
        return pack

    def _worked(self, pack: Pack, run: str, batches: list[str]) -> None:
        self.floor.truth.worked(run, pack.units, batches)
        for fill in pack.fills:
            fill.reach.runs.add(run)
            fill.reach.batches.update(batches)

    def _rework(self, pack: Pack) -> Story:
        """A few reels are wound over, cut, joined, or taken off the tape, before all go into their bags."""
        self._filled += 1
        n = self._filled
        out = [pack]
        if GRADES[pack.bin] == "prime":
            if n % 18 == 2:
                out = [self._re_reel(pack)]
            elif n % 18 == 6:
                out = [pack, self._cut(pack, len(pack.units) // 3)]
            elif n % 18 == 10 and len(pack.units) > 20:
                part = self._cut(pack, len(pack.units) // 2)
                out = [self._join([part, pack])]
            elif n % 18 == 14:
                yield from self._off_the_tape(pack)
                out = []
        for one in out:
            yield from self.seal(one)

    def made(self, action: str, olds: list[Pack], verb: Callable[[Any, Any], int], fills: list[Fill], at: datetime, **arguments: Any) -> Pack:
        hands, like = self.floor.hands, olds[0]

        def act(s: Any, by: Any) -> Named:
            item = verb(s, by)
            return Named("pack", item, code_of(s, "pack", item))

        named = hands.do(hands.certified("taping"), action, {"packs": [old.named.code for old in olds], **arguments}, at, act)
        return self._new(Pack(named, like.product, like.bin, like.order, fills, later(at, 5)))

    def _re_reel(self, pack: Pack) -> Pack:
        fills = [Fill(fill.units[::-1].copy(), _same(fill.reach)) for fill in reversed(pack.fills)]
        pack.fills = []
        return self.made("re_reel", [pack], lambda s, by: re_reel(s, by, pack.named).item, fills, pack.at)

    def _cut(self, pack: Pack, units: int) -> Pack:
        keep = len(pack.units) - units
        inner, outer = cut_at(pack.fills, keep)
        pack.fills = inner
        return self.made("cut_pack", [pack], lambda s, by: cut_pack(s, by, pack.named, units).item, outer, pack.at, units=units)

    def _join(self, packs: list[Pack]) -> Pack:
        fills = [fill for pack in packs for fill in pack.fills]
        for pack in packs:
            pack.fills = []
        at = max(pack.at for pack in packs)
        return self.made("join_packs", packs, lambda s, by: join_packs(s, by, [pack.named for pack in packs]).item, fills, at)

    def _off_the_tape(self, pack: Pack) -> Story:
        """The outer half comes off the tape into a jar; it is cleaned and tested again, and goes onto a new reel."""
        hands, truth = self.floor.hands, self.floor.truth
        there = len(pack.units)
        keep = there // 2
        pack.fills, off = cut_at(pack.fills, keep)

        def take(s: Any, by: Any) -> Named:
            item = take_off_tape(s, by, pack.named, keep + 1, there).item
            return Named("lot", item, code_of(s, "lot", item))

        arguments = {"pack": pack.named.code, "pocket_from": keep + 1, "pocket_to": there}
        named = hands.do(hands.certified("taping"), "take_off_tape", arguments, pack.at, take)
        reach = Reach()
        for fill in off:
            reach.take(fill.reach)
        units = np.concatenate([fill.units for fill in off])
        mixed = units[np.argsort(self.floor.rng.random(len(units)), kind="stable")]
        truth.into(named.code, mixed)
        loose = Loose(named, mixed, reach, later(pack.at, 10))
        yield from self.seal(pack)
        for step in self.floor.hands.routes[pack.product].steps:
            if step.operation == "clean":
                yield from clean(self.floor, loose, step)
        bins = yield from self._bins(pack.product, loose)
        for name, one in sorted(bins.items()):
            if GRADES[name] == "reject":
                self._scrap(one)
            elif GRADES[name] == "prime":
                yield from self._fill([one], [len(one.units)], pack.product, name, pack.order, size=len(one.units), again=True)
            else:
                yield from self._seconds(pack.product, one)

    def seal(self, pack: Pack) -> Story:
        floor, hands = self.floor, self.floor.hands
        step = next(step for step in hands.routes[pack.product].steps if step.operation == "dry pack")
        bench = hands.earliest("dry pack", pack.at)
        starts = max(pack.at, bench.free_at)
        bench.free_at = later(starts, 4)
        yield starts
        used = [floor.supplies.ready(bench, need.part, len(pack.units), starts, later(starts, 3)) for need in step.needs if need.part]
        who = hands.certified(step.certificate)

        def seal(s: Any, by: Any) -> tuple[Named, str]:
            item = seal_pack(s, by, bench.id, pack.named, person=who.id, again=pack.sealed).pack.item
            return Named("pack", item, code_of(s, "pack", item)), hands.run_over(s, item)

        at = later(starts, 2)
        named, run = hands.do(who, "seal_pack", {"pack": pack.named.code, "station": bench.code}, at, seal)
        goes_on = pack
        if named.id != pack.named.id:  # sealed before, or something was cut off: it goes on as a new pack
            fills, pack.fills = [Fill(fill.units, _same(fill.reach)) for fill in pack.fills], []
            goes_on = self._new(Pack(named, pack.product, pack.bin, pack.order, fills, at))
        self._worked(goes_on, run, [one.named.code for one in used])
        goes_on.sealed, goes_on.at = True, later(at, 10)

    def reaches(self) -> None:
        """What can be in each pack that holds something, for the truth."""
        for pack in self.packs:
            reach = Reach()
            for fill in pack.fills:
                if len(fill.units):
                    reach.take(fill.reach)
            self.floor.truth.reach[pack.named.code] = reach


def _same(reach: Reach) -> Reach:
    new = Reach()
    new.take(reach)
    return new


def cut_at(fills: list[Fill], keep: int) -> tuple[list[Fill], list[Fill]]:
    """The first `keep` units from the hub, and the rest."""
    inner: list[Fill] = []
    outer: list[Fill] = []
    for fill in fills:
        n = len(fill.units)
        if keep >= n:
            inner.append(fill)
        elif keep <= 0:
            outer.append(fill)
        else:
            inner.append(fill.part(slice(0, keep)))
            outer.append(fill.part(slice(keep, n)))
        keep = max(0, keep - n)
    return inner, outer

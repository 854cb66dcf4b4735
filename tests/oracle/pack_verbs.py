"""Packs, pocket by pocket: `slots` are in order from the hub. Which unit of a loose lot sits in which pocket, chance decides."""

from collections.abc import Sequence

from tests.oracle import actions as a
from tests.oracle.loose_verbs import LooseVerbs
from tests.oracle.state import must
from tests.oracle.things import Line, Node, Pack, Slot

HERE = ("floor", "returned")


class PackVerbs(LooseVerbs):
    def fill_pack(self, station: str, parts: Sequence[tuple[str, int]], uses: Sequence[str] = (), close: bool = True) -> str:
        self._check_parts(parts, self.setting.pack_size)
        self._tick()
        first = self.loose[parts[0][0]]
        pack = Pack(self._new("pack"), self.now, self.setting.pack_size, first.bin, first.grade)
        self.packs[pack.name] = pack
        pack.run = self._open_run("tape", station)
        line = self._open_line(pack.run, self.step_of("tape").key, uses, thing=pack.name)
        self._fill(pack, parts, line)
        self._note(
            a.FillPack(
                at=0, makes=pack.name, run=pack.run.name, line=line.name, station=station, uses=tuple(uses), parts=tuple(parts), close=close
            )
        )  # fmt: skip
        if close:
            self._close(pack)
        return pack.name

    def fill_more(self, pack: str, parts: Sequence[tuple[str, int]]) -> None:
        it = self.packs[pack]
        must(it.run is not None and not it.closed, "it is closed")
        self._check_parts(parts, it.size - len(it.slots), it)
        self._tick()
        self._fill(it, parts, it.run.lines[0])  # type: ignore[union-attr]  # checked above
        self._note(a.FillMore(at=0, pack=pack, parts=tuple(parts)))

    def close_pack(self, pack: str) -> None:
        it = self.packs[pack]
        must(it.run is not None, "it is closed")
        self._tick()
        self._close(it)
        self._note(a.ClosePack(at=0, pack=pack))

    def cut_pack(self, pack: str, units: int) -> str:
        it = self._ready(pack)
        must(0 < units < len(it.slots), "nothing would stay")
        self._tick()
        new = self._into_new(it, [(it, len(it.slots) - units + 1, len(it.slots))])
        self._note(a.CutPack(at=0, makes=new.name, pack=pack, units=units))
        return new.name

    def re_reel(self, pack: str) -> str:
        it = self._ready(pack)
        self._tick()
        new = self._into_new(it, [(it, 1, len(it.slots))])
        new.slots.reverse()
        self._note(a.ReReel(at=0, makes=new.name, pack=pack))
        return new.name

    def join_packs(self, packs: Sequence[str]) -> str:
        them = [self._ready(pack) for pack in packs]
        must(len(set(packs)) > 1 and len({(pack.bin, pack.grade) for pack in them}) == 1, "these are not joined")
        must(self.fit_in_one(packs), "too many for one reel")
        self._tick()
        new = self._into_new(them[0], [(pack, 1, len(pack.slots)) for pack in them])
        self._note(a.JoinPacks(at=0, makes=new.name, packs=tuple(packs)))
        return new.name

    def fit_in_one(self, packs: Sequence[str]) -> bool:
        them = [self.packs[pack] for pack in packs]
        return sum(len(pack.slots) for pack in them) <= max(pack.size for pack in them)

    def take_off_tape(self, pack: str, first: int, last: int) -> str:
        it = self._ready(pack)
        self._tick()
        slots = self._take_slots(it, first, last)
        it.given_out = True
        loose = self._new_bag("loose", [(slot.node, 1) for slot in slots], [slot.unit for slot in slots])
        self.loose[loose.name] = loose
        loose.next_step = self.setting.off_tape
        if loose.next_step == self.step_of("tape").key:
            loose.bin, loose.grade = it.bin, it.grade
        self._note(a.TakeOffTape(at=0, makes=loose.name, pack=pack, first=first, last=last))
        return loose.name

    def sample_pockets(self, pack: str, first: int, last: int, kept: bool = True) -> str:
        """A sample is no outflow in the sense of rule 4."""
        it = self._ready(pack)
        self._tick()
        slots = self._take_slots(it, first, last)
        it.out, it.sampled = it.out - len(slots), it.sampled + len(slots)
        sample = self._new_bag("sample", [(slot.node, 1) for slot in slots], [slot.unit for slot in slots])
        sample.kept = kept
        self._note(a.SamplePockets(at=0, makes=sample.name, pack=pack, first=first, last=last, kept=kept))
        return sample.name

    def dry_pack(self, station: str, pack: str, uses: Sequence[str] = ()) -> str:
        """A pack that has given out goes on as a new one before it is worked on. The name of the pack that was sealed."""
        old = self._ready(pack)
        must(not old.sealed or old.given_out, "it is sealed")
        self._tick()
        it = self._into_new(old, [(old, 1, len(old.slots))]) if old.given_out else old
        run = self._open_run("dry pack", station)
        line = self._open_line(run, self.step_of("dry pack").key, uses, thing=it.name)
        for slot in it.slots:
            self._next(slot, it.name, line)
            slot.unit.trail.append(line.name)
        it.sealed, line.closed = True, self.now
        self._close_run(run, "done")
        self._note(a.DryPack(at=0, run=run.name, line=line.name, pack=pack, result=it.name, station=station, uses=tuple(uses)))
        return it.name

    def ship(self, packs: Sequence[str], customer: str) -> None:
        them = [self._ready(pack) for pack in packs]
        self._tick()
        for pack in them:
            pack.place = customer
        self._note(a.Ship(at=0, packs=tuple(packs), customer=customer))

    def take_back(self, pack: str, units: int | None = None) -> str:
        """From a customer: the pack, or the units nearest the hub as a new pack."""
        it = self.packs[pack]
        must(it.place not in HERE and (units is None or 0 < units < len(it.slots)), "it is not with a customer")
        self._tick()
        back = it if units is None else self._into_new(it, [(it, 1, units)])
        back.place = "returned"
        self._note(a.TakeBack(at=0, pack=pack, units=units, result=back.name))
        return back.name

    def _check_parts(self, parts: Sequence[tuple[str, int]], room: int, pack: Pack | None = None) -> None:
        bags = [self.loose[loose] for loose, _ in parts]
        must(bool(parts) and len({bag.name for bag in bags}) == len(bags) and sum(n for _, n in parts) <= room, "no room")
        must(all(bag.busy is None and 0 < n <= bag.there for bag, (_, n) in zip(bags, parts, strict=True)), "too few units")
        must(len({(bag.bin, bag.grade) for bag in bags} | ({(pack.bin, pack.grade)} if pack else set())) == 1, "they differ")
        must(all(bag.next_step == self.step_of("tape").key and bag.grade != "reject" for bag in bags), "not to be taped")

    def _fill(self, pack: Pack, parts: Sequence[tuple[str, int]], line: Line) -> None:
        for loose, n in parts:
            bag = self.loose[loose]
            node, units = self._take(bag, n)
            bag.out, bag.given_out = bag.out + n, True
            for unit in units:
                pack.slots.append(Slot(Node(pack.name, 1, self.now, ((node, 1),), (line,)), unit))
                unit.trail += [pack.name, line.name]
        pack.taken_in += sum(n for _, n in parts)

    def _close(self, pack: Pack) -> None:
        if pack.run is not None:
            pack.run.lines[0].closed = self.now
            self._close_run(pack.run, "done")
        pack.closed, pack.run = True, None

    def _ready(self, name: str) -> Pack:
        pack = self.packs[name]
        must(pack.closed and bool(pack.slots) and pack.place in HERE, f"{name} is not ready")
        return pack

    def _into_new(self, like: Pack, parts: Sequence[tuple[Pack, int, int]]) -> Pack:
        """A new closed pack of pockets of others, in their order."""
        new = Pack(self._new("pack"), self.now, like.size, like.bin, like.grade, closed=True)
        self.packs[new.name] = new
        for pack, first, last in parts:
            for slot in self._take_slots(pack, first, last):
                self._next(slot, new.name)
                slot.unit.trail.append(new.name)
                new.slots.append(slot)
            pack.given_out = True
        new.taken_in = len(new.slots)
        return new

    def _take_slots(self, pack: Pack, first: int, last: int) -> list[Slot]:
        must(1 <= first <= last <= len(pack.slots), "no such pockets")
        slots = pack.slots[first - 1 : last]
        del pack.slots[first - 1 : last]
        for slot in slots:
            slot.node.died = self.now
        pack.out += len(slots)
        return slots

    def _next(self, slot: Slot, pack: str, *lines: Line) -> None:
        slot.node.died = self.now
        slot.node = Node(pack, 1, self.now, ((slot.node, 1),), lines)

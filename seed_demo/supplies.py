"""What the factory takes in: wafers with their maps, and material batches, opened and put on stations as they are needed."""

from datetime import datetime, timedelta
from itertools import count

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from app.floor.change_overs import change_over
from app.floor.ends import Said
from app.floor.mounts import mount, unmount
from app.naming.resolve import Named
from app.receiving.batches import open_batch, receive_batch
from app.receiving.die_map import Stated
from app.receiving.panels import receive_panels
from app.receiving.wafers import read_map_files, receive_wafers
from seed_demo.files import Floats, csv_map, e142_map, passing_dies, text_map, wavelengths
from seed_demo.hands import Bench, Hands, Material
from seed_demo.truth import Ints, Truth

SUPPLIERS = {
    "wafer": "Nimbrel Wafers", "adhesive": "Corvane Adhesives", "wire": "Thistledown Wire", "lead frame": "Ambleforge Frames",
    "encapsulant": "Corvane Adhesives", "mould compound": "Hexley Compounds", "carrier tape": "Ribbonhurst", "cover tape": "Ribbonhurst",
    "bag": "Pellmore Bags",
}  # fmt: skip
# units that one batch of a kind serves, as this factory buys it (invented)
SERVES = {
    "adhesive": 90_000, "wire": 9_000, "encapsulant": 40_000, "mould compound": 40_000, "carrier tape": 90_000, "cover tape": 90_000, "bag": 200_000,
}  # fmt: skip


class WaferInUse:
    """A wafer and the good dies that are left on it, in the order in which the bonder takes them."""

    def __init__(self, named: Named, role: str, dies: NDArray[np.int8], nm: Floats | None) -> None:
        self.named, self.role, self.nm = named, role, nm  # wavelengths by row and column
        rows, columns = np.nonzero(dies == 1)
        order = np.lexsort((np.where(rows % 2, -columns, columns), rows))  # there and back, row by row
        self.x: Ints = columns[order]
        self.y: Ints = rows[order]
        self.next = 0

    @property
    def left(self) -> int:
        return len(self.x) - self.next

    def take(self, n: int) -> tuple[Ints, Ints]:
        some = slice(self.next, self.next + n)
        self.next += n
        return self.x[some], self.y[some]


class Supplies:
    def __init__(self, hands: Hands, truth: Truth, rng: Generator) -> None:
        self.hands, self.truth, self.rng = hands, truth, rng
        self._serial = count(1)
        self.wafer_parts = {part.role: part.number for part in hands.parts.values() if part.kind == "wafer" and part.role}

    def wafer(self, role: str, at: datetime, *, wrong_edge: bool = False) -> WaferInUse:
        """A wafer comes with its map, a green one with its wavelengths. `wrong_edge`: it begins one column too far to the right, all the way down."""
        part = self.wafer_parts[role]
        name = f"{role[0].upper()}{next(self._serial):03d}-{int(self.rng.integers(10, 99))}"
        dies = passing_dies(self.rng)
        said = np.roll(dies, 1, axis=1) if wrong_edge else dies
        e142, nm = next(self._serial) % 4 == 0, wavelengths(self.rng) if role == "green" else None
        if nm is not None:
            file = (f"{name}.csv", csv_map(name, said, nm))
        else:
            file = (f"{name}.xml", e142_map(name, said)) if e142 else (f"{name}.txt", text_map(name, said))
        kept = read_map_files(self.hands.house, [file], self.hands.parts[part], Stated(passing=("1",)))
        who = self.hands.with_duty("lead")
        named = self.hands.do(
            who, "receive_wafers", {"part": part, "files": [file[0]]}, at,
            lambda s, by: receive_wafers(s, by, kept, part, supplier=SUPPLIERS["wafer"])[0], source="file",
        )  # fmt: skip
        if wrong_edge:
            self.truth.faults["wafer with a wrong map edge"] = named.code
        return WaferInUse(named, role, dies, nm)

    def batch(self, part: str, at: datetime, *, expires_at: datetime | None = None, opened: bool = True) -> Material:
        """A batch comes in and is opened."""
        body = self.hands.parts[part]
        number, who = f"{part[:3]}-{next(self._serial):04d}", self.hands.with_duty("lead")
        named = self.hands.do(
            who, "receive_batch", {"part": part, "supplier_batch": number}, at,
            lambda s, by: receive_batch(s, by, part, supplier=SUPPLIERS.get(body.kind, ""), supplier_batch=number, expires_at=expires_at),
        )  # fmt: skip
        until = None
        if opened and body.pot_life_minutes:
            self.hands.do(who, "open_batch", {"batch": named.code}, at, lambda s, by: open_batch(s, by, named))
            until = at + timedelta(minutes=body.pot_life_minutes)
        return Material(named, part, SERVES.get(body.kind, 10**9), until)

    def panels(self, part: str, n: int, at: datetime) -> tuple[Named, list[Named]]:
        """A batch of lead frames, and its panels."""
        frames = self.batch(part, at).named
        who = self.hands.with_duty("lead")
        verb = lambda s, by: receive_panels(s, by, frames, count=n)  # noqa: E731
        return frames, self.hands.do(who, "receive_panels", {"frames": frames.code, "count": n}, at, verb)

    def ready(self, bench: Bench, part: str, units: int, starts: datetime, ends: datetime) -> Material:
        """What a step needs is on the station, good until its end: else it is taken off, and fresh material comes on."""
        kind = self.hands.parts[part].kind
        there = bench.on.get(kind)
        if there and there.part == part and there.left >= units and (there.until is None or there.until > ends):
            there.left -= units
            return there
        who = self.hands.with_duty("lead")
        fresh = self.batch(part, starts)
        self.off(bench, kind, starts)
        self.hands.do(who, "mount", {"station": bench.code, "item": fresh.named.code}, starts, lambda s, by: mount(s, by, bench.id, fresh.named.id))
        bench.on[kind] = fresh
        fresh.left -= units
        return fresh

    def off(self, bench: Bench, kind: str, at: datetime) -> None:
        there, who = bench.on.pop(kind, None), self.hands.with_duty("lead")
        if there is not None:
            arguments = {"station": bench.code, "item": there.named.code}
            self.hands.do(who, "unmount", arguments, at, lambda s, by: unmount(s, by, bench.id, there.named.id))

    def change(self, bench: Bench, kind: str, fresh: Named, at: datetime, said: Said) -> None:
        """A change-over in mid-run; what was said goes on the record, what was so only the truth knows."""
        who, place = self.hands.with_duty("lead"), kind
        arguments = {"station": bench.code, "item": fresh.code, "done": list(said.done or []), "in_work": list(said.in_work or [])}
        self.hands.do(who, "change_over", arguments, at, lambda s, by: len(change_over(s, by, bench.id, fresh, place, said)))

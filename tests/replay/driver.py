"""Does a history of the oracle by the program's verbs, action by action, and keeps which symbol is which thing."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import singledispatchmethod
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db import House
from app.final_test.bins_out import take_bins_out
from app.final_test.singulate import singulate
from app.floor import containers, counting, ends, loose, lots, marking, mounts, placements, samples, scrap, starts
from app.floor.change_overs import change_over
from app.floor.dispositions import judgement_in_force, write_judgement
from app.floor.voids import void_run
from app.holds.place import place_hold
from app.holds.release import release_hold
from app.journal.act import SYSTEM, By, act
from app.ledger.items import Pack
from app.ledger.places import Load, Mount
from app.ledger.runs import Line, Run
from app.ledger.sets import panels_of
from app.ledger.stops import Hold
from app.naming.resolve import Named, codes_of
from app.ovens import loads
from app.packing import dry, fill, rework, shipping
from app.packing import samples as pack_samples
from app.receiving import batches, panels, wafers
from app.receiving.die_map import Stated
from tests.oracle import actions as a
from tests.replay.catalogue import RECIPE, load_catalogue, wafer_part

T = TypeVar("T")
BEGINS = datetime(2025, 1, 6, 6, tzinfo=UTC)  # tick 0; a tick is a minute
KIND_OF_SYMBOL = {"loose": "lot"}  # the others are kinds of things by their own names


def moment(tick: float) -> datetime:
    return BEGINS + timedelta(minutes=tick)


@dataclass
class Replay:
    """`ids`: symbol -> id in the table of its kind; `stations`: name -> thing."""

    house: House
    history: a.History
    ids: dict[str, int] = field(default_factory=dict)
    stations: dict[str, int] = field(default_factory=dict)
    tick: int = 0
    wrong_log: int = 0  # evidence that the next log corrects

    def run(self) -> "Replay":
        self.stations = load_catalogue(self, self.history.setting)
        for action in self.history.actions:
            self.tick = action.at
            try:
                self.play(action)
            except Exception as error:
                error.add_note(f"at tick {action.at}: {action}")
                raise
        return self

    def do(self, action: str, verb: Callable[[Session, By], T]) -> T:
        kept: list[T] = []

        def once(session: Session, by: By) -> dict[str, Any]:
            kept[:] = [verb(session, by)]
            return {}

        act(self.house, SYSTEM, action, {"tick": self.tick}, once, signed=True, happened_at=moment(self.tick))
        return kept[0]

    def named(self, symbol: str) -> Named:
        kind = symbol.split(":")[0]
        if kind == "station":
            return Named(kind, self.stations[symbol.removeprefix("station:")], symbol)
        return Named(KIND_OF_SYMBOL.get(kind, kind), self.ids[symbol], symbol)

    def symbols(self, session: Session) -> dict[str, str]:
        """Code -> symbol, of everything but lines, which have no code: they are found by their number."""
        found: dict[str, str] = {}
        for kind in ("wafer", "batch", "panel", "lot", "sample", "pack", "run", "hold"):
            mine = {thing: symbol for symbol, thing in self.ids.items() if KIND_OF_SYMBOL.get(k := symbol.split(":")[0], k) == kind}
            found |= {code: mine[thing] for thing, code in codes_of(session, kind, list(mine)).items()}
        return found | {f"line {thing}": symbol for symbol, thing in self.ids.items() if symbol.startswith("line:")}

    def _is(self, symbol: str, thing: int) -> None:
        """The program's thing is that of the symbol, a new one where the symbol is new."""
        known = self.ids.setdefault(symbol, thing)
        assert known == thing, f"{symbol} is {known}, but the program went on with {thing}"
        kind = KIND_OF_SYMBOL.get(k := symbol.split(":")[0], k)
        others = [s for s, t in self.ids.items() if t == thing and s != symbol and KIND_OF_SYMBOL.get(k := s.split(":")[0], k) == kind]
        assert not others, f"{symbol} should be new, but the program went on with {others[0]}"

    def _panels(self, symbols: tuple[str, ...] | None) -> list[int] | None:
        return None if symbols is None else [self.ids[symbol] for symbol in symbols]

    def _mount(self, station: str, uses: tuple[str, ...]) -> None:
        """Exactly these are on the station then."""
        at, wanted = self.stations[station], [self.ids[use] for use in uses]

        def write(session: Session, by: By) -> None:
            for row in session.scalars(select(Mount).where(Mount.closed_e.is_(None)).order_by(Mount.id)).all():
                elsewhere = row.station != at and row.item in wanted and self._is_wafer(row.item)
                if elsewhere or (row.station == at and row.item not in wanted):
                    mounts.unmount(session, by, row.station, row.item)
            for item in wanted:
                mounts.mount(session, by, at, item, self._place(session, at, item))

        if uses or self._has_mounts(at):
            self.do("mount", write)

    def _place(self, session: Session, station: int, item: int) -> str | None:
        """A second one of a kind lies beside the first."""
        on = mounts.loaded(session, station)
        if any(one.item == item for one in on):
            return None
        kind = mounts.part_of(session, item).body.kind
        return f"{kind} 2" if any(one.place == kind for one in on) else None

    def _is_wafer(self, item: int) -> bool:
        return any(thing == item and symbol.startswith("wafer:") for symbol, thing in self.ids.items())

    def _has_mounts(self, station: int) -> bool:
        with self.house.reading() as session:
            return session.scalar(select(Mount.id).where(Mount.station == station, Mount.closed_e.is_(None)).limit(1)) is not None

    def _lines(self, run: int) -> list[tuple[Line, list[int]]]:
        with self.house.reading() as session:
            lines = session.scalars(select(Line).where(Line.run == run).order_by(Line.id)).all()
            return [(line, panels_of(session, line.set) if line.set else []) for line in lines]

    @singledispatchmethod
    def play(self, action: a.Action) -> None:
        raise NotImplementedError(type(action).__name__)

    @play.register
    def _(self, action: a.ReceiveWafer) -> None:
        bins = [f"{x},{y},{'X' if (x, y) in action.failing else '1'}" for y in range(action.rows) for x in range(action.columns)]
        data = "\n".join(["x,y,die bin", *bins, ""]).encode()
        stated = Stated(passing=("1",), wafer=action.makes)
        part = wafer_part(action.role)
        files = wafers.read_map_files(self.house, [(f"{action.makes}.csv", data)], part, stated)
        found = self.do("receive_wafers", lambda s, by: wafers.receive_wafers(s, by, files, part.number))
        self._is(action.makes, found[0].id)

    @play.register
    def _(self, action: a.ReceiveBatch) -> None:
        self._is(action.makes, self.do("receive_batch", lambda s, by: batches.receive_batch(s, by, action.kind)).id)

    @play.register
    def _(self, action: a.MixBatches) -> None:
        parents = [self.named(parent) for parent in action.parents]
        self._is(action.makes, self.do("mix_batches", lambda s, by: batches.mix_batches(s, by, action.kind, parents)).id)

    @play.register
    def _(self, action: a.ReceivePanels) -> None:
        found = self.do("receive_panels", lambda s, by: panels.receive_panels(s, by, self.named(action.frame), count=len(action.makes)))
        for symbol, named in zip(action.makes, found, strict=True):
            self._is(symbol, named.id)

    @play.register
    def _(self, action: a.StartLot) -> None:
        ids = self._panels(action.panels) or []
        self._is(action.makes, self.do("start_lot", lambda s, by: lots.start_lot(s, by, "P1", ids).item))

    @play.register
    def _(self, action: a.SplitLot) -> None:
        ids = self._panels(action.panels) or []
        self._is(action.makes, self.do("split_lot", lambda s, by: lots.split_lot(s, by, self.ids[action.lot], ids).item))

    @play.register
    def _(self, action: a.MergeLots) -> None:
        others = [self.ids[other] for other in action.others]
        self._is(action.into, self.do("merge_lots", lambda s, by: lots.merge_lots(s, by, self.ids[action.into], others).item))

    @play.register
    def _(self, action: a.PutInContainer) -> None:
        if action.container not in self.ids:
            made = self.do("add_container", lambda s, by: containers.add_container(s, by, "box", action.container).id)
            self._is(action.container, made)
        into = self.ids[action.container]
        if action.loose:
            self.do("fill_container", lambda s, by: containers.put_item(s, by, into, self.ids[action.loose or ""]))
        else:
            self.do("fill_container", lambda s, by: containers.put_panels(s, by, into, self._panels(action.panels) or []))

    @play.register
    def _(self, action: a.StartRun) -> None:
        self._judge()
        self._mount(action.station, action.uses)
        station = self.stations[action.station]
        if any(group.shelf for group in action.groups):
            run = self._cure(action, station)
        else:
            before = {new: old for old, new in action.went_on}
            symbols = [symbol for group in action.groups for symbol in (group.panels or (group.loose,)) if symbol]
            things = [self.named(before.get(symbol, symbol)) for symbol in symbols]
            step = action.groups[0].step
            run = self.do("start_run", lambda s, by: starts.start_run(s, by, station, things, step=step, line_clear=True).run.id)
        self._is(action.run, run)
        self._bind_lines(run, action)

    def _cure(self, action: a.StartRun, station: int) -> int:
        load = self.do("begin_load", lambda s, by: loads.begin_load(s, by, station, RECIPE).id)
        for group in action.groups:
            things = [self.named(panel) for panel in group.panels]
            shelf = group.shelf or ""
            self.do("add_to_load", lambda s, by: len(loads.add_to_load(s, by, s.get_one(Load, load), things, shelf)))  # noqa: B023
        return self.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load), None).run.id)

    def _bind_lines(self, run: int, action: a.StartRun) -> None:
        lines = self._lines(run)
        assert len(lines) == len(action.groups)
        for symbol, group in zip(action.lines, action.groups, strict=True):
            wanted = set(self._panels(group.panels) or ())
            if group.loose:
                line = lines[0][0] if len(lines) == 1 else next(one for one, _ in lines if one.item == self.ids.get(group.loose or ""))
                self._is(group.loose, line.item or 0)
            else:
                line = next(one for one, members in lines if set(members) == wanted and one.step == group.step)
            self._is(symbol, line.id)

    @play.register
    def _(self, action: a.ChangeOver) -> None:
        run, on = self.ids[action.run], self.ids[action.on]
        said = ends.Said(self._panels(action.done), self._panels(action.in_work))

        def write(session: Session, by: By) -> None:
            station = session.get_one(Run, run).station
            if self._is_wafer(on):
                for row in session.scalars(select(Mount).where(Mount.item == on, Mount.closed_e.is_(None))).all():
                    mounts.unmount(session, by, row.station, on)
            mounted = select(Mount.place).where(Mount.station == station, Mount.item == self.ids[action.off], Mount.closed_e.is_(None))
            place = session.scalars(mounted).one()
            change_over(session, by, station, self.named(action.on), place, said)

        self.do("change_over", write)
        opened = [(line, members) for line, members in self._lines(run) if line.closed_e is None]
        for closed, new in action.lines:
            if new is not None:
                before = next(members for line, members in self._lines(run) if line.id == self.ids[closed])
                line = next(line for line, members in opened if set(members) <= set(before))
                self._is(new, line.id)

    @play.register
    def _(self, action: a.InterruptRun) -> None:
        said = ends.Said(self._panels(action.done), self._panels(action.in_work))
        self.do("interrupt_run", lambda s, by: len(ends.interrupt_run(s, by, s.get_one(Run, self.ids[action.run]), said)))

    @play.register
    def _(self, action: a.FinishRun) -> None:
        self.do("finish_run", lambda s, by: len(ends.finish_run(s, by, s.get_one(Run, self.ids[action.run]))))

    @play.register
    def _(self, action: a.AbortRun) -> None:
        self.do("abort_run", lambda s, by: len(ends.abort_run(s, by, s.get_one(Run, self.ids[action.run]))))

    @play.register
    def _(self, action: a.VoidRun) -> None:
        self.do("void_run", lambda s, by: void_run(s, by, s.get_one(Run, self.ids[action.run]), "entered wrongly"))

    @play.register
    def _(self, action: a.ImportPlacements) -> None:
        if action.rows:
            self._import(action, self.ids[action.run])
        self._judge()

    def _import(self, action: a.ImportPlacements, run: int) -> None:
        with self.house.reading() as session:
            row = session.get_one(Run, run)
            station, at = row.station, row.started_at + timedelta(seconds=1)
            codes = codes_of(session, "panel", [self.ids[one.panel] for one in action.rows])
            codes |= codes_of(session, "wafer", [self.ids[one.wafer] for one in action.rows])
        rows = [f"{at.isoformat()},{codes[self.ids[r.wafer]]},{r.die_x},{r.die_y},{codes[self.ids[r.panel]]},{r.row},{r.column}" for r in action.rows]
        data = "\n".join(["time,wafer,die_x,die_y,panel,row,column", *rows, ""]).encode()
        kept, log = placements.read_log(self.house, f"{action.run}.csv", data)
        replaces = [self.wrong_log] if action.corrects else []
        found = self.do("import_placements", lambda s, by: placements.import_placements(s, by, station, kept, log, replaces))
        self.wrong_log = found.evidence if action.is_wrong else 0
        assert (found.placed, found.wrong) == (len(action.rows), len(action.bad))
        if found.holds:
            self._let_go()

    def _judge(self) -> None:
        """The oracle judges nothing: quality says of every line that it conforms, also where its log says nothing of a panel."""

        def write(session: Session, by: By) -> None:
            judged = select(Line).join(Run, Run.id == Line.run).where(Line.judged.is_not(None), Line.closed_e.is_not(None))
            for line in session.scalars(judged.where(Run.outcome.is_distinct_from("aborted"))).all():
                now = judgement_in_force(session, line.id)
                if now is None or now.verdict != "conforms":
                    write_judgement(session, by, line.id, verdict="conforms", reasons=[], facts={}, rule=None, evidence=None)

        self.do("judge", write)

    def _let_go(self) -> None:
        """A log of many failing dies may fit a turned map better by chance: what it holds then is released at once."""

        def write(session: Session, by: By) -> None:
            for hold in session.scalars(select(Hold).where(Hold.automatic, Hold.closed_e.is_(None))).all():
                release_hold(session, by, hold, [], "concession", "chance", units_freed=0)

        self.do("release_hold", write)

    @play.register
    def _(self, action: a.MarkCells) -> None:
        self._is(action.makes, self.do("mark_cells", lambda s, by: marking.mark_cells(s, by, self.ids[action.panel], action.cells, action.reason).id))

    @play.register
    def _(self, action: a.TakeBackMark) -> None:
        self.do("correct_marks", lambda s, by: marking.take_back_marks(s, by, [self.ids[action.mark]]))

    @play.register
    def _(self, action: a.ScrapUnits) -> None:
        self.do("scrap", lambda s, by: scrap.scrap_units(s, by, self.ids[action.thing], action.units, "fell down", *_weighed(action.u)).id)

    @play.register
    def _(self, action: a.SampleCells) -> None:
        made = self.do(
            "take_sample", lambda s, by: samples.sample_cells(s, by, self.ids[action.panel], action.cells, "pull test", kept=action.kept).item
        )
        self._is(action.makes, made)

    @play.register
    def _(self, action: a.SampleUnits) -> None:
        made = self.do(
            "take_sample", lambda s, by: samples.sample_units(s, by, self.ids[action.loose], action.units, "life test", kept=action.kept).item
        )
        self._is(action.makes, made)

    @play.register
    def _(self, action: a.SamplePockets) -> None:
        made = self.do(
            "take_sample",
            lambda s, by: pack_samples.sample_pockets(s, by, self.named(action.pack), action.first, action.last, "life test", kept=action.kept).item,
        )
        self._is(action.makes, made)

    @play.register
    def _(self, action: a.Singulate) -> None:
        self._is(action.makes, self.do("singulate", lambda s, by: singulate(s, by, s.get_one(Run, self.ids[action.run])).item))

    @play.register
    def _(self, action: a.SplitLoose) -> None:
        lot, how = self.ids[action.loose], _weighed(action.u)
        self._is(action.makes, self.do("split_loose", lambda s, by: loose.split_loose(s, by, lot, action.units, *how).item))

    @play.register
    def _(self, action: a.MergeLoose) -> None:
        others = [self.ids[other] for other in action.others]
        self._is(action.result, self.do("merge_loose", lambda s, by: loose.merge_loose(s, by, self.ids[action.into], others).item))

    @play.register
    def _(self, action: a.SignDifference) -> None:
        lot = self.ids[action.loose]
        self.do("count_units", lambda s, by: counting.count_units(s, by, lot, action.counted, "counter", 0.0).entry.id)
        self.do("sign_difference", lambda s, by: counting.sign_difference(s, by, lot, "nobody knows").id)

    @play.register
    def _(self, action: a.TakeBinsOut) -> None:
        counts = {(out.bin, out.grade): out.units for out in action.bins}
        found = self.do(
            "bin_out",
            lambda s, by: {name: lot.item for name, lot in take_bins_out(s, by, s.get_one(Run, self.ids[action.run]), counts).items()},
        )
        for out in action.bins:
            self._is(out.makes, found[out.bin])

    @play.register
    def _(self, action: a.FillPack) -> None:
        self._mount(action.station, action.uses)
        station, parts = self.stations[action.station], self._parts(action.parts)
        how = {"line_clear": True, "close": action.close, "short_reason": "the end of it"}
        pack = self.do("fill_pack", lambda s, by: fill.fill_pack(s, by, station, parts, **how).item)  # type: ignore[arg-type]
        self._is(action.makes, pack)
        self._bind_line_of(pack, action.run, action.line)

    def _parts(self, parts: tuple[tuple[str, int], ...]) -> list[fill.Part]:
        return [fill.Part(self.named(lot), units) for lot, units in parts]

    def _bind_line_of(self, pack: int, run: str, line: str) -> None:
        with self.house.reading() as session:
            row = session.scalars(select(Line).where(Line.item == pack).order_by(Line.id.desc()).limit(1)).one()
            self._is(run, row.run)
            self._is(line, row.id)

    @play.register
    def _(self, action: a.FillMore) -> None:
        pack = self.ids[action.pack]
        self.do("fill_pack", lambda s, by: fill.fill_more(s, by, s.get_one(Pack, pack), self._parts(action.parts)))

    @play.register
    def _(self, action: a.ClosePack) -> None:
        pack = self.ids[action.pack]
        self.do("close_pack", lambda s, by: fill.close_pack(s, by, s.get_one(Pack, pack), short_reason="the end of it").item)

    @play.register
    def _(self, action: a.CutPack) -> None:
        self._is(action.makes, self.do("cut_pack", lambda s, by: rework.cut_pack(s, by, self.named(action.pack), action.units).item))

    @play.register
    def _(self, action: a.ReReel) -> None:
        self._is(action.makes, self.do("re_reel", lambda s, by: rework.re_reel(s, by, self.named(action.pack)).item))

    @play.register
    def _(self, action: a.JoinPacks) -> None:
        packs = [self.named(pack) for pack in action.packs]
        self._is(action.makes, self.do("join_packs", lambda s, by: rework.join_packs(s, by, packs).item))

    @play.register
    def _(self, action: a.TakeOffTape) -> None:
        pack = self.named(action.pack)
        self._is(action.makes, self.do("take_off_tape", lambda s, by: rework.take_off_tape(s, by, pack, action.first, action.last).item))

    @play.register
    def _(self, action: a.DryPack) -> None:
        self._mount(action.station, action.uses)
        station = self.stations[action.station]
        pack = self.do("seal_pack", lambda s, by: dry.seal_pack(s, by, station, self.named(action.pack)).pack.item)
        self._is(action.result, pack)
        self._bind_line_of(pack, action.run, action.line)

    @play.register
    def _(self, action: a.Ship) -> None:
        packs = [self.named(pack) for pack in action.packs]
        self.do("ship", lambda s, by: shipping.ship(s, by, packs, action.customer).id)

    @play.register
    def _(self, action: a.TakeBack) -> None:
        pack = self.named(action.pack)
        self._is(action.result, self.do("take_back", lambda s, by: shipping.take_back(s, by, pack, action.units).item))

    @play.register
    def _(self, action: a.PlaceHold) -> None:
        subject = self.named(action.subject)
        span = None if action.span is None else (moment(action.span[0]), None if action.span[1] is None else moment(action.span[1]))
        self._is(action.makes, self.do("place_hold", lambda s, by: place_hold(s, by, subject, "looked wrong", span=span).id))

    @play.register
    def _(self, action: a.ReleaseHold) -> None:
        hold, items = self.ids[action.hold], [self.named(item) for item in action.items]
        self.do("release_hold", lambda s, by: release_hold(s, by, s.get_one(Hold, hold), items, "concession", "looked at", units_freed=0).id)


def _weighed(u: float) -> tuple[str, float]:
    return ("weight", u) if u else ("hand", 0.0)

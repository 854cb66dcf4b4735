"""What is done while units sit in cells: receiving, lots, runs over panels, change-overs, logs, marks, samples, singulation."""

from collections.abc import Iterable, Sequence

from tests.oracle import actions as a
from tests.oracle.actions import Cell, Group
from tests.oracle.state import State, must
from tests.oracle.things import Bag, Batch, Exit, Line, Mark, Panel, Run, Unit, Wafer, Work, exit_now


class PanelVerbs(State):
    def receive_wafer(self, role: str, columns: int = 10, rows: int = 10, failing: Iterable[tuple[int, int]] = ()) -> str:
        self._tick()
        name, bad = self._new("wafer"), tuple(failing)
        self.wafers[name] = Wafer(name, role, [(x, y) for y in range(rows) for x in range(columns)], set(bad))
        self._note(a.ReceiveWafer(at=0, makes=name, role=role, columns=columns, rows=rows, failing=bad))
        return name

    def receive_batch(self, kind: str) -> str:
        self._tick()
        name = self._new("batch")
        self.batches[name] = Batch(name, kind, self.now)
        self._note(a.ReceiveBatch(at=0, makes=name, kind=kind))
        return name

    def mix_batches(self, parents: Sequence[str]) -> str:
        must(len(set(parents)) > 1 and len({self.batches[one].kind for one in parents}) == 1, "mixing needs batches of one kind")
        self._tick()
        name, kind = self._new("batch"), self.batches[parents[0]].kind
        self.batches[name] = Batch(name, kind, self.now, tuple(parents))
        self._note(a.MixBatches(at=0, makes=name, kind=kind, parents=tuple(parents)))
        return name

    def receive_panels(self, n: int, frame: str) -> tuple[str, ...]:
        must(self.batches[frame].kind == "lead frame", "panels come from a lead-frame batch")
        self._tick()
        names = tuple(self._new("panel") for _ in range(n))
        for name in names:
            panel = self.panels[name] = Panel(name, frame, self.now)
            cells = [(row, column) for row in range(1, self.setting.rows + 1) for column in range(1, self.setting.columns + 1)]
            panel.units = {cell: Unit(panel, cell) for cell in cells}
        self._note(a.ReceivePanels(at=0, makes=names, frame=frame))
        return names

    def start_lot(self, panels: Sequence[str]) -> str:
        must(bool(panels) and all(self.panels[p].lot is None and not self.panels[p].lots for p in panels), "panels are not free")
        self._tick()
        name = self._new("lot")
        self.lots[name] = self.now
        self._holds(name, panels)
        self._note(a.StartLot(at=0, makes=name, panels=tuple(panels)))
        return name

    def split_lot(self, lot: str, panels: Sequence[str]) -> str:
        there = {panel.name for panel in self.panels_of(lot)}
        must(bool(panels) and set(panels) < there and self._free(panels), "these can't leave that lot")
        self._tick()
        name = self._new("lot")
        self.lots[name] = self.now
        self._holds(name, panels)
        self._note(a.SplitLot(at=0, makes=name, lot=lot, panels=tuple(panels)))
        return name

    def merge_lots(self, into: str, others: Sequence[str]) -> None:
        panels = [panel for lot in (into, *others) for panel in self.panels_of(lot)]
        must(into not in others and all(self.panels_of(lot) for lot in (into, *others)), "nothing to merge")
        must(len({(self.next_step(panel), self.is_open(panel)) for panel in panels}) == 1, "they stand differently")
        must(self._free([panel.name for panel in panels]), "in work")
        self._tick()
        self._holds(into, [panel.name for lot in others for panel in self.panels_of(lot)])
        self._note(a.MergeLots(at=0, into=into, others=tuple(others)))

    def put_in_container(self, container: str, panels: Sequence[str] = (), loose: str | None = None) -> None:
        must(not self.containers.get(container), "the container is not empty")
        self._tick()
        content = (loose,) if loose else tuple(panels)
        self._leave_containers(*content)
        self.containers[container] = content
        self._note(a.PutInContainer(at=0, container=container, panels=tuple(panels), loose=loose))

    def start_run(self, station: str, groups: Sequence[Group], uses: Sequence[str], repeat: bool = False) -> str:
        """Over groups of panels, or over loose lots. Taping and dry packing have verbs of their own."""
        self._check_start(groups, repeat)
        self._tick()
        run = self._open_run(self.step(groups[0].step).operation, station)
        named, went_on = [], []
        for group in groups:
            line = self._open_line(run, group.step, uses, shelf=group.shelf)
            if group.loose:
                now = self._loose_in_work(self.loose[group.loose], line)
                went_on += [(group.loose, now)] if now != group.loose else []
                group = Group(group.step, loose=now)
            for name in group.panels:
                self._panel_in_work(self.panels[name], line)
            named.append(group)
        self._note(
            a.StartRun(
                at=0, run=run.name, lines=tuple(line.name for line in run.lines), station=station, groups=tuple(named), uses=tuple(uses),
                went_on=tuple(went_on), repeat=repeat,
            )
        )  # fmt: skip
        return run.name

    def change_over(
        self, run: str, off: str, on: str, done: Sequence[str] | None = None, in_work: Sequence[str] | None = None
    ) -> None:
        """One material goes off, another on. What was said is true; of the rest chance decides, unit by unit."""
        it = self.runs[run]
        before = [line for line in it.lines if line.is_open]
        must(bool(before) and all(line.panels and off in line.uses and on not in line.uses for line in before), "no change-over there")
        must(set(done or ()) < {panel.name for line in before for panel in line.panels}, "nothing would be left to do")
        self._tick()
        pairs: list[tuple[str, str | None]] = []
        for line in before:
            rest = self._stop_line(line, done, in_work)
            new = self._open_line(it, line.step, [on if use == off else use for use in line.uses], shelf=line.shelf) if rest else None
            for panel in rest if new else []:
                self._panel_in_work(panel, new)
            pairs.append((line.name, new.name if new else None))
        self._note(a.ChangeOver(at=0, run=run, off=off, on=on, done=_said(done), in_work=_said(in_work), lines=tuple(pairs)))

    def interrupt_run(self, run: str, done: Sequence[str] | None = None, in_work: Sequence[str] | None = None) -> None:
        it = self.runs[run]
        must(it.operation not in ("cure", "singulate") and it.is_over_panels, "that is not interrupted")
        self._tick()
        for line in [line for line in it.lines if line.is_open]:
            self._stop_line(line, done, in_work)
        self._close_run(it, "interrupted")
        self._note(a.InterruptRun(at=0, run=run, done=_said(done), in_work=_said(in_work)))

    def abort_run(self, run: str) -> None:
        it = self.runs[run]
        must(it.operation != "singulate" and it.is_over_panels, "that is not aborted")
        self._tick()
        for line in [line for line in it.lines if line.is_open]:
            if it.operation == "cure":
                self._end_line(line, counts=False)
            else:
                self._stop_line(line, None, None)
        self._close_run(it, "aborted")
        self._note(a.AbortRun(at=0, run=run))

    def finish_run(self, run: str) -> None:
        it = self.runs[run]
        must(it.ended is None and it.operation not in ("singulate", "test", "tape", "dry pack"), "that run ends otherwise")
        self._tick()
        self._end_lines(it)
        self._note(a.FinishRun(at=0, run=run))

    def may_be_void(self, run: Run) -> bool:
        panels = [panel for line in run.lines for panel in line.panels]
        nothing_after = all(panel.last_event == run.ended and panel.busy is None and not panel.singulated for panel in panels)
        return bool(panels) and run.ended is not None and not run.void and run.log is None and nothing_after

    def void_run(self, run: str) -> None:
        """It did not happen: no unit was touched and no die was placed."""
        it = self.runs[run]
        must(self.may_be_void(it), "something came after it")
        self._tick()
        it.void = True
        for panel in {panel for line in it.lines for panel in line.panels}:
            panel.last_event = self.now
            for work in [work for work in panel.works if any(line in work.lines for line in it.lines)]:
                self._undo(work, it)
        self._note(a.VoidRun(at=0, run=run))

    def sign_rework(self, line: str) -> None:
        it = self.lines[line]
        must(it.closed is not None and not any(panel.busy or panel.singulated for panel in it.panels), "nothing to do again")
        self._tick()
        for panel in it.panels:
            for work in panel.works:
                work.counts = work.counts and it not in work.lines
        self._note(a.SignRework(at=0, line=line))

    def import_placements(self, run: str, first: int | None = None, is_wrong: bool = False, corrects: bool = False) -> None:
        """The log of what was really placed, or the `first` rows of what no log said before. A failing die marks its cell.

        `is_wrong`: each die is on the cell of the row before it. `corrects`: what the wrong log said is no more, nor its marks.
        """
        it = self.runs[run]
        must(it.operation == "die attach" and it.ended is not None and not it.log_is_whole and not it.void, "no log to import")
        self._tick()
        if corrects:
            self._take_back_wrong_log(it)
        it.log = {} if it.log is None else it.log
        rest = [(unit, die) for unit, die in self._placed_in(it) if unit not in it.log]
        now = rest[:first]
        if is_wrong:
            must(len(now) > 1 and not corrects, "nothing to be wrong in")
            self._wrong_log = (it, [unit for unit, _ in now], [])
            now = [(unit, now[i - 1][1]) for i, (unit, _) in enumerate(now)]
        else:
            it.log_is_whole = len(now) == len(rest)
        rows, bad = [], []
        for unit, (wafer, x, y) in now:
            it.log[unit] = (wafer, x, y)
            rows.append(a.Placed(unit.panel.name, *unit.cell, wafer, x, y))
            if (x, y) in self.wafers[wafer].failing:
                bad.append((unit.panel.name, unit.cell))
        for name, cell in bad:
            self.panels[name].marks.append(Mark("", self.panels[name], (cell,), self.now))
            if is_wrong:
                self._wrong_log[2].append(self.panels[name].marks[-1])
        for panel in {panel for line in it.lines for panel in line.panels}:
            panel.last_event = self.now
        self._note(
            a.ImportPlacements(at=0, run=run, rows=tuple(rows), bad=tuple(bad), first=first, is_wrong=is_wrong, corrects=corrects)
        )

    def _take_back_wrong_log(self, run: Run) -> None:
        it, units, marks = self._wrong_log
        must(it is run and run.log is not None, "that log was right")
        for unit in units:
            del run.log[unit]  # type: ignore[union-attr]  # checked above
        for mark in marks:
            mark.taken_back = True

    def mark_cells(self, panel: str, cells: Sequence[Cell], reason: str = "bent wire") -> str:
        it = self.panels[panel]
        must(bool(cells) and all(it.units[cell] in it.good_cells() and it.units[cell].there for cell in cells), "not good cells")
        must(it.busy is None and it.good_units() >= len(cells), "in work")
        self._tick()
        mark = Mark(self._new("mark"), it, tuple(cells), self.now)
        self.marks[mark.name] = mark
        it.marks.append(mark)
        it.last_event = self.now
        self._note(a.MarkCells(at=0, makes=mark.name, panel=panel, cells=tuple(cells), reason=reason))
        return mark.name

    def may_take_back(self, mark: Mark) -> bool:
        """No die attach passed over the cells meanwhile, and they are still on their panel."""
        passed = any(line.opened > mark.at and line.run.operation == "die attach" for work in mark.panel.works for line in work.lines)
        return not mark.taken_back and not mark.panel.singulated and mark.panel.busy is None and not passed

    def take_back_mark(self, mark: str) -> None:
        it = self.marks[mark]
        must(self.may_take_back(it), "that mark stays")
        self._tick()
        it.taken_back = True
        it.panel.last_event = self.now
        self._note(a.TakeBackMark(at=0, mark=mark))

    def sample_cells(self, panel: str, cells: Sequence[Cell], kept: bool = True) -> str:
        it = self.panels[panel]
        taken = [it.units[cell] for cell in cells]
        must(bool(taken) and all(unit in it.good_cells() and unit.there for unit in taken), "not good cells")
        must(it.busy is None and it.good_units() >= len(taken), "in work")
        self._tick()
        sample = self._leave_panels("sample", [exit_now(it, self.now, taken, len(taken), to_sample=True)], taken)
        sample.kept = kept
        self.samples[sample.name] = sample
        self._note(a.SampleCells(at=0, makes=sample.name, panel=panel, cells=tuple(cells), kept=kept))
        return sample.name

    def singulate(self, run: str) -> str:
        it = self.runs[run]
        must(it.operation == "singulate" and it.ended is None, "no singulation")
        self._tick()
        self._end_lines(it)
        panels = [panel for line in it.lines for panel in line.panels]
        really = [unit for panel in panels for unit in panel.good_cells() if unit.there]
        exits = [exit_now(panel, self.now, panel.good_cells(), panel.good_units()) for panel in panels if panel.good_units()]
        loose = self._leave_panels("loose", exits, really)
        loose.next_step = self.after(self.step_of("singulate").key)
        self.loose[loose.name] = loose
        for panel in panels:
            panel.singulated, panel.lot = True, None
        self._leave_containers(*(panel.name for panel in panels))
        self._note(a.Singulate(at=0, makes=loose.name, run=run, units=loose.n))
        return loose.name

    def _free(self, panels: Iterable[str]) -> bool:
        return all(self.panels[panel].busy is None for panel in panels)

    def _holds(self, lot: str, panels: Iterable[str]) -> None:
        for name in panels:
            self.panels[name].lot = lot
            if lot not in self.panels[name].lots:
                self.panels[name].lots.append(lot)

    def _check_start(self, groups: Sequence[Group], repeat: bool) -> None:
        must(len({self.step(group.step).operation for group in groups}) == 1, "one operation a run")
        for group in groups:
            if group.loose:
                bag = self.loose[group.loose]
                must(bag.busy is None and bag.n > 0 and bool(bag.units) and (bag.next_step == group.step or repeat), f"{bag.name} may not start")
            for name in group.panels:
                panel = self.panels[name]
                must(panel.lot == group.lot and panel.busy is None and panel.good_units() > 0, f"{name} may not start")
                must(self.next_step(panel) == group.step, f"not the next step of {name}")

    def _open_run(self, operation: str, station: str) -> Run:
        run = Run(self._new("run"), operation, station, self.now)
        self.runs[run.name] = run
        return run

    def _open_line(self, run: Run, step: str | None, uses: Sequence[str], *, thing: str | None = None, shelf: str | None = None) -> Line:
        line = Line(self._new("line"), run, step, tuple(uses), self.now, thing=thing, shelf=shelf)
        self.lines[line.name] = line
        run.lines.append(line)
        return line

    def _loose_in_work(self, bag: Bag, line: Line) -> str:
        raise NotImplementedError  # in LooseVerbs

    def _panel_in_work(self, panel: Panel, line: Line | None) -> None:
        if line is None or line.step is None:
            return
        line.panels.append(panel)
        panel.busy, panel.last_event = line.run, self.now
        goes_on = [work for work in panel.works if work.step == line.step and work.unfinished]
        if goes_on:
            goes_on[-1].lines.append(line)
        else:
            panel.works.append(Work(panel, line.step, [line]))

    def _work(self, panel: Panel, line: Line) -> Work:
        return next(work for work in panel.works if line in work.lines)

    def _stop_line(self, line: Line, done: Sequence[str] | None, in_work: Sequence[str] | None) -> list[Panel]:
        """Ends a line before all is done. Gives the panels that are not said to be done."""
        line.closed = self.now
        rest = [panel for panel in line.panels if panel.name not in (done or ())]
        for panel in list(line.panels):
            panel.busy, panel.last_event = None, self.now
            work = self._work(panel, line)
            if panel not in rest:
                self._do(line, panel, self._to_do(panel, work))
                work.unfinished = False
            elif done is not None and in_work is not None and panel.name not in in_work:
                self._was_not_reached(panel, work, line)
            else:
                waiting = self._to_do(panel, work)
                said = in_work is not None and panel.name in in_work
                n = self.chance.randint(0, len(waiting)) if said else self.chance.choice([0, len(waiting), self.chance.randint(0, len(waiting))])
                self._do(line, panel, waiting[:n])
        return rest

    def _was_not_reached(self, panel: Panel, work: Work, line: Line) -> None:
        work.lines.remove(line)
        line.panels.remove(panel)
        if not work.lines:
            panel.works.remove(work)

    def _end_lines(self, run: Run) -> None:
        for line in [line for line in run.lines if line.is_open]:
            self._end_line(line)
        self._close_run(run, "done")

    def _end_line(self, line: Line, counts: bool = True) -> None:
        line.closed = self.now
        for panel in line.panels:
            panel.busy, panel.last_event = None, self.now
            work = self._work(panel, line)
            self._do(line, panel, self._to_do(panel, work))
            work.unfinished, work.counts = False, counts
        if line.thing is not None and line.thing in self.loose:
            bag = self.loose[line.thing]
            bag.busy, bag.next_step = None, self.after(line.step or "")

    def _close_run(self, run: Run, outcome: str) -> None:
        run.ended, run.outcome = self.now, outcome

    def _to_do(self, panel: Panel, work: Work) -> list[Unit]:
        """In the order of the machine. A bonder leaves marked cells empty; everything else goes over them."""
        skips = self.step(work.step).role is not None
        return [unit for cell, unit in panel.units.items() if unit.there and unit not in work.really and not (skips and panel.is_marked(cell))]

    def _do(self, line: Line, panel: Panel, units: Sequence[Unit]) -> None:
        work = self._work(panel, line)
        role = self.step(work.step).role
        for unit in units:
            work.really[unit] = line
            if role is not None:
                unit.dies[role] = (line.run, self._pick(line, role, unit))

    def _pick(self, line: Line, role: str, unit: Unit) -> tuple[str, int, int]:
        mounted = [self.wafers[use] for use in line.uses if use in self.wafers and self.wafers[use].role == role]
        wafers = [wafer for wafer in mounted if wafer.left()]
        must(bool(wafers), "no dies are left")
        wafer = self.chance.choice(wafers)
        wrong = [die for die in wafer.dies if die in wafer.failing and die not in wafer.used]
        x, y = self.chance.choice(wrong) if wrong and self.chance.random() < self.bad_dies else wafer.left()[0]
        wafer.used[x, y] = unit
        return wafer.name, x, y

    def _placed_in(self, run: Run) -> list[tuple[Unit, tuple[str, int, int]]]:
        panels = dict.fromkeys(panel for line in run.lines for panel in line.panels)
        units = [unit for panel in panels for unit in panel.units.values()]
        return [(unit, die) for unit in units for placed_in, die in unit.dies.values() if placed_in is run]

    def _undo(self, work: Work, run: Run) -> None:
        role = self.step(work.step).role
        for unit, line in list(work.really.items()):
            if line.run is not run:
                continue
            del work.really[unit]
            if role is not None:
                wafer, x, y = unit.dies.pop(role)[1]
                del self.wafers[wafer].used[x, y]
        work.lines = [line for line in work.lines if line.run is not run]
        work.unfinished = True
        if not work.lines:
            work.panel.works.remove(work)

    def _leave_panels(self, kind: str, exits: Sequence[Exit], units: Sequence[Unit]) -> Bag:
        name, n = self._new(kind), sum(exit_.n for exit_ in exits)
        for exit_ in exits:
            exit_.panel.exits.append(exit_)
            exit_.panel.last_event = self.now
        for unit in units:
            unit.there = False
            unit.trail.append(name)
        node = self._node(name, n, [(exit_, exit_.n) for exit_ in exits]) if n else None
        return Bag(name, node, list(units), self.now, taken_in=n)


def _said(panels: Sequence[str] | None) -> tuple[str, ...] | None:
    return None if panels is None else tuple(panels)

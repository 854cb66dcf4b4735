"""`Factory(setting, seed)`: every verb of the simulated factory, its holds, and its answers. Start here."""

from collections.abc import Callable, Sequence
from dataclasses import fields
from typing import Any

from tests.oracle import actions as a
from tests.oracle import answers, stops
from tests.oracle.actions import Action, History
from tests.oracle.answers import Origins
from tests.oracle.pack_verbs import PackVerbs
from tests.oracle.state import must
from tests.oracle.things import Balance, Hold, Panel, Released


class Factory(PackVerbs):
    def place_hold(self, subject: str, span: tuple[float, float | None] | None = None) -> str:
        """`subject` as in `PlaceHold`; `station:NAME` for a station, with `span` for all lines that were open there then."""
        self._tick()
        hold = Hold(self._new("hold"), subject, self.now, span)
        content = self.containers.get(subject, ())
        hold.panels = frozenset(self._panels_meant(subject))
        if content and content[0] in self.loose:
            hold.node = self.loose[content[0]].node
        self.holds[hold.name] = hold
        self._note(a.PlaceHold(at=0, makes=hold.name, subject=subject, span=span))
        return hold.name

    def release_hold(self, hold: str, items: Sequence[str] = ()) -> None:
        """For everything, or for items: wafer, batch, panel, lot, loose, container, sample, pack."""
        it = self.holds[hold]
        must(not it.ended, "it has ended")
        self._tick()
        it.ended = not items
        for item in items:
            content = self.containers.get(item, ())
            if item in self.lots or content:
                it.released += [Released(panel.name, self.now, moment=True) for panel in self._panels_meant(item)]
                it.released += [Released(one, self.now, moment=True) for one in content if one in self.loose]
            else:
                it.released.append(Released(item, self.now, moment=item in self.loose))
        self._note(a.ReleaseHold(at=0, hold=hold, items=tuple(items)))

    def truth(self, thing: str) -> Origins:
        return answers.truth(self, thing)

    def possible(self, thing: str) -> Origins:
        return answers.possible(self, thing)

    def must(self, thing: str) -> Origins:
        return answers.must_be(self, thing)

    def bounds(self, things: Sequence[str], origin: str) -> tuple[int, int]:
        return answers.bounds(self, things, origin)

    def forward(self, origin: str) -> dict[str, str]:
        return answers.forward(self, origin)

    def stopped(self, thing: str) -> stops.Stops:
        return stops.stops_of(self, thing)

    def counts(self) -> dict[str, Balance]:
        return answers.counts(self)

    def history(self) -> History:
        return History(self.setting, self.seed, self.bad_dies, tuple(self.actions))

    @classmethod
    def replay(cls, history: History, until: int | None = None) -> "Factory":
        """The same factory again, chance included, after all actions or after tick `until`."""
        factory = cls(history.setting, history.seed, history.bad_dies)
        for action in history.actions:
            if until is None or action.at <= until:
                factory.apply(action)
        return factory

    def apply(self, action: Action) -> None:
        """Does one action of a history. What it makes must be named as the history names it."""
        verb, given = _CALLS[type(action)]
        getattr(self, verb)(**{argument: _value(action, source) for argument, source in given.items()})
        if self.actions[-1] != action:
            differs = [f.name for f in fields(action) if getattr(action, f.name) != getattr(self.actions[-1], f.name, None)]
            raise AssertionError(f"tick {action.at}: another outcome than the history has, in {', '.join(differs)}")

    def _panels_meant(self, subject: str) -> list[Panel]:
        """What a panel lot or a container holds now."""
        if subject in self.lots:
            return self.panels_of(subject)
        return [self.panels[thing] for thing in self.containers.get(subject, ()) if thing in self.panels]


def _value(action: Action, source: str | Callable[[Any], Any]) -> Any:
    return source(action) if callable(source) else getattr(action, source)


def _same(*names: str) -> dict[str, str | Callable[[Any], Any]]:
    return {name: name for name in names}


def _groups_before(action: a.StartRun) -> list[a.Group]:
    """The groups as they were named before a loose lot went on as a new one."""
    old = {new: before for before, new in action.went_on}
    return [a.Group(g.step, g.lot, g.panels, old.get(g.loose or "", g.loose), g.shelf) for g in action.groups]


_CALLS: dict[type[Action], tuple[str, dict[str, str | Callable[[Any], Any]]]] = {
    a.ReceiveWafer: ("receive_wafer", _same("role", "columns", "rows", "failing")),
    a.ReceiveBatch: ("receive_batch", _same("kind")),
    a.MixBatches: ("mix_batches", _same("parents")),
    a.ReceivePanels: ("receive_panels", {"n": lambda action: len(action.makes), "frame": "frame"}),
    a.StartLot: ("start_lot", _same("panels")),
    a.SplitLot: ("split_lot", _same("lot", "panels")),
    a.MergeLots: ("merge_lots", _same("into", "others")),
    a.PutInContainer: ("put_in_container", _same("container", "panels", "loose")),
    a.StartRun: ("start_run", {"station": "station", "groups": _groups_before, "uses": "uses", "repeat": "repeat"}),
    a.ChangeOver: ("change_over", _same("run", "off", "on", "done", "in_work")),
    a.InterruptRun: ("interrupt_run", _same("run", "done", "in_work")),
    a.FinishRun: ("finish_run", _same("run")),
    a.AbortRun: ("abort_run", _same("run")),
    a.VoidRun: ("void_run", _same("run")),
    a.SignRework: ("sign_rework", _same("line")),
    a.ImportPlacements: ("import_placements", _same("run", "first", "is_wrong", "corrects")),
    a.MarkCells: ("mark_cells", _same("panel", "cells", "reason")),
    a.TakeBackMark: ("take_back_mark", _same("mark")),
    a.ScrapUnits: ("scrap_units", _same("thing", "units", "u")),
    a.SampleCells: ("sample_cells", _same("panel", "cells", "kept")),
    a.SampleUnits: ("sample_units", _same("loose", "units", "kept")),
    a.SamplePockets: ("sample_pockets", _same("pack", "first", "last", "kept")),
    a.Singulate: ("singulate", _same("run")),
    a.SplitLoose: ("split_loose", _same("loose", "units", "u")),
    a.MergeLoose: ("merge_loose", _same("into", "others", "leftover")),
    a.SignDifference: ("sign_difference", _same("loose", "missing")),
    a.TakeBinsOut: ("take_bins_out", _same("run", "stay")),
    a.FillPack: ("fill_pack", _same("station", "parts", "uses", "close")),
    a.FillMore: ("fill_more", _same("pack", "parts")),
    a.ClosePack: ("close_pack", _same("pack")),
    a.CutPack: ("cut_pack", _same("pack", "units")),
    a.ReReel: ("re_reel", _same("pack")),
    a.JoinPacks: ("join_packs", _same("packs")),
    a.TakeOffTape: ("take_off_tape", _same("pack", "first", "last")),
    a.DryPack: ("dry_pack", _same("station", "pack", "uses")),
    a.Ship: ("ship", _same("packs", "customer")),
    a.TakeBack: ("take_back", _same("pack", "units")),
    a.PlaceHold: ("place_hold", _same("subject", "span")),
    a.ReleaseHold: ("release_hold", _same("hold", "items")),
}

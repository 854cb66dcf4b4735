"""Does a history of the oracle through /api/v1 alone, as another program would: codes instead of ids, tokens and signed-in people by turns.

Every call carries a key and says when it happened, in one zone or another; some are sent twice.
"""

from dataclasses import dataclass, field
from datetime import timedelta, timezone
from functools import singledispatchmethod
from typing import Any

from fastapi.testclient import TestClient

from app.db import House
from app.main import make_app
from tests.oracle import actions as a
from tests.people.signing_in import HERE, PASSWORD, person, sign_in, token
from tests.replay.catalogue import RECIPE, as_json
from tests.replay.driver import moment

ZONES = tuple(timezone(timedelta(minutes=minutes)) for minutes in (0, 120, -420, 345))
DUTIES = ("operate", "lead", "quality", "engineer", "administer")


@dataclass
class HttpReplay:
    """`codes`: symbol -> our code, of a line its number; `stations`: name -> code."""

    house: House
    history: a.History
    codes: dict[str, Any] = field(default_factory=dict)
    stations: dict[str, str] = field(default_factory=dict)
    kinds: dict[str, str] = field(default_factory=dict)  # of batches, by code
    tick: int = 0
    calls: int = 0
    wrong_log: int = 0  # evidence that the next log may correct
    began: dict[str, int] = field(default_factory=dict)  # run -> tick
    loads: dict[str, str] = field(default_factory=dict)  # run -> code of the load that it was
    unjudged: dict[int, str] = field(default_factory=dict)  # lines of cures and die attach -> run, while no judgement of theirs is closed

    def __post_init__(self) -> None:
        self.badge = person(self.house, "Pia", *DUTIES)
        app = make_app(self.house.settings, self.house)
        self.people, self.machine = TestClient(app, headers=HERE), TestClient(app)
        assert sign_in(self.people, self.badge).status_code in (200, 303)
        self.machine.headers["Authorization"] = f"Bearer {token(self.house, *DUTIES, facts=True)}"
        self.signed = {"signed_by": self.badge, "password": PASSWORD}

    def run(self) -> "HttpReplay":
        self.post("/catalogue", **as_json(self.history.setting))
        self.post("/routes/approve", product="P1", revision="A", **self.signed)
        self.stations = {one["name"]: one["station"] for one in self.get("/stations")}
        for action in self.history.actions:
            self.tick = action.at
            try:
                self.play(action)
            except Exception as error:
                error.add_note(f"at tick {action.at}: {action}")
                raise
        return self

    @property
    def caller(self) -> TestClient:
        return self.people if self.calls % 2 else self.machine

    def post(self, path: str, files: Any = None, **body: Any) -> Any:
        self.calls += 1
        key = {"Idempotency-Key": f"call {self.calls}"}
        if path != "/catalogue":
            body["happened_at"] = moment(self.tick).astimezone(ZONES[self.calls % len(ZONES)]).isoformat()
        how: dict[str, Any] = {"files": files, "data": body} if files else {"json": body}
        answer = self.caller.post(f"/api/v1{path}", headers=key, **how)
        assert answer.status_code == 200, f"{path} {body}: {answer.text}"
        if self.calls % 5 == 0:
            assert self.caller.post(f"/api/v1{path}", headers=key, **how).json() == answer.json(), f"{path}: another answer to the same key"
        return answer.json()

    def get(self, path: str) -> Any:
        answer = self.machine.get(f"/api/v1{path}")
        assert answer.status_code == 200, f"{path}: {answer.text}"
        return answer.json()

    def named(self, symbol: str) -> str:
        return self.stations[symbol.removeprefix("station:")] if symbol.startswith("station:") else str(self.codes[symbol])

    def symbols(self) -> dict[str, str]:
        return {f"line {code}" if symbol.startswith("line:") else code: symbol for symbol, code in self.codes.items()}

    def _is(self, symbol: str, code: Any) -> None:
        known = self.codes.setdefault(symbol, code)
        assert known == code, f"{symbol} is {known}, but the program went on with {code}"
        kind = symbol.split(":")[0]
        others = [other for other, its in self.codes.items() if its == code and other != symbol and (other.split(":")[0] == kind)]
        assert not others, f"{symbol} should be new, but the program went on with {others[0]}"

    def _named(self, symbols: tuple[str, ...] | None) -> list[str] | None:
        return None if symbols is None else [self.named(symbol) for symbol in symbols]

    def _mount(self, station: str, uses: tuple[str, ...]) -> None:
        """Exactly these are on the station then."""
        wanted = [self.codes[use] for use in uses]
        for one in self.get("/stations"):
            for on in one["loaded"]:
                is_here = one["station"] == self.stations[station]
                if (is_here and on["item"] not in wanted) or (not is_here and on["item"] in wanted and on["kind"] == "wafer"):
                    self.post(f"/stations/{one['station']}/unmount", item=on["item"])
        there = {on["item"]: on["place"] for on in self.get(f"/stations/{self.stations[station]}")["loaded"]}
        for item in wanted:
            if item not in there:
                kind = self.kinds.get(item, "")
                place = {"place": f"{kind} 2"} if kind in there.values() else {}  # a second one of a kind lies beside the first
                there = {on["item"]: on["place"] for on in self.post(f"/stations/{self.stations[station]}/mount", item=item, **place)["loaded"]}

    @singledispatchmethod
    def play(self, action: a.Action) -> None:
        raise NotImplementedError(type(action).__name__)

    @play.register
    def _(self, action: a.ReceiveWafer) -> None:
        bins = [f"{x},{y},{'X' if (x, y) in action.failing else '1'}" for y in range(action.rows) for x in range(action.columns)]
        data = "\r\n".join(["x,y,die bin", *bins, ""]).encode("utf-8-sig")
        found = self.post("/wafers", files=[("files", ("map.csv", data))], part=f"die {action.role}", passing="1", wafer=action.makes)["wafers"]
        self._is(action.makes, found[0]["wafer"])

    @play.register
    def _(self, action: a.ReceiveBatch) -> None:
        self._is(action.makes, self.post("/batches", part=action.kind)["batch"])
        self.kinds[self.codes[action.makes]] = action.kind

    @play.register
    def _(self, action: a.MixBatches) -> None:
        self._is(action.makes, self.post("/batches/mix", part=action.kind, parents=self._named(action.parents))["batch"])
        self.kinds[self.codes[action.makes]] = action.kind

    @play.register
    def _(self, action: a.ReceivePanels) -> None:
        made = self.post("/panels", frames=self.codes[action.frame], count=len(action.makes))["panels"]
        for symbol, code in zip(action.makes, made, strict=True):
            self._is(symbol, code)

    @play.register
    def _(self, action: a.StartLot) -> None:
        self._is(action.makes, self.post("/lots", product="P1", panels=self._named(action.panels))["lot"])

    @play.register
    def _(self, action: a.SplitLot) -> None:
        self._is(action.makes, self.post(f"/lots/{self.codes[action.lot]}/split", panels=self._named(action.panels))["lot"])

    @play.register
    def _(self, action: a.MergeLots) -> None:
        self._is(action.into, self.post(f"/lots/{self.codes[action.into]}/merge", others=self._named(action.others))["lot"])

    @play.register
    def _(self, action: a.PutInContainer) -> None:
        if action.container not in self.codes:
            made = self.post("/containers", kind="jar" if action.loose else "magazine", name=action.container)
            self._is(action.container, made["container"])
        things = [self.codes[action.loose]] if action.loose else self._named(action.panels)
        self.post(f"/containers/{self.codes[action.container]}/put", things=things)

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
            more = {"step": action.groups[0].step} if action.repeat or self.calls % 2 else {}
            run = self.post("/runs", station=station, things=things, line_clear=True, **more)
        self._is(action.run, run["run"])
        self.began[action.run] = action.at
        self._bind_lines(run["lines"], action)

    def _cure(self, action: a.StartRun, station: str) -> Any:
        load = self.loads[action.run] = self.post("/loads", station=station, recipe=RECIPE)["load"]
        for group in action.groups:
            version = self.post(f"/loads/{load}/put", things=self._named(group.panels), shelf=group.shelf)["version"]
        return self.get(f"/runs/{self.post(f'/loads/{load}/start', version=version)['run']}")

    def _bind_lines(self, lines: list[Any], action: a.StartRun) -> None:
        assert len(lines) == len(action.groups)
        for symbol, group in zip(action.lines, action.groups, strict=True):
            if group.loose:
                line = lines[0] if len(lines) == 1 else next(one for one in lines if one["item"] == self.codes.get(group.loose))
                self._is(group.loose, line["item"])
            else:
                wanted = set(self._named(group.panels) or ())
                line = next(one for one in lines if set(one["panels"]) == wanted and one["step"] == group.step)
            self._line(symbol, line["line"], action.run)

    def _line(self, symbol: str, number: int, run: str) -> None:
        self._is(symbol, number)
        operation = self.get(f"/runs/{self.codes[run]}")["operation"]
        if operation == "cure" or (operation == "die attach" and self.history.setting.judged_logs):
            self.unjudged[number] = run

    @play.register
    def _(self, action: a.ChangeOver) -> None:
        run = self.get(f"/runs/{self.codes[action.run]}")
        on = self.codes[action.on]
        for one in self.get("/stations") if action.on.startswith("wafer:") else []:
            if any(mounted["item"] == on for mounted in one["loaded"]):
                self.post(f"/stations/{one['station']}/unmount", item=on)
        loaded = self.get(f"/stations/{run['station']}")["loaded"]
        place = next(one["place"] for one in loaded if one["item"] == self.codes[action.off])
        said = {"panels_done": self._named(action.done), "panels_in_work": self._named(action.in_work)}
        self.post(f"/stations/{run['station']}/change_over", item=on, place=place, **said)
        lines = self.get(f"/runs/{self.codes[action.run]}")["lines"]
        for closed, new in action.lines:
            if new is not None:
                before = next(set(line["panels"]) for line in lines if line["line"] == self.codes[closed])
                line = next(line for line in lines if line["open"] and set(line["panels"]) <= before)
                self._line(new, line["line"], action.run)

    @play.register
    def _(self, action: a.InterruptRun) -> None:
        said = {"panels_done": self._named(action.done), "panels_in_work": self._named(action.in_work)}
        self.post(f"/runs/{self.codes[action.run]}/interrupt", **said)

    @play.register
    def _(self, action: a.FinishRun) -> None:
        self.post(f"/runs/{self.codes[action.run]}/finish")

    @play.register
    def _(self, action: a.AbortRun) -> None:
        aborted = self.post(f"/runs/{self.codes[action.run]}/abort")
        if aborted["operation"] == "cure":  # it has no verdict of its own
            self.unjudged = {line: run for line, run in self.unjudged.items() if run != action.run}

    @play.register
    def _(self, action: a.VoidRun) -> None:
        self.post(f"/runs/{self.codes[action.run]}/void", reason="entered wrongly")
        self.unjudged = {line: run for line, run in self.unjudged.items() if run != action.run}

    @play.register
    def _(self, action: a.ImportPlacements) -> None:
        if action.rows:
            at = moment(self.began[action.run]) + timedelta(seconds=1)
            zone = ZONES[self.calls % len(ZONES)]
            rows = [
                f"{at.astimezone(zone).isoformat()},{self.codes[r.wafer]},{r.die_x},{r.die_y},{self.codes[r.panel]},{r.row},{r.column}"
                for r in action.rows
            ]
            data = "\n".join(["time,wafer,die_x,die_y,panel,row,column", *rows, ""]).encode()
            station = self.get(f"/runs/{self.codes[action.run]}")["station"]
            more = {"replaces": str(self.wrong_log)} if action.corrects else {}
            found = self.post("/placement_logs", files=[("file", (f"{action.run}.csv", data))], station=station, **more)
            self.wrong_log = found["evidence"]
            assert (found["placed"], found["wrong"], found["outside"]) == (len(action.rows), len(action.bad), 0), found
            for hold in found["holds"]:  # a log of many failing dies may fit a turned map better by chance
                self.post(f"/holds/{hold}/release", disposition="concession", words="chance", **self.signed)
            for judged in found["judgements"]:
                if judged["verdict"] == "conforms":
                    self.unjudged.pop(judged["line"], None)
                else:
                    self.unjudged[judged["line"]] = next(symbol for symbol, code in self.codes.items() if code == judged["run"])
        self._judge()

    def _judge(self) -> None:
        """The oracle judges nothing: quality signs for every line that does not conform, also where its log says nothing of a panel."""
        for line, run in list(self.unjudged.items()):
            lines = self.get(f"/runs/{self.codes[run]}")["lines"]
            if not next(one["open"] for one in lines if one["line"] == line):
                self.post(f"/lines/{line}/disposition", what="concession", words="looked at", **self.signed)
                del self.unjudged[line]

    @play.register
    def _(self, action: a.MarkCells) -> None:
        cells = [{"row": row, "column": column} for row, column in action.cells]
        self._is(action.makes, self.post(f"/panels/{self.codes[action.panel]}/marks", cells=cells, reason=action.reason)["mark"])

    @play.register
    def _(self, action: a.TakeBackMark) -> None:
        self.post(f"/marks/{self.codes[action.mark]}/take_back")

    @play.register
    def _(self, action: a.ScrapUnits) -> None:
        self.post("/scrap", thing=self.codes[action.thing], units=action.units, reason="fell down", **_weighed(action.u))

    @play.register
    def _(self, action: a.SampleCells) -> None:
        cells = [{"row": row, "column": column} for row, column in action.cells]
        made = self.post("/samples", thing=self.codes[action.panel], cells=cells, purpose="pull test", kept=action.kept)
        self._is(action.makes, made["sample"])

    @play.register
    def _(self, action: a.SampleUnits) -> None:
        made = self.post("/samples", thing=self.codes[action.loose], units=action.units, purpose="life test", kept=action.kept)
        self._is(action.makes, made["sample"])

    @play.register
    def _(self, action: a.SamplePockets) -> None:
        pockets = {"pocket_from": action.first, "pocket_to": action.last}
        made = self.post("/samples", thing=self.codes[action.pack], purpose="life test", kept=action.kept, **pockets)
        self._is(action.makes, made["sample"])

    @play.register
    def _(self, action: a.Singulate) -> None:
        made = self.post(f"/runs/{self.codes[action.run]}/singulate")
        assert made["units"] == action.units
        self._is(action.makes, made["lot"])

    @play.register
    def _(self, action: a.SplitLoose) -> None:
        self._is(action.makes, self.post(f"/lots/{self.codes[action.loose]}/split", units=action.units, **_weighed(action.u))["lot"])

    @play.register
    def _(self, action: a.MergeLoose) -> None:
        self._is(action.result, self.post(f"/lots/{self.codes[action.into]}/merge", others=self._named(action.others))["lot"])

    @play.register
    def _(self, action: a.SignDifference) -> None:
        lot = self.codes[action.loose]
        self.post("/counts", thing=lot, units=action.counted, method="counter")
        self.post("/counts/sign", thing=lot, words="nobody knows", **self.signed)

    @play.register
    def _(self, action: a.TakeBinsOut) -> None:
        bins = [{"bin": out.bin, "units": out.units} for out in action.bins]
        made = {one["bin"]: one for one in self.post(f"/runs/{self.codes[action.run]}/bins", bins=bins)["bins"]}
        for out in action.bins:
            assert (made[out.bin]["grade"], made[out.bin]["units"]) == (out.grade, out.units)
            self._is(out.makes, made[out.bin]["lot"])

    @play.register
    def _(self, action: a.FillPack) -> None:
        self._mount(action.station, action.uses)
        how = {"line_clear": True, "close": action.close, "short_reason": "the end of it"}
        pack = self.post("/packs", station=self.stations[action.station], parts=self._parts(action.parts), **how)["pack"]
        self._is(action.makes, pack)
        self._bind_run_of(pack, action.run, action.line)

    def _parts(self, parts: tuple[tuple[str, int], ...]) -> list[dict[str, Any]]:
        return [{"lot": self.codes[lot], "units": units} for lot, units in parts]

    def _bind_run_of(self, pack: str, run: str, line: str) -> None:
        """The run by which a pack was filled or sealed: the one of its trace that was not there before."""
        new = [one for one in self.get(f"/trace/{pack}")["runs"] if one["run"] not in self.codes.values()]
        assert len(new) == 1 and len(new[0]["lines"]) == 1
        self._is(run, new[0]["run"])
        self._is(line, new[0]["lines"][0]["line"])

    @play.register
    def _(self, action: a.FillMore) -> None:
        self.post(f"/packs/{self.codes[action.pack]}/fill", parts=self._parts(action.parts))

    @play.register
    def _(self, action: a.ClosePack) -> None:
        self.post(f"/packs/{self.codes[action.pack]}/close", short_reason="the end of it")

    @play.register
    def _(self, action: a.CutPack) -> None:
        self._is(action.makes, self.post(f"/packs/{self.codes[action.pack]}/cut", units=action.units)["pack"])

    @play.register
    def _(self, action: a.ReReel) -> None:
        self._is(action.makes, self.post(f"/packs/{self.codes[action.pack]}/re_reel")["pack"])

    @play.register
    def _(self, action: a.JoinPacks) -> None:
        self._is(action.makes, self.post("/packs/join", packs=self._named(action.packs))["pack"])

    @play.register
    def _(self, action: a.TakeOffTape) -> None:
        pockets = {"pocket_from": action.first, "pocket_to": action.last}
        self._is(action.makes, self.post(f"/packs/{self.codes[action.pack]}/take_off_tape", **pockets)["lot"])

    @play.register
    def _(self, action: a.DryPack) -> None:
        self._mount(action.station, action.uses)
        pack = self.post(f"/packs/{self.codes[action.pack]}/dry_pack", station=self.stations[action.station])["pack"]
        self._is(action.result, pack)
        self._bind_run_of(pack, action.run, action.line)

    @play.register
    def _(self, action: a.Ship) -> None:
        self.post("/shipments", packs=self._named(action.packs), customer=action.customer)

    @play.register
    def _(self, action: a.TakeBack) -> None:
        more = {} if action.units is None else {"units": action.units}
        self._is(action.result, self.post(f"/packs/{self.codes[action.pack]}/take_back", **more)["pack"])

    @play.register
    def _(self, action: a.PlaceHold) -> None:
        what: dict[str, Any] = {"line": self.codes[action.subject]} if action.subject.startswith("line:") else {"subject": self.named(action.subject)}
        if action.span is not None:
            begins, ends = action.span
            what |= {"span_from": moment(begins).isoformat()} | ({} if ends is None else {"span_to": moment(ends).isoformat()})
        self._is(action.makes, self.post("/holds", reason="looked wrong", **what)["hold"])

    @play.register
    def _(self, action: a.ReleaseHold) -> None:
        how = {"disposition": "concession", "words": "looked at", **self.signed}
        self.post(f"/holds/{self.codes[action.hold]}/release", items=self._named(action.items), **how)


def _weighed(u: float) -> dict[str, Any]:
    return {"method": "weight", "u": u} if u else {}

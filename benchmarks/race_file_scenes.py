"""States of the small plant in which files come in at the same moment as acts that they judge, or that judge them: for `races.py`."""

import json
import random
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from io import BytesIO
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.final_test.bin_tables import bin_table_of
from app.final_test.results_in import import_unit_results, read_results
from app.floor import ends, mounts
from app.floor.dispositions import judgement_in_force
from app.floor.packed_dies import unpack_dies
from app.floor.placements import import_placements, read_log
from app.ledger.cells import Placement
from app.ledger.places import Load, Mount
from app.ledger.runs import Line, Run, RunVoid
from app.naming.resolve import Named
from app.ovens import loads
from app.ovens.judging import verdict_of
from app.ovens.traces import trace_of
from app.receiving.die_map import Stated
from app.receiving.wafers import read_map_files, receive_wafers
from benchmarks.race_scenes import Ask, Plant, Scene, binned_lot, load_of, loose_lot, on_loose, on_panels, on_run, panel_lot, ready_to_attach

_HEAD = "time,wafer,die x,die y,panel,row,column\n"
_BESIDE = 3  # other calls of a scene: most are files
_SIZE = 12  # rows and columns of a wafer


def _map(name: str, bad: Sequence[tuple[int, int]] = ()) -> bytes:
    rows = ["".join("2" if (x, y) in bad else "1" for x in range(_SIZE)) for y in range(_SIZE)]
    return f"wafer: {name}\norigin: UpperLeft\naxis: DownRight\nnull: .\n\n{chr(10).join(rows)}\n".encode()


def _log(wafer: Named, panels: Sequence[Named], at: datetime, first: int = 0, dies: int = 20) -> bytes:
    """Each panel filled row by row with the wafer's next dies, from die number `first` on."""
    lines, die = [], first
    for panel in panels:
        for cell in range(dies):
            lines.append(f"{at.isoformat()},{wafer.code},{die % _SIZE},{die // _SIZE},{panel.code},{cell // 5 + 1},{cell % 5 + 1}\n")
            die += 1
    return (_HEAD + "".join(lines)).encode()


def _mapped(plant: Plant) -> tuple[Named, str]:
    """A wafer with a map of dies that all pass, on the die bonder with fresh glue; and its supplier's number."""
    ready_to_attach(plant)
    factory, name = plant.factory, plant.new("M")
    with plant.house.reading() as session:
        part = catalogue.part(session, "WR").body
    files = read_map_files(plant.house, [(f"{name}.txt", _map(name))], part, Stated(passing=("1",)))
    wafer = factory.do("receive_wafers", lambda s, by: receive_wafers(s, by, files, "WR")[0])
    factory.do("unmount", lambda s, by: len(mounts.unmount(s, by, factory.things["Attach"], plant.kept["wafer"].id)))
    factory.mount("Attach", wafer)
    plant.kept["wafer"] = wafer
    return wafer, name


def _send(name: str, path: str, body: dict[str, Any], data: bytes, once: str = "", field: str = "file") -> Ask:
    return Ask(name, path, body, once=once, files=((f"{name}.csv", data),), field=field)


def placing(plant: Plant, chance: random.Random) -> Scene:
    """A die attach run whose log comes, before or after its end; or a corrected one of a log that is here."""
    wafer, name = _mapped(plant)
    factory, (lot, panels) = plant.factory, panel_lot(plant, "P3", 2)
    started, code = factory.start("Attach", lot), plant.codes["Attach"]
    run, now, is_over = plant.code("run", started), datetime.now(UTC), chance.random() < 0.6
    if is_over:
        factory.finish(started)
    to = {"station": code}
    whole, half, shifted = _log(wafer, panels, now), _log(wafer, panels[:1], now), _log(wafer, panels, now, first=9)
    asks = [
        *[_send("log", "/placement_logs", to, whole)] * 3,
        *[_send("half log", "/placement_logs", to, half)] * 2,
        _send("other log", "/placement_logs", to, shifted),
        _send("correct map", f"/wafers/{wafer.code}/map", {"passing": "1"}, _map(name, [(0, 0), (3, 1)])),
        _send("correct map otherwise", f"/wafers/{wafer.code}/map", {"passing": "1"}, _map(name, [(1, 0)])),
        Ask("scrap wafer", "/scrap", {"thing": wafer.code, "reason": "broken"}, once="wafer scrap"),
        Ask("unmount wafer", f"/stations/{code}/unmount", {"item": wafer.code}),
        Ask("hold wafer", "/holds", {"subject": wafer.code, "reason": "look"}),
        *chance.sample(on_panels(plant, lot, panels), _BESIDE),
    ]
    if is_over:
        mount, other = plant.newest(Mount), factory.wafer()
        kept, log = read_log(plant.house, "before.csv", _log(wafer, panels, now, first=2))
        before = factory.do("import_placements", lambda s, by: import_placements(s, by, factory.things["Attach"], kept, log)).evidence
        replaces = to | {"replaces": str(before)}
        asks += [
            *[_send("corrected log", "/placement_logs", replaces, whole, once="replaces")] * 2,
            _send("otherwise corrected log", "/placement_logs", replaces, shifted, once="replaces"),
            *[Ask("void", f"/runs/{run}/void", {"reason": "wrong"}, once="void")] * 2,
            Ask("correct mount", f"/mounts/{mount}/correct", {"item": other.code, "reason": "the one beside it"}, once="correct"),
            *[Ask("look", "/runs", {"station": plant.codes["Scope"], "things": [lot.code]}, once="start")] * 2,
        ]
    else:
        asks += chance.sample(on_run(plant, run, "Attach", []), 2 * _BESIDE)
    return Scene(asks, wrong=lambda session: _placed_once(session, [one.id for one in panels]))


def _placed_once(session: Session, panels: Sequence[int]) -> Iterator[str]:
    """Two files that say the same are one fact."""
    seen = set()
    for row in session.scalars(select(Placement).where(Placement.panel.in_(panels), Placement.closed_e.is_(None))):
        cells = np.flatnonzero(np.unpackbits(np.frombuffer(row.cells, dtype=np.uint8), bitorder="little")).tolist()
        for fact in ((row.panel, row.role, row.wafer, cell, die) for cell, die in zip(cells, unpack_dies(row.dies).tolist(), strict=True)):
            if fact in seen:
                yield f"panel {row.panel} has die {fact[-1]} of wafer {row.wafer} on cell {fact[-2]} twice"
            seen.add(fact)


def _logger(closed: datetime, first: int, last: int, cold: int = -1, sensor: str = "TC") -> bytes:
    """A reading a minute since the door was closed: up in ten minutes, then 170 degrees C, but for the minute that is cold."""
    lines = [f"time,{sensor}1 (C),{sensor}2 (C)\n"]
    for minute in range(first, last + 1):
        temp = 25 + 14.5 * min(max(minute, 0), 10) - (60 if minute == cold else 0)
        lines.append(f"{(closed + timedelta(minutes=minute)).isoformat()},{temp:.1f},{temp + 0.5:.1f}\n")
    return "".join(lines).encode()


def logging(plant: Plant, chance: random.Random) -> Scene:
    """A cure of two hours whose logger's files come in pieces, while its load is ended, judged, signed for."""
    ready_to_attach(plant)
    factory, (lot, panels) = plant.factory, panel_lot(plant, "P1")
    now = datetime.now(UTC)
    closed = now - timedelta(minutes=130)
    factory.finish(factory.start("Attach", lot, at=closed - timedelta(minutes=30)), at=closed - timedelta(minutes=20))
    oven = plant.oven()
    load = load_of(plant, (lot, "1"), oven=oven)
    start = factory.do("start_load", lambda s, by: loads.start_load(s, by, s.get_one(Load, load.id), None).run.id, happened_at=closed)
    run, is_over = plant.code("run", start), chance.random() < 0.5
    line = plant.newest(Line)
    if is_over:
        factory.do("end_load", lambda s, by: bool(ends.finish_run(s, by, s.get_one(Run, start))))
    to = {"station": plant.codes[oven]}
    asks = [
        *[_send("whole file", "/logger_files", to, _logger(closed, -5, 130))] * 2,
        *[_send("first half", "/logger_files", to, _logger(closed, -5, 70))] * 2,
        _send("second half", "/logger_files", to, _logger(closed, 40, 130)),
        _send("other logger", "/logger_files", to, _logger(closed, -5, 130, cold=50, sensor="X")),
        Ask("judge", f"/lines/{line}/judge", {}),
        *[Ask("dispose", f"/lines/{line}/disposition", plant.signed(what="concession", words="looked at"))] * 2,
        Ask("at risk", "/at_risk", plant.signed(things=[lot.code], reason="the file comes")),
        Ask("hold line", "/holds", {"line": line, "reason": "look"}),
        *[Ask("start plasma", "/runs", {"station": plant.codes["Plasma"], "things": [lot.code]}, once="start")] * 2,
        Ask("void", f"/runs/{run}/void", {"reason": "wrong"}, once="void"),
        *chance.sample(on_panels(plant, lot, panels), _BESIDE),
    ]
    if not is_over:
        asks += [*[Ask("end load", f"/loads/{load.code}/end", {}, once="end")] * 3, Ask("abort load", f"/loads/{load.code}/abort", {}, once="end")]
    return Scene(asks, wrong=lambda session: _judged_by_all_files(session, start))


def _judged_by_all_files(session: Session, run: int) -> Iterator[str]:
    """The judgement in force is what the files that are here say."""
    row = session.get_one(Run, run)
    if row.ended_at is None or row.outcome != "done" or session.get(RunVoid, run) is not None:
        return
    if trace_of(session, row.station, row.started_at, row.ended_at) is None:
        return
    for line in session.scalars(select(Line).where(Line.run == run, Line.judged == "cure")):
        found, told = verdict_of(session, row, line), judgement_in_force(session, line.id)
        if told is None or (told.verdict, told.reasons) != (found.verdict, found.reasons_json()):
            yield f"line {line.id} is judged {told.verdict if told else 'by nothing'}, and its files say {found.verdict}: {found.reasons_json()}"


def results(plant: Plant, chance: random.Random) -> Scene:
    """A test whose tester's file comes."""
    lot, other, jar, second = loose_lot(plant), loose_lot(plant, 1), plant.box("jar"), plant.box("jar")
    plant.put(jar, item=lot)
    run = plant.code("run", plant.factory.start("Tester", lot))
    path = f"/runs/{run}/unit_results"
    good = _units(failing=4)
    return Scene([
        *[_send("results", path, {}, good, once="end")] * 3,
        _send("other results", path, {}, _units(failing=9), once="end"),
        *[Ask("bins", f"/runs/{run}/bins", {"bins": [{"bin": "B1", "units": 40}]}, once="end")] * 2,
        _send("correct results", f"{path}/correct", {"reason": "of the lot before"}, _units(failing=2)),
        *chance.sample([*on_run(plant, run, "Tester", [], ends=False), *on_loose(plant, lot, other, jar, second)], 2 * _BESIDE),
    ], (lot.id, other.id), 60)  # fmt: skip


def corrected(plant: Plant, chance: random.Random) -> Scene:
    """A tested lot whose results were of another file, while it is split, packed and counted."""
    factory, tested, other, jar, second = plant.factory, loose_lot(plant), binned_lot(plant, 1), plant.box("jar"), plant.box("jar")
    run = factory.start("Tester", tested)
    with plant.house.reading() as session:
        table = bin_table_of(session, session.get_one(Run, run))
    found = read_results(plant.house, "before.csv", BytesIO(_units(failing=4)), table)
    good = factory.do("import_unit_results", lambda s, by: import_unit_results(s, by, s.get_one(Run, run), found)["B1"].item)
    lot, path = Named("lot", good, plant.code("lot", good)), f"/runs/{plant.code('run', run)}/unit_results/correct"
    plant.put(jar, item=lot)
    pack = {"station": plant.codes["Taper"], "line_clear": True, "parts": [{"lot": lot.code, "units": 30}]}
    return Scene([
        *[_send("corrected results", path, {"reason": "of the lot before"}, _units(failing=9))] * 3,
        *[_send("otherwise corrected results", path, {"reason": "of another"}, _units(failing=1))] * 2,
        Ask("void", f"/runs/{plant.code('run', run)}/void", {"reason": "wrong"}, once="void"),
        *[Ask("fill", "/packs", pack)] * 2,
        *chance.sample(on_loose(plant, lot, other, jar, second), 2 * _BESIDE),
    ])  # fmt: skip


def origins(plant: Plant, chance: random.Random) -> Scene:
    """A supplier's documents of batches that are received, opened and mixed at that moment."""
    factory, numbers = plant.factory, [plant.new("HC-") for _ in range(3)]
    one, two = (factory.batch("GLUE", supplier="Harrow", supplier_batch=number) for number in numbers[:2])
    receive = {"part": "GLUE", "supplier": "Harrow", "supplier_batch": numbers[2]}
    return Scene([
        *[_send("origins", "/origins", {}, _document(*numbers[:2]))] * 3,
        *[_send("origins of both", "/origins", {}, _document(*numbers))] * 2,
        _send("origins of the third", "/origins", {}, _document(numbers[2])),
        *[Ask("batch", "/batches", receive)] * 2,
        *[Ask("open batch", f"/batches/{one.code}/open", {}, once="open")] * 2,
        *[Ask("mix", "/batches/mix", {"part": "GLUE", "parents": [one.code, two.code]})] * 2,
        Ask("hold batch", "/holds", {"subject": one.code, "reason": "look"}),
    ])  # fmt: skip


def _document(*numbers: str) -> bytes:
    event = {
        "type": "ObjectEvent", "action": "ADD", "eventTime": "2026-03-01T00:00:00Z", "eventTimeZoneOffset": "+00:00",
        "epcList": [f"urn:x:lot:{number}" for number in numbers],
    }  # fmt: skip
    context = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
    return json.dumps({"@context": context, "type": "EPCISDocument", "schemaVersion": "2.0", "epcisBody": {"eventList": [event]}}).encode()


def _units(failing: int, units: int = 40) -> bytes:
    return ("unit,result\n" + "".join(f"{n},{'F1' if n <= failing else 'PASS'}\n" for n in range(1, units + 1))).encode()


SCENES: tuple[Callable[[Plant, random.Random], Scene], ...] = (placing, logging, results, corrected, origins)

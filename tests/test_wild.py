"""What arrives in the wild, file by file: each is read with the right numbers, or refused with a place and a remedy. Never wrong numbers.

The readers' own tests vary one thing at a time (`tests/receiving`, `tests/ovens`, `tests/floor`, `tests/final_test`); here stand whole files.
"""

from dataclasses import replace
from io import BytesIO
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select

from app.db import House
from app.errors import BadInput
from app.evidence.models import Evidence
from app.floor.placement_logs import read_placement_log
from app.ovens.logger_files import read_trace
from app.ovens.logger_table import Stated as LoggerStated
from app.receiving.die_map import Stated as MapStated
from app.receiving.die_maps import read_maps
from app.receiving.origin_events import read_origin_document
from benchmarks import fuzz_seeds as seeds
from benchmarks.fuzz import READERS, one_columnar
from tests.machines.plant import plant

E142 = seeds.E142[0].decode()
MAP = MapStated(passing=("1", "A"))
OVEN = LoggerStated(zone="UTC")


def maps(text: str, stated: MapStated = MAP) -> Any:
    """Wafer, dies that are there, dies that pass."""
    return [(one.wafer, one.gross, one.passing) for one in read_maps(text.encode(), "wild", stated)]


def log(text: str, stated: LoggerStated = OVEN) -> Any:
    """Hour and minute of each reading with its temperatures, and the kinds of notes."""
    trace = read_trace(text.encode(), "wild", stated)
    clock = [f"{int(at) // 3600 % 24:02}:{int(at) // 60 % 60:02}" for at in trace.times]
    return dict(zip(clock, trace.temps_c.round(1).tolist(), strict=True)), {note.code for note in trace.notes}


def placed(text: str) -> Any:
    read = read_placement_log(BytesIO(text.encode()), "wild", ZoneInfo("UTC"))
    return list(zip(read.x.tolist(), read.y.tolist(), read.row.tolist(), read.column.tolist(), strict=True)), [one.line for one in read.bad]


def placed_at(text: str, zone: str | None) -> Any:
    """The clock of each placement, in UTC."""
    read = read_placement_log(BytesIO(text.encode()), "wild", ZoneInfo(zone) if zone else None)
    return [f"{at:%H:%M}" for at in read.at.tolist()], [one.line for one in read.bad]


def units_of(text: str) -> Any:
    """How many units, and how many of each bin and failure, as text."""
    with one_columnar():
        return READERS["unit-results"].read(text.encode())


def units_as(encoding: str, text: str) -> Any:
    with one_columnar():
        return READERS["unit-results"].read(text.encode(encoding))


def told(text: str) -> Any:
    return [(one.kind, [thing.number for thing in one.things]) for one in read_origin_document(text.encode(), "The origins are not understood")]


SEVEN = [("W-7", 10, 7)]
UNITS = "unit,result,x_red,y_red,iv_red\n"
HEAD = "time,wafer,die x,die y,panel,row,column\n"
GRID = "origin: ul\nnull: .\nwafer: A\n"
RIGHT: dict[str, tuple[Any, str, Any, Any]] = {
    "two wafers in one file": (
        maps, E142.replace("</SubstrateMap></Sub", "</SubstrateMap>" + E142.split("<SubstrateMaps>\n")[1].replace("W-7", "W-8").replace(
            "</SubstrateMap></SubstrateMaps></MapData>", "</SubstrateMap></Sub")), MAP, [("W-7", 10, 7), ("W-8", 10, 7)]),
    "wrapped as a message": (maps, f"<s:Envelope xmlns:s='urn:s'><s:Body><Reply>{E142}</Reply></s:Body></s:Envelope>", MAP, SEVEN),
    "no namespace": (maps, E142.replace(' xmlns="urn:semi-org:xsd.E142-1.V1005.SubstrateMap"', ""), MAP, SEVEN),
    "a namespace of the sender": (maps, E142.replace("urn:semi-org:xsd.E142-1.V1005.SubstrateMap", "urn:our-own"), MAP, SEVEN),
    "a space as null bin": (maps, seeds.E142[1].decode(), MAP, SEVEN),
    "letter case that matters": (maps, "origin: ul\nnull: .\nBin A: pass, 2\nBin a: fail, 3\n.Aa\naaA\n", MapStated(), [(None, 5, 2)]),
    "header and summary around a grid": (
        maps, "Machine: Sorter 4\nwafer: W-9\norigin: ul\nnull: .\n\n.11\n177\n\nyield: 60 %\ngross: 5\npassing: 3\n", MAP, [("W-9", 5, 3)]),
    "a missing origin that was answered": (maps, E142.replace(' OriginLocation="UpperLeft"', ""), replace(MAP, origin="UpperLeft"), SEVEN),
    "a twelve-hour clock over noon": (
        log, "Time,A [C]\n2026-03-05 11:59 AM,20.5\n2026-03-05 12:01 PM,21.5\n2026-03-05 01:00 PM,22.5\n", OVEN,
        ({"11:59": [20.5], "12:01": [21.5], "13:00": [22.5]}, set())),
    "event rows without readings": (
        log, "Time;A [C]\n2026-03-05 10:00;20,5\n2026-03-05 10:01;Door open\n2026-03-05 10:02;21,5\n", OVEN,
        ({"10:00": [20.5], "10:02": [21.5]}, {"event"})),
    "repeated and backward times": (
        log, "Time,A [C]\n2026-03-05 10:02,20.5\n2026-03-05 10:02,20.5\n2026-03-05 10:01,21.5\n", OVEN,
        ({"10:02": [20.5], "10:01": [21.5]}, {"time_repeated", "time_backward"})),
    "a month-first date that was answered": (
        log, "Time,A [C]\n03/05/2026 10:00,20.5\n", LoggerStated(zone="UTC", date_order="month"), ({"10:00": [20.5]}, set())),
    "a map that two programs began with a byte order mark each": (maps, "\ufeff\ufeff" + E142, MAP, SEVEN),
    "a logger file that did": (log, "\ufeff\ufeffTime,A [C]\n2026-03-05 10:00,20.5\n", OVEN, ({"10:00": [20.5]}, set())),
    "a list of placements behind another that did": (
        placed, f"\ufeff\ufeff{HEAD}2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n\ufeff\ufeff2026-03-05T06:00:01Z,W1,3,-5,P1,3,1\n", None,
        ([(3, -4, 2, 1), (3, -5, 3, 1)], [])),
    "placements with semicolons and a byte order mark": (
        placed, "\ufeff" + (HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n").replace(",", ";"), None, ([(3, -4, 2, 1)], [])),
    "whole degrees beside a status": (
        log, "Time,A [C],Status\n2026-03-05 10:00,23,5\n", LoggerStated(zone="UTC", decimal="."), ({"10:00": [23.0]}, {"left_out"})),
    "the same headings once more": (
        log, "Time,A [C]\n2026-03-05 10:00,20.5\nTime,A [C]\n2026-03-05 10:01,21.5\n", OVEN, ({"10:00": [20.5], "10:01": [21.5]}, {"event"})),
    "a zone by its place in the heading": (
        log, "Time [Europe/Berlin],A [C]\n2026-03-05 10:00,20.5\n", LoggerStated(), ({"09:00": [20.5]}, set())),
    "a zone with the minus sign of print": (log, "Time (UTC\u221205:00);A [C]\n2026-03-05 10:00;20,5\n", LoggerStated(), ({"15:00": [20.5]}, set())),
    "a zone with spaces around its sign": (log, "Time (UTC + 2);A [C]\n2026-03-05 10:00;20,5\n", LoggerStated(), ({"08:00": [20.5]}, set())),
    "a zone above the headings with that minus sign": (
        log, "Time zone: UTC \u2212 05:00\nTime;A [C]\n2026-03-05 10:00;20,5\n", LoggerStated(zone="UTC"), ({"15:00": [20.5]}, {"before_table"})),
    "a set point, where the sensors were stated": (
        log, "Time;PV [C];SP [C]\n2026-03-05 10:00;20,5;170,0\n", LoggerStated(zone="UTC", sensors=("PV",)), ({"10:00": [20.5]}, set())),
    "sensors whose names end in letters of units": (
        log, "Time;Zone F;Channel 2\n2026-03-05 10:00;20,5;21,5\n", LoggerStated(zone="UTC", unit="C"), ({"10:00": [20.5, 21.5]}, set())),
    "what stands before a table of dies": (
        maps, "Wafer;W-7;;\nPassing bins;7\nnull;0\nGross;3\nx;y;bin\n0;0;1\n1;0;7\n0;1;7\n1;1;0\n", MAP, [("W-7", 3, 2)]),
    "a last line without an end, and whole": (
        placed, HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n2026-03-05T06:00:01Z,W1,3,-5,P1,3,1", None, ([(3, -4, 2, 1), (3, -5, 3, 1)], [])),
    "a last line without an end, perhaps half": (
        placed, HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,12\n2026-03-05T06:00:01Z,W1,3,-5,P1,3,1", None, ([(3, -4, 2, 12)], [3])),
    "the same headings of placements once more": (
        placed, HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n" + HEAD + "2026-03-05T06:00:01Z,W1,3,-5,P1,3,1\n", None,
        ([(3, -4, 2, 1), (3, -5, 3, 1)], [3])),
    "units counted above the header": (
        units_of, "Lot: K-1\nUnits: 2\nPassed: 1\n" + UNITS + "1,PASS,0.65,0.35,450\n2,F1,,,\n", None,
        (2, "{('HI', 'prime'): 1, ('OPEN', 'reject'): 1}", "{'F1': 1}")),
    "units with zeros in front, and by letters": (
        units_of, UNITS + "0001,PASS,0.65,0.35,450\n0010,F1,,,\nb1,F1,,,\n", None,
        (3, "{('HI', 'prime'): 1, ('OPEN', 'reject'): 2}", "{'F1': 2}")),
    "a narrow space before AM": (
        log, "Time,A [C]\n2026-03-05 11:59\u202fAM,20.5\n2026-03-05 12:01\u202fPM,21.5\n", OVEN, ({"11:59": [20.5], "12:01": [21.5]}, set())),
    "date and clock in Italian": (
        log, "Data;Ora;Forno [°C]\n05/03/2026;10:00;20,5\n", LoggerStated(zone="UTC", date_order="day"), ({"10:00": [20.5]}, set())),
    "a zone whose sign is turned round": (log, "Time [Etc/GMT-1];A [C]\n2026-03-05 10:00;20,5\n", OVEN, ({"09:00": [20.5]}, set())),
    "a zone above the headings": (
        log, "Time zone: UTC+02:00\nTime;A [C]\n2026-03-05 10:00;20,5\n", LoggerStated(zone="Europe/Berlin"), ({"08:00": [20.5]}, {"before_table"})),
    "a zone above the headings that says too little": (
        log, "Time zone: EST\nTime;A [C]\n2026-07-05 10:00;20,5\n", LoggerStated(zone="America/New_York"), ({"14:00": [20.5]}, {"before_table"})),
    **{
        f"a zone above the headings that the stated one has: {said}": (
            log, f"{said}\nTime;A [C]\n2026-07-05 10:00;20,5\n", LoggerStated(zone=zone), ({clock: [20.5]}, {"before_table"}))
        for said, zone, clock in (
            ("Time zone: UTC+5.5", "Asia/Kolkata", "04:30"), ("Time zone: (UTC+01:00) Amsterdam", "Europe/Amsterdam", "08:00"),
            ("UTC offset: UTC+2 (DST)", "+02:00", "08:00"), ("Time zone: local, not UTC", "Asia/Tokyo", "01:00"), ("Clock: 24 h", "UTC", "10:00"),
        )
    },
    **{
        f"placements whose clock is told: {head}{title}{zone}": (
            placed_at, head + HEAD.replace("time", title).replace("\n", column + "\n") + f"2026-07-05 06:00:00,W1,3,-4,P1,2,1{field}\n", zone,
            ([clock], []))
        for head, title, column, field, zone, clock in (
            ("", "time (UTC)", "", "", "", "06:00"), ("", "Time [UTC+2]", "", "", "Europe/Berlin", "04:00"),
            ("Time zone: UTC+2\n", "time", "", "", "", "04:00"), ("Time zone,UTC+02:00\n", "time", "", "", "Europe/Berlin", "04:00"),
            ("Time zone: EST\n", "time", "", "", "UTC", "06:00"), ("", "time (local)", ",utc offset", ",+02:00", "Europe/Berlin", "04:00"),
        )
    },
    **{
        f"placements that say how they count, and do: {note}": (
            placed, note + "\n" + HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n2026-03-05T06:00:01Z,W1,3,-5,,,\n", None,
            ([(3, -4, 2, 1), (3, -5, 0, 0)], []))
        for note in ("Index base: 1", "Zero-based: no", "Placements: 1", "Placements: 2", "Rows: 20", "Placement force: 30")
    },
    "placements that say that they count from 0, as was answered": (
        lambda text: read_placement_log(BytesIO(text.encode()), "wild", cells_from=0).row.tolist(),
        "Index base: 0\n" + HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,1,1\n", None, [2]),
    **{
        f"placements beside a word that says that none was: {title}, {word}": (
            placed, HEAD.replace("\n", f",{title}\n") + f"2026-03-05T06:00:00Z,W1,3,-4,P1,2,1,{other}\n2026-03-05T06:00:01Z,W1,3,-5,P1,3,1,{word}\n",
            None, ([(3, -4, 2, 1)], [3]))
        for title, other, word in (
            ("bond error", "1.5", "no die"), ("Place error", "", "VACUUM"), ("alarm", "none", "pick lost"), ("state", "run", "DRY RUN"),
            ("dry run", "off", "on"), ("operation", "PLACE", "REMOVE"), ("mode", "auto", "dry"),
        )
    },
    **{
        f"placements beside what says nothing of them: {title}, {word}": (
            placed, HEAD.replace("\n", f",{title}\n") + f"2026-03-05T06:00:00Z,W1,3,-4,P1,2,1,{word}\n", None, ([(3, -4, 2, 1)], []))
        for title, word in (
            ("bond error", "-3.2"), ("placement error", "12 um"), ("state", "idle"), ("operation", "17"), ("mode", "no error"), ("alarm", "no alarm"),
        )
    },
    "a table of placements once more, with its zone": (
        placed_at, 2 * (HEAD.replace("time", "time (UTC)") + "2026-07-05 06:00:00,W1,3,-4,P1,2,1\n"), "", (["06:00"], [3])),
    "an event at a sensor": (
        log, "Time;A [C];B [C]\n2026-03-05 10:00;20,5;21,5\n2026-03-05 10:01;B;\n", OVEN, ({"10:00": [20.5, 21.5]}, {"event"})),
    "humidity by the line of units": (
        log, "Time;A;B\n;°C;%RH\n2026-03-05 10:00;20,5;55,0\n", LoggerStated(zone="UTC", unit="C"), ({"10:00": [20.5]}, {"left_out"})),
    "a thermocouple of type K that was answered": (
        log, "Time;TC1 (K)\n2026-03-05 10:00;20,5\n", LoggerStated(zone="UTC", unit="C", sensors=("TC1 (K)",)), ({"10:00": [20.5]}, set())),
    "logs put behind each other": (
        log, "Time,A [C]\n2026-03-05 10:00,20.5\n\ufeffTime,A [C]\n2026-03-05 10:01,21.5\n", OVEN, ({"10:00": [20.5], "10:01": [21.5]}, {"event"})),
    "placements put behind each other": (
        placed, HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n\ufeff2026-03-05T06:00:01Z,W1,3,-5,P1,3,1\n", None,
        ([(3, -4, 2, 1), (3, -5, 3, 1)], [])),
    "a placement that failed": (
        placed, HEAD.replace("\n", ",status\n") + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1,OK\n2026-03-05T06:00:01Z,W1,3,-5,P1,3,1,Failed\n", None,
        ([(3, -4, 2, 1)], [3])),
    "placements of a night with a clock set back, newest first": (
        lambda text: len(read_placement_log(BytesIO(text.encode()), "wild", ZoneInfo("Europe/Berlin")).bad),
        HEAD + "".join(f"2026-10-25 {clock}:00,W1,3,-4,P1,2,1\n" for clock in ("03:10", "02:55", "02:05", "01:30")), None, 2),
    "a wavelength with a decimal comma": (
        lambda text: read_maps(text.encode(), "wild", MAP)[0].values_at(0, 0), "x;y;bin;wl\n0;0;1;450,5\n1;0;7;452\n", None, {"wl": 450.5}),
    "bins that fail, by name": (maps, GRID + "Fail bins: 7, 9\n.12\n179\n", replace(MAP, passing=("1", "2", "7")), [("A", 5, 3)]),
    "codes in columns, to the right": (maps, GRID + "   .   1  12\n   1  12   1\n  12   1   .\n", MAP, [("A", 7, 4)]),
    "codes in columns, to the left": (maps, GRID + ".  1  12 \n1  12 1\n12 1  .\n", MAP, [("A", 7, 4)]),
    "codes with a space too many": (maps, GRID + ". 1 1\n1  7 1\n1 1 7\n", MAP, [("A", 8, 6)]),
    "a grid with tabs, all of it further in": (maps, GRID + "\t.\t1\t1\n\t1\t7\t1\n", MAP, [("A", 5, 4)]),
    "a notch in other words that was answered": (
        maps, GRID + "Notch position: Left\n.11\n171\n", replace(MAP, orientation="left"), [("A", 5, 4)]),
    "notes of how a grid lies that say nothing else": (
        maps, GRID + "Notch position: down\nMirrored: no\nView from: top\nFirst row: 0\nNotch type: V\n.11\n171\n", MAP, [("A", 5, 4)]),
    **{
        f"a bin with what is no number of dies: {said}": (maps, GRID + f"Bin 1: pass, {said}\n.11\n171\n", MAP, [("A", 5, 4)])
        for said in ("450 nm", "20 mA", "4 dies at 450 nm", "5 %")
    },
    "a first die at the origin": (maps, GRID + "First die: 0,0\n.11\n171\n", MAP, [("A", 5, 4)]),
    "a grid with its last column of figures": (maps, GRID + "..1\n.11\n127\n", MAP, [("A", 6, 4)]),
    "one placement line that is cut": (
        placed, HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n2026-03-05T06:00:01Z,W1,3\n", None, ([(3, -4, 2, 1)], [3])),
    "a table with bars between its columns, and comments": (maps, "# prober 3\nwafer|x|y|bin\nA|0|0|1\nA|1|0|7\n# 2 dies\n", MAP, [("A", 2, 1)]),
    "placements with bars between their columns": (
        placed, (HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n").replace(",", "|") + "# 1 placed\n", None, ([(3, -4, 2, 1)], [])),
    "placements with results of 1 and 0": (
        placed, HEAD.replace("\n", ",result\n") + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1,1\n2026-03-05T06:00:01Z,W1,3,-5,P1,3,1,0\n", None,
        ([], [2, 3])),
    "placements with one result throughout": (
        placed, HEAD.replace("\n", ",result\n") + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1,4\n2026-03-05T06:00:01Z,W1,3,-5,P1,3,1,4\n", None,
        ([(3, -4, 2, 1), (3, -5, 3, 1)], [])),
    "placements with an error beside a cell": (
        placed, HEAD.replace("\n", ",Error code\n") + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1,0\n2026-03-05T06:00:01Z,W1,3,-5,P1,3,1,17\n", None,
        ([(3, -4, 2, 1)], [3])),
    "a placement that failed, by the status of its bond": (
        placed, HEAD.replace("\n", ",Bond status\n") + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1,OK\n2026-03-05T06:00:01Z,W1,3,-5,P1,3,1,No bond\n", None,
        ([(3, -4, 2, 1)], [3])),
    "a placement that had no success": (
        placed, HEAD.replace("\n", ",success\n") + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1,1\n2026-03-05T06:00:01Z,W1,3,-5,P1,3,1,0\n", None,
        ([(3, -4, 2, 1)], [3])),
    "placements by two clocks, of whom one began in the night": (
        placed, HEAD + "2026-03-05 12:59:59Z,W1,3,-5,P1,1,2\n2026-03-05 01:00:00Z,W1,3,-6,P1,1,3\n2026-03-05 13:00:00Z,W1,3,-7,P1,1,4\n", None,
        ([(3, -5, 1, 2), (3, -6, 1, 3), (3, -7, 1, 4)], [])),
    "placements beside what has nothing to do with them": (
        placed, HEAD.replace("\n", ",vacuum state,recipe\n") + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1,on,fail soft\n", None,
        ([(3, -4, 2, 1)], [])),
    "picks and placements as events": (
        placed, HEAD.replace("\n", ",event\n") + "2026-03-05T06:00:00Z,W1,3,-4,,,,PICK\n2026-03-05T06:00:01Z,W1,3,-4,P1,2,1,PLACE\n", None,
        ([(3, -4, 2, 1)], [2])),
    "placements and losses as events": (
        placed, HEAD.replace("\n", ",event\n") + "2026-03-05T06:00:00Z,W1,3,-4,,,,Lost\n2026-03-05T06:00:01Z,W1,3,-5,P1,2,1,Placed\n", None,
        ([(3, -4, 0, 0), (3, -5, 2, 1)], [])),
    "placements under a bonder's own headings": (
        placed, "Timestamp;Wafer ID;Pick X;Pick Y;Lead frame;Place row;Place col\n2026-03-05T06:00:00Z;W1;3;-4;P1;2;1\n", None,
        ([(3, -4, 2, 1)], [])),
    "placements that count from 0, as was answered": (
        lambda text: read_placement_log(BytesIO(text.encode()), "wild", cells_from=0).row.tolist(),
        HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,0,1\n2026-03-05T06:00:01Z,W1,3,-5,,,\n", None, [1, 0]),
    "failures by numbers, under a title that says so": (
        units_of, UNITS.replace("result", "fail code") + "1,,0.65,0.35,450\n2,01,,,\n3,G,,,\n", None,
        (3, "{('HI', 'prime'): 1, ('FAIL', 'reject'): 2}", "{'01': 1, 'G': 1}")),
    "units in quotes": (
        units_of, '"unit","result","x_red","y_red","iv_red"\n"1","PASS","0.65","0.35","450"\n', None, (1, "{('HI', 'prime'): 1}", "{}")),
    "units in UTF-16": (lambda text: units_as("utf-16", text), UNITS + "1,PASS,0.65,0.35,450\n", None, (1, "{('HI', 'prime'): 1}", "{}")),
    "units with carriage returns alone": (
        units_of, (UNITS + "1,PASS,0.65,0.35,450\n2,F1,,,\n").replace("\n", "\r"), None,
        (2, "{('HI', 'prime'): 1, ('OPEN', 'reject'): 1}", "{'F1': 1}")),
    "units with bars between their columns": (
        units_of, (UNITS + "1,PASS,0.65,0.35,450\n").replace(",", "|"), None, (1, "{('HI', 'prime'): 1}", "{}")),
    "seconds since 1970": (log, "time,A [C]\n1772704800,20.5\n1772704860,21.5\n", LoggerStated(), ({"10:00": [20.5], "10:01": [21.5]}, set())),
    "milliseconds since 1970": (log, "time,A [C]\n1772704800250,20.5\n", LoggerStated(zone="Europe/Berlin"), ({"10:00": [20.5]}, set())),
    "a month in German": (log, "Zeit;A [C]\n05. März 2026 10:00;20,5\n", OVEN, ({"10:00": [20.5]}, set())),
    "a month in French": (log, "Date;Heure;A [C]\n05-août-2026;10:00;20,5\n", OVEN, ({"10:00": [20.5]}, set())),
    "a log with bars between its columns": (log, "Time|A [C]\n2026-03-05 10:00|20.5\n", OVEN, ({"10:00": [20.5]}, set())),
    "a unit above the headings alone": (
        log, "# Unit: degF\nTime;A\n2026-03-05 10:00;212\n", LoggerStated(zone="UTC"), ({"10:00": [100.0]}, {"before_table"})),
    "a zone in a sentence above the headings": (
        log, "All times in UTC\nTime;A [C]\n2026-03-05 10:00;20,5\n", LoggerStated(zone="Europe/Berlin"), ({"10:00": [20.5]}, {"before_table"})),
    "units behind a stroke": (
        lambda text: read_trace(text.encode(), "wild", OVEN).sensors, "Time;A/°C;B in °C;C (\u00c2°C)\n2026-03-05 10:00;20,5;21,5;22,5\n", None,
        ("A", "B", "C")),
    "offsets in a column of their own that agree": (
        log, "Time;UTC offset;A [C]\n2026-03-05 10:00;+01:00;20,5\n", LoggerStated(zone="Europe/Berlin", sensors=("A",)), ({"09:00": [20.5]}, set())),
    "a table with a hard bin alone": (maps, "x,y,hard bin\n0,0,1\n1,0,7\n0,1,1\n", MAP, [(None, 3, 2)]),
    "a table that says by P and F what passes": (maps, "x,y,bin,P/F\n0,0,1,F\n1,0,7,P\n0,1,1,F\n", MAP, [(None, 3, 1)]),
    "an inspection beside the bins that agrees": (maps, "x,y,bin,aoi\n0,0,1,OK\n1,0,7,NG\n0,1,7,OK\n", MAP, [(None, 3, 1)]),
    "a die twice, each time the same": (maps, "x,y,bin,wl,iv\n0,0,1,450.1,\n1,0,1,452,3\n0,0,1,450.1,\n", MAP, [(None, 2, 2)]),
    "a column that fails what its bin fails": (maps, "x,y,bin,pass\n0,0,7,N\n1,0,1,\n", MAP, [(None, 2, 1)]),
    "yes and no in a column of something else": (maps, "x,y,bin,edge\n0,0,1,yes\n1,0,1,no\n", MAP, [(None, 2, 2)]),
    "colours in a column, green and blue": (maps, "x,y,bin,colour\n0,0,1,g\n1,0,1,b\n", MAP, [(None, 2, 2)]),
    "a key before every row": (
        maps, "WAFER:W-5\nFNLOC:180\nROWCT:2\nCOLCT:3\nBCEQU:07\nRowData:__ 01 07\nRowData:01 07 07\n",
        replace(MAP, origin="ul", null="__", orientation="180"), [("W-5", 5, 3)]),
}  # fmt: skip

TABLE = "x,y,bin\n0,0,1\n1,0,7\n0,1,1\n"
SQUARE = "x,y,bin\n" + "".join(f"{x},{y},{'255' if x in (0, 3) and y in (0, 3) else '1'}\n" for y in range(4) for x in range(4))
EVENT = (
    '{"@context": "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld", "type": "EPCISDocument", "schemaVersion": "2.0", "epcisBody": '
    '{"eventList": [{"type": "ObjectEvent", "action": "ADD", "eventTime": "2026-03-01T00:00:00Z", "eventTimeZoneOffset": "+00:00", '
    '"epcList": ["urn:x:lot:L-1"]}]}}'
)
WRONG: dict[str, tuple[Any, str, Any, str, str]] = {
    "a die that is perhaps half a line": (maps, "x,y,bin\n0,0,12\n1,0,1", MAP, "line 3", "cut short"),
    "placements under other headings": (
        placed, HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n" + HEAD.replace("row,column", "column,row") + "2026-03-05T06:00:01Z,W1,4,-4,P1,2,1\n",
        None, "line 3", "second table"),
    "a unit that is perhaps half a line": (units_of, UNITS + "1,PASS,0.65,0.35,450\n2,PASS,0.65,0.35,4", None, "line 3", "cut short"),
    "a number that only the reader takes": (units_of, UNITS + "1,PASS,0.65,0.35,4_50\n", None, "line 2, column iv_red", "4_50"),
    "a result that may be either": (units_of, UNITS + "1,1,0.65,0.35,450\n2,0,0.65,0.35,450\n", None, "line 2, column result", "is that a failure"),
    "a failure code for none": (units_of, UNITS.replace("result", "fail code") + "1,0,0.65,0.35,450\n", None, "line 2, column fail code", "'0'"),
    "a Cyrillic pass": (units_of, UNITS + "1,\u0420ASS,0.65,0.35,450\n", None, "line 2, column result", "is that a failure"),
    "limits above the units": (units_of, UNITS + "LSL,PASS,0.1,0.1,100\n1,PASS,0.65,0.35,450\n", None, "line 2, column unit", "LSL"),
    "a mean below the units": (units_of, UNITS + "1,PASS,0.65,0.35,450\nMean,PASS,0.65,0.35,450\n", None, "line 3, column unit", "Mean"),
    **{
        f"a unit above the header, where the bin table says none: {note}": (
            units_of, note + "\n" + UNITS + "1,PASS,0.65,0.35,0.45\n", None, "line 1", "does not say in which unit it takes iv_red")
        for note in ("iv unit: cd", "IV unit,cd", "# All intensities: iv in cd")
    },
    "units counted wrongly above the header": (units_of, "Units: 3\n" + UNITS + "1,PASS,0.65,0.35,450\n", None, "line 1", "says 3 units"),
    "chromaticities that a comma cut in two": (
        units_of, UNITS.strip() + ",a,b,c\n1,PASS,0,65,0,35,450,\n", None, "line 1, column y_red", "whole numbers only"),
    "chromaticities on another scale": (units_of, UNITS + "1,PASS,6500,3500,450\n", None, "line 1, column x_red", "whole numbers only"),
    "an event that is declared wrong": (
        told, EVENT.replace('"epcList"', '"errorDeclaration": {"reason": "x"}, "epcList"'), None, "[0].errorDeclaration", "wrong"),
    "a member that appears twice": (told, EVENT.replace('"epcList"', '"epcList": ["urn:x:lot:L-9"], "epcList"'), None, "epcList", "two members"),
    "a number of thousands of figures": (told, EVENT.replace('"2.0"', "9" * 5000), None, "the file", "thousands of figures"),
    "another wafer named above a table of dies": (maps, "wafer: W-7\n" + TABLE, replace(MAP, wafer="W-8"), "line 3, wafer", "W-7"),
    "another wafer named in a table of dies": (maps, "wafer: W-7\nwafer,x,y,bin\nW-8,0,0,1\n", MAP, "line 1, wafer", "W-8"),
    "a wrong count above a table of dies": (maps, "gross: 4\n" + TABLE, MAP, "line 1, gross", "the grid has 3"),
    "a wafer named on its first line only": (maps, "wafer,x,y,bin\nA,0,0,1\n,1,0,1\nB,0,0,1\n", MAP, "line 3, column wafer", "names no wafer"),
    "codes that lost their zeros": (maps, "x,y,bin\n0,0,01\n1,0,7\n0,1,A\n", MAP, "passing bins", "same bin"),
    "a passing bin of thousands of figures": (maps, GRID + "passing bins: " + "9" * 5000 + "\n.1\n71\n", MAP, "passing bins", "only"),
    "a table that fills a square": (maps, SQUARE, MAP, "null code", "four corners"),
    "a Cyrillic A": (maps, GRID + ".A\n\u0410A\n", MAP, "line 4, bin codes", "CYRILLIC"),
    "a row that is moved to the right": (maps, GRID + "  111\n 111\n 117\n", MAP, "line 4", "may belong further to the right"),
    "an empty field between tabs": (maps, GRID + "1\t\t1\n\t1\t1\n1\t7\t\n", MAP, "line 4", "may belong further to the right"),
    "blanks among codes in columns": (maps, GRID + "   1  1\n1  1   \n1     7\n", MAP, "line 4", "may belong further to the right"),
    "numbers of rows beside a grid": (maps, GRID + "01 . 1 1\n02 1 7 1\n03 1 1 .\n", MAP, "line 4, column 1", "number the rows"),
    "numbers of columns above a grid": (maps, GRID + "7890123\n.11117.\n1111117\n.77111.\n", MAP, "line 4", "number the columns"),
    "a total by another word": (maps, GRID + ".1\n11\n\nTotal dies: 4\n", MAP, "line 7, Total dies", "the grid has 3"),
    "rows that say where they belong": (maps, E142.replace("<BinCode>", '<BinCode Row="3">', 1), MAP, "BinCode", "attributes"),
    "maps of two kinds": (maps, E142.replace("</MapData>", seeds.G85[0].decode() + "</MapData>"), MAP, "Device", "two kinds"),
    "a comma that is both, where blank columns hide it": (
        log, "Time,A [C],B [C],Note,Status\n2026-03-05 10:00,23,5,24,5,,\n2026-03-05 10:01,23,6,24,7,,\n", OVEN, "line 2", "the comma may be"),
    "a second table": (log, "Time,A [C]\n2026-03-05 10:00,20.5\n\nTime,B [C]\n2026-03-05 10:01,30.5\n", OVEN, "line 4", "second table"),
    "a second table in another unit": (log, "Time,A [C]\n2026-03-05 10:00,20.5\nTime,A [F]\n2026-03-05 10:01,80.5\n", OVEN, "line 3", "second table"),
    "tenths of a degree": (log, "Time,A [0.1 °C]\n2026-03-05 10:00,205\n", OVEN, "line 1, column 2", "a part or a multiple"),
    "degrees times ten": (log, "Time,A (°C x10)\n2026-03-05 10:00,205\n", OVEN, "line 1, column 2", "a part or a multiple"),
    "AM and PM in a column of their own": (
        log, "Time,AM/PM,A [C]\n2026-03-05 01:00,PM,20.5\n", LoggerStated(zone="UTC", sensors=("A",)), "line 2", "AM or PM"),
    "a twelve-hour clock that is seldom read": (log, "Time,A [C]\n2026-03-05 10:00,20.5\n2026-03-05 02:00,21.5\n", OVEN, "line 3", "twelve-hour"),
    "two sensors under each other": (
        log, "Time,Channel,Value [C]\n2026-03-05 10:00,1,20.5\n2026-03-05 10:00,2,30.5\n2026-03-05 10:01,1,20.6\n",
        LoggerStated(zone="UTC", sensors=("Value",)), "line 3", "one sensor per line"),
    "a declared count that is wrong": (
        maps, E142.replace('BinCode="7" BinCount="1"', 'BinCode="7" BinCount="2"'), MAP, "BinDefinition", "declared with 2"),
    "declared columns that are wrong": (maps, E142.replace('<Dimension X="4"', '<Dimension X="5"'), MAP, "line", "declared"),
    "a missing origin": (maps, E142.replace(' OriginLocation="UpperLeft"', ""), MAP, "origin", "corner"),
    "one wafer twice": (maps, "origin: ul\nnull: .\nwafer: A\n.1\n11\n\nwafer: A\n11\n17\n", MAP, "wafer A", "twice"),
    "a null bin that is nowhere named": (maps, "origin: ul\n 11\n171\n", MAP, "line 2", "no die"),
    "commas between the codes of a grid": (maps, "origin: ul\nnull: .\n.,1,1\n1,7,1\n", MAP, "line 3", "table"),
    "a table that lost its header": (
        maps, "1,PASS,0.65,0.35,450\n2,PASS,0.60,0.40,400\n", replace(MAP, origin="ul", null="0", wafer="W"), "line 1", "table"),
    "lines of a name and a number": (maps, "x: 1\ny: 2\nz: 1\n", replace(MAP, origin="ul", null="", wafer="W"), "line 1", "table"),
    "day-first dates that pass as month-first": (
        log, "Time,A [C]\n05/03/2026 10:00,20.5\n05/03/2026 10:01,20.6\n", OVEN, "line 2", "03 May 2026 or 05 March 2026"),
    "an order that was answered and can't be": (
        log, "Time,A [C]\n05/13/2026 10:00,20.5\n", LoggerStated(zone="UTC", date_order="day"), "line 2", "begins with the day"),
    "a twelve-hour clock without AM and PM": (
        log, "Time,A [C]\n2026-03-05 12:30,20.5\n2026-03-05 02:30,21.5\n", OVEN, "line 3", "twelve-hour clock"),
    "a comma that is separator and decimal mark": (
        log, "Time,A [C],B [C]\n2026-03-05 10:00,23,5,24,5\n", OVEN, "line 2", "both separator and decimal mark"),
    "two sensors of one name": (log, "Time;A [C];a [C]\n2026-03-05 10:00;23,5;24,5\n", OVEN, "line 1, column 3", "one name"),
    "nothing but a broken sensor": (log, "Time;A [C]\n2026-03-05 10:00;1372,0\n2026-03-05 10:01;3276,7\n", OVEN, "line 2", "single reading"),
    **{
        f"no zone: {heading}": (log, f"{heading};A [C]\n2026-07-05 10:00;23,5\n", LoggerStated(), "line 2", "no zone")
        for heading in (
            "Time (UTC+5.5)", "Time (UTC offset: +2)", "Time (local, not UTC)", "Time (UTC+1/+2)", "Time (GMT Standard Time)", "Time (UTC plus 2)",
        )
    },
    **{
        f"a set point: {heading}": (log, f"Time;PV [C];{heading}\n2026-03-05 10:00;23,5;170,0\n", OVEN, "line 1, column 3", "set point")
        for heading in ("SP [C]", "Oven_SP1 [°C]", "Setpoint (°C)", "Soll [°C]", "Target temp [C]")
    },
    "a humidity, where a unit was stated": (
        log, "Time;Oven;Humidity\n2026-03-05 10:00;23,5;55,0\n", LoggerStated(zone="UTC", unit="C"), "line 1, column 3", "no temperature"),
    "degrees F beside degrees C, where C was stated": (
        log, "Time;Temp_C;Temp_F\n2026-03-05 10:00;20,5;68,9\n", LoggerStated(zone="UTC", unit="C"), "line 1, column 3", "in F, and C was stated"),
    "a kelvin without brackets": (
        log, "Time;Temp K\n2026-03-05 10:00;297,5\n", LoggerStated(zone="UTC", unit="C"), "line 1, column 2", "in K, and C was stated"),
    "a unit in each row that is another than was stated": (
        log, "Time;Value;Unit\n2026-03-05 10:00;338,0;F\n", LoggerStated(zone="UTC", unit="C", sensors=("Value",)), "line 2, column Unit", "says F"),
    **{
        f"a zone above the headings that the stated one never has: {said}": (
            log, f"{said}\nTime;A [C]\n2026-07-05 10:00;20,5\n", LoggerStated(zone=zone), "line 1", f"{zone} was stated")
        for said, zone in (
            ("Time zone: UTC+5.5", "Europe/Berlin"), ("Time zone: (UTC+01:00) Amsterdam", "UTC"), ("UTC offset: UTC+2 (DST)", "UTC"),
            ("Logger time zone: UTC+2", "Asia/Tokyo"), ("All times are in UTC+2", "UTC"), ("# UTC+2", "UTC"), ("Clock: GMT", "Asia/Tokyo"),
        )
    },
    **{
        f"placements of another clock than was stated: {head}{title}{column}": (
            placed_at, head + HEAD.replace("time", title).replace("\n", column + "\n") + f"2026-07-05 06:00:00,W1,3,-4,P1,2,1{field}\n",
            "Europe/Berlin", where, "would be read as of Europe/Berlin")
        for head, title, column, field, where in (
            ("Time zone: UTC\n", "time", "", "", "line 1"), ("# UTC offset: +01:00\n", "time", "", "", "line 1"),
            ("# UTC+3\n", "time", "", "", "line 1"), ("", "time (UTC)", "", "", "line 1, column time"),
            ("Time zone: UTC+5.5\n", "time", "", "", "line 1"), ("", "time", ",UTC offset", ",+00:00", "line 2"),
        )
    },
    **{
        f"placements that say how they count: {note}": (
            placed, note + "\n" + HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n2026-03-05T06:00:01Z,W1,3,-5,,,\n", None, "line 1", why)
        for note, why in (
            ("Index base: 0", "counts from 0"), ("# Zero-based: yes", "counts from 0"),
            ("Cell indexing,0-based", "counts from 0"),
            ("First row: 0", "counts from 0"), ("Rows and columns from: 0", "counts from 0"),
            ("Placements: 3", "It says 3, and there are from 1 to 2"), ("Number of placements,1\'200,,", "It says 1\'200"),
            ("Placed dies: 0", "It says 0"),
        )
    },
    "placements of two clocks": (
        placed_at, "Time zone: UTC+2\n" + HEAD.replace("time", "time (UTC)") + "2026-07-05 06:00:00,W1,3,-4,P1,2,1\n", "", "line 1", "as of UTC"),
    "no zone": (log, "Time;A [C]\n2026-03-05 10:00;23,5\n", LoggerStated(), "line 2", "no zone"),
    "a restart in another unit, in a line below the headings": (
        log, "Time;A;B\n;C;C\n2026-03-05 10:00;20,5;21,5\nTime;A;B\n;F;F\n2026-03-05 10:01;70,5;71,5\n", OVEN, "line 5", "unit is F"),
    "a restart in another unit, in words": (
        log, "Time;A [C]\n2026-03-05 10:00;20,5\nUnits: Fahrenheit\nTime;A [C]\n2026-03-05 10:01;70,5\n", OVEN, "line 3", "unit is F"),
    "a restart in kelvin": (log, "Time;A [C]\n2026-03-05 10:00;20,5\nUnit;K\n2026-03-05 10:01;294\n", OVEN, "line 3", "unit is K"),
    "another unit above the headings than was stated": (
        log, "Unit: Fahrenheit\nTime;A\n2026-03-05 10:00;70,5\n", LoggerStated(zone="UTC", unit="C"), "line 1", "unit is F, but C"),
    "kelvin, or a type of thermocouple": (
        log, "Time;A (K)\n2026-03-05 10:00;297,5\n", LoggerStated(zone="UTC", unit="C"), "line 1, column 2", "may be in kelvin"),
    "kelvin by the line of units": (
        log, "Time;A\n;K\n2026-03-05 10:00;297,5\n", LoggerStated(zone="UTC", unit="C"), "line 1, column 2", "is in K"),
    "degrees Réaumur": (log, "Time;A °Ré\n2026-03-05 10:00;53\n", LoggerStated(zone="UTC", unit="C"), "line 1, column 2", "neither C nor F"),
    "headings in another order after a restart": (
        log, "Time,A [C],B [C]\n2026-03-05 10:00,20.5,30.5\nCh,B,A\n2026-03-05 10:01,30.5,20.5\n", OVEN, "line 3", "second table"),
    "other sensors after a restart": (
        log, "Time,A [C],B [C]\n2026-03-05 10:00,20.5,30.5\nNo,A [C],D [C]\n2026-03-05 10:01,30.5,20.5\n", OVEN, "line 3", "second table"),
    "half degrees with a comma that is both": (
        log, "Time,A [C],Note\n2026-03-05 10:00,20,\n2026-03-05 10:01,20,5\n2026-03-05 10:02,21,\n", OVEN, "line 2", "the comma may be"),
    "a clock set back, newest first": (
        log, "Time;A [C]\n25.10.2026 03:50;20,5\n25.10.2026 02:59;20,6\n25.10.2026 02:10;20,7\n25.10.2026 01:20;21,0\n",
        LoggerStated(zone="Europe/Berlin"), "line 3", "occurs twice"),
    "two tables side by side": (log, "Time;A [C];;Time;B [C]\n2026-03-05 10:00;20,5;;2026-03-05 10:00;30,5\n", OVEN, "column 4", "side by side"),
    "zeros after a power loss": (log, "Time;A [C]\n2026-03-05 10:00;20,5\n" + "\0" * 40, OVEN, "line 3", "power loss"),
    "zeros after a power loss, in placements": (
        placed, HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n" + "\0" * 40, None, "line 3", "power loss"),
    "a unit beside the number": (log, "Time;A [C]\n2026-03-05 10:00;20.5 C\n", OVEN, "line 2, column A", "not a number"),
    "an hour of twenty-four": (log, "Time;A [C]\n2026-03-05 23:59;20,5\n2026-03-05 24:00;20,5\n", OVEN, "line 3", "no hour from 0 to 23"),
    "a leap second": (log, "Time;A [C]\n2026-03-05 23:59:59;20,5\n2026-03-05 23:59:60;20,5\n", OVEN, "line 3", "not a date and time"),
    "a bin that a spreadsheet spoilt": (maps, "x,y,bin\n0,0,1\n1,0,1E+02\n", MAP, "line 3, column die bin", "spreadsheet"),
    "a wafer that a spreadsheet spoilt": (maps, "wafer,x,y,bin\n1.23457E+11,0,0,1\n", MAP, "line 2, column wafer", "spreadsheet"),
    "micrometres for columns and rows": (maps, "x,y,bin\n0,0,1\n500,0,7\n0,500,1\n", MAP, "x and y", "lengths"),
    "a mark that may separate thousands": (
        maps, "x;y;bin;iv\n0;0;1;1.450\n1;0;7;1.451\n0;1;1;980\n", MAP, "line 2, column iv", "separate thousands"),
    "sums below a grid": (maps, GRID + ". 1 1\n1 7 1\n1 2 2\n", MAP, "line 6", "sums"),
    "sums beside a grid": (maps, GRID + ". 1 1 2\n1 7 1 3\n. 1 . 1\n", MAP, "column 4", "sums"),
    "a rule below a grid": (maps, GRID + ".11\n171\n---\n122\n", MAP, "line 6", "parts the grid"),
    "a table whose headings have units": (maps, "x [dies],y [dies],bin\n0,0,1\n1,0,7\n", MAP, "line 1", "table"),
    "placements by a twelve-hour clock without AM and PM": (
        placed, HEAD + "2026-03-05 11:59:00,W1,3,-4,P1,1,1\n2026-03-05 12:59:59,W1,3,-5,P1,1,2\n2026-03-05 01:00:00,W1,3,-6,P1,1,3\n", None,
        "line 4, column time", "twelve-hour clock"),
    "placements that count from 0": (
        placed, HEAD + "2026-03-05T06:00:00Z,W1,3,-4,P1,1,1\n2026-03-05T06:00:00Z,W1,3,-5,P1,1,0\n", None, "line 3", "does this log count from 0"),
    "units by number, one of them with a zero in front": (
        units_of, UNITS + "1,PASS,0.65,0.35,450\n2,F1,,,\n01,F1,,,\n", None, "line 4, column unit", "'01': is that unit '1' of line 2?"),
    "units in small letters and in capitals": (
        units_of, UNITS + "a1,PASS,0.65,0.35,450\nA1,F1,,,\n", None, "line 3, column unit", "is that unit 'a1'"),
    "a unit that was not tested": (units_of, UNITS + "1,NOT TESTED,,,\n", None, "line 2, column result", "was it tested"),
    "a unit that was skipped": (units_of, UNITS + "1,PASS,0.65,0.35,450\n2,Skipped,,,\n", None, "line 3, column result", "was it tested"),
    "an untested unit in two letters": (units_of, UNITS + "1,PASS,0.65,0.35,450\n2,NT,,,\n", None, "line 3, column result", "was it tested"),
    "an untested unit with a stroke": (units_of, UNITS + "1,N/T,,,\n", None, "line 2, column result", "was it tested"),
    "an untested unit in one word": (units_of, UNITS + "1,NOT_TESTED,,,\n", None, "line 2, column result", "was it tested"),
    **{
        f"a pass in another word: {word}": (units_of, UNITS + f"1,{word},0.65,0.35,450\n2,X,,,\n", None, "line 2, column result", "is that a failure")
        for word in ("ACCEPT", "Go", "i.O.", "IO", "Bestanden", "no error", "In spec", "0x00", "1.0", "Bin 1", "HI", "\u5408\u683c")
    },
    "no failure in another word": (units_of, UNITS.replace("result", "fail code") + "1,00,0.65,0.35,450\n", None, "line 2, column fail code", "'00'"),
    "a unit that is to be tested again": (units_of, UNITS + "1,RETEST,,,\n", None, "line 2, column result", "was it tested"),
    "a pass with a grade": (units_of, UNITS + "1,PASS A,0.65,0.35,450\n", None, "line 2, column result", "is that a failure"),
    "a pocket without a unit": (units_of, UNITS + "1,PASS,0.65,0.35,450\n2,EMPTY,,,\n", None, "line 3, column result", "was there a unit"),
    "chromaticities in percent beside zeros of what failed": (
        units_of, UNITS + "1,PASS,65.2,35.1,450\n2,F1,0.0,0.0,0.0\n3,PASS,65.3,35.2,450\n", None, "line 1, column x_red", "numbers above one"),
    "no UTF-16, as which it begins": (
        lambda text: units_as("latin-1", text), "\u00ff\u00fe" + UNITS + "1,PASS,0.65,0.35,450\n\n", None, "the whole file", "but is not"),
    "sensors by number under each other, read as one": (
        log, "Time,Channel,Value\n" + "".join(f"2026-03-05 10:0{m},{n},2{m}.5\n" for m in range(4) for n in (1, 2)),
        LoggerStated(zone="UTC", unit="C"), "line 3", "which column Channel tells apart"),
    "sensors one after the other, read as one": (
        log, "Time,Probe,Value [C]\n" + "".join(f"2026-03-05 10:0{m},{n},2{m}.5\n" for n in ("P1", "P2") for m in range(4)),
        LoggerStated(zone="UTC", sensors=("Value",)), "line 6", "another sensor begins"),
    "offsets in a column of their own that differ": (
        log, "Time;UTC offset;A [C]\n2026-03-05 10:00;+00:00;20,5\n", LoggerStated(zone="Europe/Berlin", sensors=("A",)), "line 2",
        "UTC offset says +00:00"),
    "another unit behind a # than was stated": (
        log, "# unit: degF\nTime;A\n2026-03-05 10:00;70,5\n", LoggerStated(zone="UTC", unit="C"), "line 1", "unit is F, but C"),
    "another unit in a sentence than was stated": (
        log, "All temperatures in Fahrenheit.\nTime;A\n2026-03-05 10:00;70,5\n", LoggerStated(zone="UTC", unit="C"), "line 1", "unit is F, but C"),
    "a hard bin and a soft one": (maps, "x,y,hardbin,softbin\n0,0,1,101\n", MAP, "line 1, column 4", "Two columns"),
    **{
        f"a column that fails what its bin passes: {title}": (
            maps, f"x,y,bin,{title}\n0,0,1,{good}\n1,0,1,{bad}\n", MAP, f"line 3, column {title}", f"'{bad}', and bin '1'")
        for title, good, bad in (("pass", "Y", "N"), ("good", "1", "0"), ("inked", "0", "1"), ("reject", "no", "yes"), ("ok", "true", "false"))
    },
    **{
        f"a column that fails all that their bins pass: {title}": (
            maps, f"x,y,bin,{title}\n0,0,7,{bad}\n1,0,1,{bad}\n", MAP, f"line 3, column {title}", f"'{bad}', and bin '1'")
        for title, bad in (("pass", "N"), ("good", "0"), ("inked", "yes"))
    },
    "a die twice, with other measurements": (
        maps, "x,y,bin,wl\n0,0,1,450.5\n1,0,1,452\n0,0,1,455.5\n", MAP, "line 4, column wl", "x 0, y 0 appears twice with different values of wl"),
    "a die twice, once without its measurement": (maps, "x,y,bin,wl\n0,0,1,\n1,0,1,452\n0,0,1,455.5\n", MAP, "line 4, column wl", "appears twice"),
    "an inspection that fails what its bin passes": (maps, "x,y,bin,aoi\n0,0,1,OK\n1,0,1,NG\n", MAP, "line 3, column aoi", "'NG', and bin '1'"),
    "a die that was taken out by a mark": (maps, "wafer,x,y,bin\nA,0,0,1\n#A,1,0,1\n", MAP, "line 3, column wafer", "comment"),
    "a wafer from below": (
        maps, E142.replace("<SubstrateMap ", '<SubstrateMap SubstrateSide="BottomSide" ').replace(' SubstrateSide="TopSide"', ""), MAP,
        "SubstrateMap", "from below"),
    "a notch that is counted from nowhere": (maps, GRID + "FNLOC: 180\n.1\n11\n", MAP, "line 4, FNLOC", "from the bottom or from the top"),
    **{
        f"passing bins that are not each by itself: {said}": (
            maps, GRID + f"passing bins: {said}\n.123\n1239\n", MapStated(), "passing bins", "is no code of this map")
        for said in ("1, 2-3", "1 to 3", "all except 9", "not 9", "1 \u2013 3", "[1,2,3]")
    },
    "passing bins that are stated as a range": (maps, GRID + ".123\n1239\n", MapStated(passing=("1", "2-3")), "passing bins", "'2-3'"),
    "bins in a range that pass": (maps, GRID + "Bin 1-3: pass\n.123\n1239\n", MAP, "passing bins", "'1-3'"),
    "bins that fail in a range": (maps, GRID + "Reject bins: 3-9\n.123\n1239\n", MAP, "passing bins", "'3-9'"),
    **{
        f"a grid that lies otherwise, by its {key}": (maps, GRID + f"{key}: {said}\n.11\n171\n", MAP, f"line 4, {key}", "which is not read")
        for key, said in (
            ("Notch position", "Left"), ("Flat location", "90"), ("Wafer orientation", "180"), ("Rotation", "90"), ("Mirror", "yes"),
            ("View", "bottom"), ("X direction", "left"), ("First column", "1"), ("Min X", "-5"),
            ("First die", "-5,3"), ("Reference die", "X12 Y7"),
        )
    },
    "a log without its header": (placed, "2026-03-05T06:00:00Z,W1,3,-4,P1,2,1\n", None, "line 1", "header"),
}  # fmt: skip


@pytest.mark.parametrize("oddity", RIGHT)
def test_it_is_read_with_the_right_numbers(oddity: str) -> None:
    read, text, stated, numbers = RIGHT[oddity]
    assert (read(text, stated) if stated is not None else read(text)) == numbers


@pytest.mark.parametrize("oddity", WRONG)
def test_it_is_refused_with_place_and_remedy(oddity: str) -> None:
    read, text, stated, where, why = WRONG[oddity]
    with pytest.raises(BadInput) as caught:
        read(text, stated) if stated is not None else read(text)
    first = caught.value.reasons[0]
    assert where in first.where and why in first.why and first.now


def test_full_scale_that_was_turned_into_fahrenheit_is_no_temperature() -> None:
    trace = read_trace(b"Time;A [F]\n2026-03-05 10:00;70,5\n2026-03-05 10:01;621,81\n", "wild", OVEN)
    assert trace.temps_c[:, 0].round(2).tolist()[0] == 21.39 and str(trace.temps_c[1, 0]) == "nan"


def test_a_number_that_python_alone_reads_is_none_in_a_transfer_map() -> None:
    with pytest.raises(BadInput, match="not understood") as caught:
        placed(seeds.PLACEMENTS[1].decode().replace('FX="3"', 'FX="1_0"'))
    assert "FX" in caught.value.reasons[0].where and "1_0" in caught.value.reasons[0].why


def test_transfers_in_a_wrapper_of_their_own_are_read() -> None:
    wrapped = seeds.PLACEMENTS[1].decode().replace("<T FX=", "<Group><T FX=", 1).replace("/>\n<T", "/></Group>\n<T", 1)
    assert placed(wrapped) == placed(seeds.PLACEMENTS[1].decode())


def test_full_scale_is_a_gap_with_its_reason_and_no_temperature() -> None:
    trace = read_trace(b"Time;A [C];B [C]\n2026-03-05 10:00;20,5;20,6\n2026-03-05 10:01;327,67;20,7\n2026-03-05 10:02;20,7;20,8\n", "wild", OVEN)
    assert [str(value) for value in trace.temps_c[:, 0]] == ["20.5", "nan", "20.7"] and trace.temps_c[1, 1] == 20.7
    assert [(note.code, note.sensor, note.line) for note in trace.notes] == [("broken", "A", 3)]


FOREIGN = {
    "zip": b"PK\x03\x04" + bytes(200), "gzip": b"\x1f\x8b\x08" + bytes(30), "pdf": b"%PDF-1.7\n1 0 obj\n<< /Type /Catalog >>\nendobj\n",
    "picture": b"\x89PNG\r\n\x1a\n" + bytes(64), "database": b"SQLite format 3\x00" + bytes(84),
    "old workbook": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(99),
    "workbook as XML": b'<?xml version="1.0"?>\n<Workbook><Worksheet><Row><Cell>x</Cell></Row></Worksheet></Workbook>',
    "page": b"<!DOCTYPE html>\n<html><body><table><tr><td>x</td><td>y</td></tr></table></body></html>",
    "JSON": b'{"x": 1, "y": 2, "bin": 1, "time": "2026-03-05T06:00:00Z"}\n', "YAML": b"x: 1\ny: 2\nbin: 1\n",
    "Markdown": b"| time | TC1 |\n| --- | --- |\n| 2026-03-05 10:00 | 25.1 |\n", "letter": b"From: a logger\n\nPlease find the readings attached.\n",
}  # fmt: skip
OURS = {
    "die-map-e142": (*seeds.E142, *seeds.G85, *seeds.TEXT, *seeds.CSV), "placement-log": seeds.PLACEMENTS, "logger": seeds.LOGGER,
    "unit-results": seeds.UNIT_RESULTS,
}  # fmt: skip


@pytest.mark.parametrize("name", OURS)
def test_files_of_another_format_altogether_are_refused(name: str) -> None:
    """Those of strangers, and those that another of our readers takes."""
    others = {f"{kind} {n}": data for kind, good in OURS.items() if kind != name for n, data in enumerate(good)}
    read, poor = list[str](), list[str]()
    with one_columnar():
        for kind, data in (FOREIGN | others).items():
            try:
                READERS[name].read(data)
            except BadInput as refusal:
                poor += [kind for reason in refusal.reasons if not (reason.where and reason.why and reason.now)]
            else:
                read.append(kind)
    assert (read, poor) == ([], [])


def test_nothing_that_is_stated_makes_a_die_map_of_another_format() -> None:
    others = FOREIGN | {f"{kind} {n}": data for kind, good in OURS.items() if kind != "die-map-e142" for n, data in enumerate(good)}
    others |= {f"{kind} without its header": b"".join(data.splitlines(keepends=True)[1:3]) for kind, data in others.items() if b"\n" in data}
    read = []
    for kind, data in others.items():
        for null in ("", ".", "0", " "):
            try:
                read_maps(data, "wild", MapStated(origin="UpperLeft", axis="DownRight", null=null, passing=("1",), wafer="W"))
            except BadInput:
                continue
            read.append((kind, null))
    assert read == []


def test_what_a_file_leaves_open_is_asked_and_the_answer_is_kept_with_the_evidence(house: House) -> None:
    silent = E142.replace(' OriginLocation="UpperLeft"', "").encode()
    dates = b"Time,TC1 [C]\n05/03/2026 10:00,25.5\n05/03/2026 10:01,25.6\n"
    with plant(house) as do:
        files = {"files": [("files", ("silent.xml", silent))], "part": "WR", "passing": "1"}
        assert "corner" in do.post("/wafers", 422, "operator", **files)["detail"]
        do.post("/wafers", 200, "operator", **files, origin="UpperLeft")
        oven = {"files": [("file", ("dates.csv", dates))], "station": do.at["Oven"], "zone": "Europe/Berlin"}
        assert "03 May 2026 or 05 March 2026" in do.post("/logger_files", 422, "operator", **oven)["detail"]
        do.post("/logger_files", 200, "operator", **oven, date_order="day")
        with house.reading() as session:
            stated = [row.stated for row in session.scalars(select(Evidence).order_by(Evidence.id)) if "refused" not in row.stated]
    assert '"UpperLeft"' in stated[-2] and '"day"' in stated[-1] and "Europe/Berlin" in stated[-1]

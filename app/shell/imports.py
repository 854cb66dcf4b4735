"""`reelroot import`: files of placement machines, loggers, testers and suppliers."""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, BinaryIO

import typer

from app.errors import bad_input
from app.shell.opening import DataFolder, open_house, progress

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from app.evidence.keep import Kept
    from app.floor.placement_logs import PlacementLog
    from app.journal.act import By
    from app.ovens.logger_table import Stated
    from app.ovens.trace import Trace

imports = typer.Typer(help="Take files in. Each is kept as it came; what can't be understood is refused by line.", no_args_is_help=True)


@imports.command("placements")
def import_placement_logs(
    files: Annotated[list[Path], typer.Argument(help="CSV or SEMI E142 transfer maps of one station, in the order in which it wrote them.")],
    station: Annotated[str, typer.Option(help="Code of the station.")],
    zone: Annotated[str | None, typer.Option(help="Zone of times that name none, like Europe/Vienna.")] = None,
    cells_from: Annotated[int | None, typer.Option(min=0, max=1, help="The number of its first row and column, where it leaves that open.")] = None,
    replaces: Annotated[list[int] | None, typer.Option(help="Number of an earlier log that this one corrects; may be given several times.")] = None,
    data: DataFolder = None,
) -> None:
    """Import placement logs: which die sits on which cell."""
    from app.evidence.refused import kept_when_refused
    from app.floor.placements import import_placements, read_log
    from app.journal.act import SYSTEM, act
    from app.naming.resolve import resolve

    with open_house(data) as house:
        for path in files:
            with kept_when_refused(house, SYSTEM, "placement_log", [(name_of(path), path)]):
                with progress.status(f"Reading {name_of(path)}"):
                    kept, log = read_log(house, name_of(path), read_file(path), zone, cells_from)

                def verb(session: "Session", by: "By", kept: "Kept" = kept, log: "PlacementLog" = log) -> dict[str, object]:
                    return import_placements(session, by, resolve(session, station, "station").id, kept, log, replaces or ()).as_json()

                arguments = {"station": station, "file": [kept.name, kept.digest], "zone": zone, "replaces": replaces or []}
                arguments |= {} if cells_from is None else {"cells_from": str(cells_from)}
                with progress.status(f"Recording {len(log)} lines of {name_of(path)}"):
                    did = act(house, SYSTEM, "import_placements", arguments, verb, source="file").body
                counts = f"{did['placed']} placed, {did['lost']} lost, {did['wrong']} wrong, {did['repeated']} known before"
                typer.echo(f"{name_of(path)}: log {did['evidence']}: {counts}")
                for why, lines in did["faults"].items():
                    typer.echo(f"  {why}: {'line' if lines.isdecimal() else 'lines'} {lines}")
                for code in did["holds"]:
                    typer.echo(f"  held: {code}")


@imports.command("logger")
def import_logger_files(
    files: Annotated[list[Path], typer.Argument(help="Files of one oven's logger: CSV with a time column and any number of sensors.")],
    oven: Annotated[str, typer.Option(help="Code or name of the oven.")],
    date_order: Annotated[str | None, typer.Option(help="day, month or year: which comes first, where the file leaves it open.")] = None,
    zone: Annotated[str | None, typer.Option(help="Zone of times that name none, like Europe/Vienna.")] = None,
    unit: Annotated[str | None, typer.Option(help="C, F or 'mV type K', where the headings name none.")] = None,
    decimal: Annotated[str | None, typer.Option(help="The decimal sign, . or , where the file leaves it open.")] = None,
    encoding: Annotated[str | None, typer.Option(help="latin-1, if the text is that.")] = None,
    time_column: Annotated[str | None, typer.Option(help="Heading of the column with the time, where several could be it.")] = None,
    sensor: Annotated[list[str] | None, typer.Option(help="Heading of a column to read as a sensor, and no others; may be repeated.")] = None,
    cold_junction_column: Annotated[str | None, typer.Option(help="Of millivolts: heading of the column with the cold junction.")] = None,
    cold_junction_c: Annotated[float | None, typer.Option(help="Of millivolts without such a column: its temperature.")] = None,
    broken_value: Annotated[list[float] | None, typer.Option(help="What it writes for a broken sensor; may be repeated.")] = None,
    data: DataFolder = None,
) -> None:
    """Import an oven logger's files; the cures that they tell of are judged."""
    from app.evidence.refused import kept_when_refused
    from app.journal.act import SYSTEM, act
    from app.ovens.judging import read_logger_file
    from app.ovens.logger_table import Stated

    stated = Stated(
        date_order=date_order, zone=zone, unit=unit, decimal=decimal, encoding=encoding,  # type: ignore[arg-type]  # the reader refuses other words
        time_column=time_column, sensors=tuple(sensor or ()), cold_junction_column=cold_junction_column, cold_junction_c=cold_junction_c,
        broken_values=tuple(broken_value or ()),
    )  # fmt: skip
    with open_house(data) as house:
        for path in files:
            with kept_when_refused(house, SYSTEM, "logger_file", [(name_of(path), path)]):
                with progress.status(f"Reading {name_of(path)}"):
                    kept, trace = read_logger_file(house, name_of(path), read_file(path), stated)

                def verb(session: "Session", by: "By", kept: "Kept" = kept, trace: "Trace" = trace) -> dict[str, object]:
                    return _judge_cures(session, by, oven, kept, trace, stated)

                did = act(house, SYSTEM, "import_logger_file", {"station": oven, "file": [kept.name, kept.digest]}, verb, source="file").body
                typer.echo(f"{name_of(path)}: {len(trace.times)} rows, {len(did['judged'])} lines judged")
                for words in (did["warning"] or did["read_as"], *did["judged"]):
                    typer.echo(f"  {words}")


def _judge_cures(session: "Session", by: "By", oven: str, kept: "Kept", trace: "Trace", stated: "Stated") -> dict[str, object]:
    from app.ledger.judgements import VERDICTS
    from app.naming.resolve import code_of, resolve
    from app.ovens.judging import fits_no_cure, import_logger_file, reads_as

    station = resolve(session, oven, "station").id
    judged = import_logger_file(session, by, station, kept, trace, stated).judged
    lines = [f"{code_of(session, 'run', one.line.run)} line {one.line.id}: {VERDICTS[one.judgement.verdict]}" for one in judged]
    warning = None if judged else fits_no_cure(session, station, trace)
    return {"judged": lines, "read_as": reads_as(session, station, trace, judged), "warning": warning}


@imports.command("results")
def import_results(
    file: Annotated[Path, typer.Argument(help="CSV of unit results, of one test run.")],
    run: Annotated[str, typer.Option(help="Code of the test run that they end.")],
    decimal: Annotated[str | None, typer.Option(help="The decimal sign, . or , where the file leaves it open.")] = None,
    data: DataFolder = None,
) -> None:
    """Import a tester's unit results: they end the run, with one loose lot per bin."""
    from app.evidence.refused import kept_when_refused
    from app.final_test.bin_tables import bin_table_of
    from app.final_test.results_in import import_unit_results, read_results
    from app.journal.act import SYSTEM, act
    from app.ledger.runs import Run
    from app.naming.resolve import code_of, resolve

    with open_house(data) as house, kept_when_refused(house, SYSTEM, "unit_results", [(name_of(file), file)]):
        with house.reading() as session:
            number = resolve(session, run, "run").id
            table = bin_table_of(session, session.get_one(Run, number))
        with progress.status(f"Reading {name_of(file)}"), opened(file) as source:
            results = read_results(house, name_of(file), source, table, decimal)  # type: ignore[arg-type]  # the reader refuses other signs

        def verb(session: "Session", by: "By") -> dict[str, str]:
            lots = import_unit_results(session, by, session.get_one(Run, number), results)
            return {name: code_of(session, "lot", lot.item) for name, lot in lots.items()}

        arguments = {"run": run, "file": [results.kept.name, results.kept.digest]} | ({"decimal": decimal} if decimal else {})
        lots = act(house, SYSTEM, "import_unit_results", arguments, verb, source="file").body
        counts = {name: units for (name, _), units in results.results.counts_by_bin.items()}
        for name, lot in lots.items():
            typer.echo(f"{name}: {counts[name]} units, lot {lot}")


@imports.command("wafers")
def import_wafers(
    files: Annotated[list[Path], typer.Argument(help="Die maps: SEMI E142 or G85 XML, a text grid, or CSV.")],
    part: Annotated[str, typer.Option(help="The wafer part.")],
    supplier: Annotated[str, typer.Option(help="Whose wafer numbers these are.")] = "",
    passing: Annotated[str, typer.Option(help="Passing die bins, by commas, where neither file nor part says.")] = "",
    null: Annotated[str | None, typer.Option(help="Where the file is silent: the code that means no die; none: every position is a die.")] = None,
    origin: Annotated[str | None, typer.Option(help="Where the file is silent: UpperLeft, LowerRight, ...")] = None,
    axis: Annotated[str | None, typer.Option(help="DownRight, UpRight, DownLeft or UpLeft.")] = None,
    orientation: Annotated[str | None, typer.Option(help="Degrees of the notch, in quarter turns.")] = None,
    wafer: Annotated[str | None, typer.Option(help="The wafer's identity, where the file has none.")] = None,
    data: DataFolder = None,
) -> None:
    """Receive wafers with their die maps: all files or none."""
    from app.catalogue import queries as catalogue
    from app.evidence.refused import kept_when_refused
    from app.journal.act import SYSTEM, act
    from app.receiving.die_map import Stated
    from app.receiving.map_notes import null_code
    from app.receiving.wafers import read_map_files, receive_wafers

    with open_house(data) as house, kept_when_refused(house, SYSTEM, "die_map", [(name_of(path), path) for path in files]):
        with house.reading() as session:
            body = catalogue.part(session, part).body
        bins = tuple(bin_.strip() for bin_ in passing.split(",") if bin_.strip())
        stated = Stated(origin=origin, axis=axis, orientation=orientation, null=null_code(null), passing=bins, wafer=wafer)
        with progress.status(f"Reading {len(files)} files"):
            kept = read_map_files(house, [(name_of(path), read_file(path)) for path in files], body, stated)
        arguments = {"part": part, "supplier": supplier, "files": [[one.kept.name, one.kept.digest] for one in kept]}

        def verb(session: "Session", by: "By") -> dict[str, list[str]]:
            return {"wafers": [named.code for named in receive_wafers(session, by, kept, part, supplier=supplier)]}

        codes = act(house, SYSTEM, "receive_wafers", arguments, verb, source="file").body["wafers"]
        for code, one in zip(codes, (one for file in kept for one in file.maps), strict=True):
            typer.echo(f"{code}  {one.wafer}: {one.gross} dies, {one.passing} passing")


def read_file(path: Path) -> bytes:
    with opened(path) as file:
        return file.read()


def opened(path: Path) -> BinaryIO:
    try:
        return path.open("rb")
    except OSError as error:
        raise bad_input("A file can't be read.", _whole(path), f"{error.strerror or error}.", "Check its name and rights.") from error


def name_of(path: Path) -> str:
    return _whole(path.name)


def _whole(name: str | Path) -> str:
    """A disk keeps names in any encoding, the record whole characters alone: what is no UTF-8 becomes the sign for unknown."""
    return os.fsencode(name).decode("utf-8", "replace")

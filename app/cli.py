"""The shell: `reelroot COMMAND`. A command reads its arguments, calls one verb or question, prints, and ends.

Each imports what it needs inside, so that help and light commands come at once (engines and Alembic take a second).
Answers go to standard output, progress and refusals to standard error.
Exit codes: 0 done, 1 refused or failed, 2 wrong use, 3 `check` found something.
"""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console

from app.errors import Refused, bad_input, refuse

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from app.db import House
    from app.evidence.keep import Kept
    from app.floor.placement_logs import PlacementLog
    from app.journal.act import By
    from app.ovens.trace import Trace
    from app.settings import Settings

FOUND = 3
DataFolder = Annotated[Path | None, typer.Option("--data", help="The data folder. Without it REELROOT_DATA_DIR, else ./data.")]

progress = Console(stderr=True, highlight=False, markup=False, soft_wrap=True)
shell = typer.Typer(
    help="Lot traveller and traceability: from wafer to reel and back.",
    epilog="Settings come from the environment: REELROOT_DATA_DIR, REELROOT_DATABASE_URL, REELROOT_PORT and so on.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


def main() -> None:
    """A refusal becomes sentences: what, where, why, what now."""
    try:
        shell(prog_name="reelroot")
    except Refused as refused:
        say_refusal(refused)
        sys.exit(1)


@shell.callback()
def reelroot() -> None:
    """Keeps `reelroot COMMAND` as it is, however few commands there are."""


@shell.command()
def upgrade(data: DataFolder = None) -> None:
    """Bring the database to this program's schema. Nothing is lost; again changes nothing."""
    from app.migrate import is_newest, revision_of
    from app.migrate import upgrade as bring_up

    with open_house(data, at_newest=False) as house:
        was_newest = is_newest(house)
        if not was_newest:
            bring_up(house)
        typer.echo(f"The database {'was already' if was_newest else 'is now'} at {revision_of(house)}.")


@shell.command()
def serve(data: DataFolder = None, host: str | None = None, port: int | None = None) -> None:
    """Serve the pages and the API. The first start prints a one-time link for the first administrator."""
    import uvicorn

    from app.main import make_app
    from app.people.first_run import link

    with open_house(data) as house:
        settings = house.settings
        certificate, key = tls_of(settings)
        at = f"{'https' if certificate else 'http'}://{host or settings.host}:{port or settings.port}"
        progress.print(f"Serving on {at}")
        if first := link(house):
            progress.print(f"Make the first administrator: {at}{first}")
        # no access log: it halves the rate of small answers; open event streams must not hold a shutdown up
        uvicorn.run(
            make_app(settings, house),
            host=host or settings.host,
            port=port or settings.port,
            access_log=False,
            timeout_graceful_shutdown=1,
            log_level="warning",
            ssl_certfile=certificate,
            ssl_keyfile=key,
        )


def tls_of(settings: "Settings") -> tuple[Path, Path] | tuple[None, None]:
    """Certificate and key of HTTPS, with Python's own choice of protocols (TLS 1.2 and 1.3) and ciphers. None: the server speaks HTTP."""
    import ssl

    certificate, key, where = settings.tls_certificate, settings.tls_key, "REELROOT_TLS_CERTIFICATE, REELROOT_TLS_KEY"
    if certificate is None and key is None:
        return None, None
    if certificate is None or key is None:
        raise bad_input("HTTPS needs two files.", where, "One of them is not named.", "Name both, or neither.")
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        why = f"{certificate} and {key} can't be used: {error}."
        raise bad_input("The server can't speak HTTPS.", where, why, "Name a certificate and its key.") from error
    return certificate, key


@shell.command()
def demo(
    data: DataFolder = None, no_serve: Annotated[bool, typer.Option("--no-serve", help="Stop before serving.")] = False, port: int | None = None
) -> None:
    """Build an invented factory (about a minute, once), print one worked trace and the demo sign-ins, and serve."""
    from app.migrate import is_newest
    from app.migrate import upgrade as bring_up
    from seed_demo.build import build, clear_half_built, is_built, load_demo, sign_ins
    from seed_demo.worked_trace import print_worked_trace

    if clear_half_built(settings_of(data)):
        progress.print("An earlier build was cut short: building anew.")
    with open_house(data, at_newest=False) as house:
        if not is_newest(house):
            bring_up(house)
        folder = house.settings.data_dir
        if is_built(house):
            truth = load_demo(house)
            progress.print(f"The demo is built already, in {folder}.")
        else:
            progress.print(f"Building the demo in {folder}: about a minute.")
            truth = build(house, progress.print)
        print_worked_trace(house, truth, Console(highlight=False, soft_wrap=False))
        typer.echo("\nDemo sign-ins (everyone may know them; use them for nothing else):")
        for one in sign_ins(house):
            typer.echo(f"  {one.badge}  {one.name}: {one.duties}. Password {one.password}, PIN {one.pin}")
    if not no_serve:
        serve(data, port=port)


@shell.command()
def trace(
    code: Annotated[str, typer.Argument(help="Any code of ours, or another's number.")],
    forward: Annotated[bool, typer.Option("--forward", help="To packs and customers, instead of back to origins.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="The whole answer as JSON.")] = False,
    data: DataFolder = None,
) -> None:
    """Trace an item, run or batch: back to its origins, or forward to packs and customers."""
    from app.genealogy.print_trace import print_trace
    from app.genealogy.trace import trace_back, trace_forward
    from app.naming.resolve import resolve

    with open_house(data) as house, house.walking() as session:
        found = (trace_forward if forward else trace_back)(session, resolve(session, code))
        if as_json:
            import json

            typer.echo(json.dumps(found.as_json(), default=str, indent=1))
        else:
            print_trace(found, Console(highlight=False, soft_wrap=False))


@shell.command("mock-recall")
def rehearse_recall(
    seed: Annotated[int | None, typer.Option(help="Picks the same reel again, on an unchanged record.", min=0)] = None,
    pack: Annotated[str, typer.Option(help="A pack by its code, instead of one at random.")] = "",
    data: DataFolder = None,
) -> None:
    """Rehearse a recall: trace a reel back and forward, account for every unit of its lots, list missing evidence. The report is kept."""
    from app.genealogy.mock_recall import mock_recall, past_recall
    from app.genealogy.print_mock_recall import print_mock_recall
    from app.journal.act import SYSTEM

    with open_house(data) as house:
        number = mock_recall(house, SYSTEM, pack, seed)
        with house.reading() as session:
            _, report, kept = past_recall(session, house, number)
        print_mock_recall(number, report, kept.digest, Console(highlight=False, soft_wrap=False))


@shell.command()
def check(data: DataFolder = None) -> None:
    """Check counts, flows, placements, claims, the journal's chain against the rows, and evidence. Exit code 3 when something is found."""
    from app.genealogy.checks import check as find_all

    with open_house(data) as house:
        n = 0
        for finding in find_all(house):
            n += 1
            typer.echo(f"{finding.check}: {finding.where}: {finding.what}")
        progress.print(f"{n} found." if n else "Everything is as it should be.")
        if n:
            raise typer.Exit(FOUND)


@shell.command()
def backup(target: Annotated[Path, typer.Argument(help="The archive to write.")], data: DataFolder = None) -> None:
    """Write everything into one archive, while work goes on. Either database can take it in."""
    from app.backup import backup as write

    with open_house(data) as house:
        write(house, target, progress.print)
        typer.echo(str(target))


@shell.command()
def restore(source: Annotated[Path, typer.Argument(help="An archive that `backup` wrote.")], data: DataFolder = None) -> None:
    """Take an archive into an empty installation, of either database. A damaged archive is refused before anything is written."""
    from app.backup import restore as take_in
    from app.backup import verify_archive
    from app.migrate import upgrade as bring_up

    verify_archive(source)
    with open_house(data, at_newest=False) as house:
        bring_up(house)
        take_in(house, source, progress.print)
        progress.print("Restored. Run `reelroot check` now.")


@shell.command()
def bench(
    days: Annotated[int, typer.Option(min=1, max=3650, help="How long a history: 36, 365 or 3650.")] = 36,
    database: Annotated[str, typer.Option(help="sqlite, or the SQLAlchemy URL of a PostgreSQL database: empty, or with its history.")] = "sqlite",
    only: Annotated[str, typer.Option(help="One measure by its name.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="The ratios as a document.")] = False,
    rounds: Annotated[int, typer.Option(min=1, help="How often each is timed.")] = 15,
    data: DataFolder = None,
) -> None:
    """Measure the program against bare statements, in ratios. Histories are built once and kept in the data folder, under `bench`."""
    from app import tables  # noqa: F401 (maps every room's)
    from benchmarks.bench import as_document, print_table
    from benchmarks.bench import bench as run_all

    url = "" if database == "sqlite" else database
    found = list(run_all(settings_of(data).data_dir / "bench", days, url, only, rounds, progress.print))
    if as_json:
        import json

        typer.echo(json.dumps(as_document(days, "postgresql" if url else "sqlite", found), indent=1))
    else:
        print_table(Console(highlight=False, width=None if sys.stdout.isatty() else 150), days, "PostgreSQL" if url else "SQLite", found)


catalogues = typer.Typer(help="What may be built, how, where and for whom: one TOML file.", no_args_is_help=True)
shell.add_typer(catalogues, name="catalogue")
_CatalogueFile = Annotated[Path, typer.Argument(exists=True, dir_okay=False, readable=True, help="The catalogue's file (TOML).")]


@catalogues.command("load")
def load_catalogue_file(file: _CatalogueFile, data: DataFolder = None) -> None:
    """Load a catalogue or a part of one: prints what changed. What the file leaves out stays as it is."""
    from app.catalogue.file import read_catalogue
    from app.catalogue.load import as_json, load_file, told
    from app.catalogue.queries import whole
    from app.evidence.keep import keep_file
    from app.evidence.refused import kept_when_refused
    from app.journal.act import SYSTEM, act

    with open_house(data) as house, kept_when_refused(house, SYSTEM, "catalogue", [(file.name, file)]):
        with house.reading() as session:
            found = read_catalogue(file.read_bytes(), whole(session))
        with file.open("rb") as source:
            kept = keep_file(house, file.name, source)
        lines: list[str] = []

        def verb(session: "Session", by: "By") -> dict[str, object]:
            changes = load_file(session, by, found, kept)
            lines[:] = [told(change) for change in changes]
            return as_json(changes)

        act(house, SYSTEM, "load_catalogue", {"file": kept.digest}, verb)
        typer.echo("\n".join(lines) or "Nothing changed: the catalogue says so already.")


@catalogues.command("check")
def check_catalogue_file(file: _CatalogueFile, data: DataFolder = None) -> None:
    """Say what a load would change, or what is wrong and on which line. Writes nothing."""
    from app.catalogue.file import read_catalogue
    from app.catalogue.load import told, what_would_change
    from app.catalogue.queries import whole

    with open_house(data) as house, house.reading() as session:
        changes = what_would_change(session, read_catalogue(file.read_bytes(), whole(session)))
        typer.echo("\n".join(told(change) for change in changes) or "Nothing would change.")


@catalogues.command("example")
def example_catalogue() -> None:
    """Print the catalogue of an invented factory, to begin one's own from."""
    from app.catalogue.example import EXAMPLE

    typer.echo(EXAMPLE)


@catalogues.command("dump")
def dump_catalogue(data: DataFolder = None) -> None:
    """Print the whole catalogue as TOML that loads back to the same."""
    from app.catalogue.file import dump

    with open_house(data) as house, house.reading() as session:
        typer.echo(dump(session), nl=False)


@catalogues.command("approve")
def approve_route_revision(
    product: str, revision: str, badge: Annotated[str, typer.Option("--by", help="Badge of the engineer who signs.")], data: DataFolder = None
) -> None:
    """Make a draft revision the active one: shows what it changes, then asks for the signer's password."""
    from app.catalogue.approve import approve_route, what_approval_changes
    from app.catalogue.queries import named
    from app.journal.act import act
    from app.naming.resolve import resolve
    from app.people.people import actor_of
    from app.people.sign_in import check_signature

    with open_house(data) as house:
        with house.reading() as session:
            route = named(session, "route", f"{product} rev {revision}")
            before, fields = what_approval_changes(session, route)
            signer = actor_of(session, resolve(session, badge, "person").id)
        progress.print(f"{route.name} against {before.name if before else 'nothing: no revision is active'}:")
        for field in fields:
            progress.print(f"  {field.path}: {field.old or '(none)'} -> {field.new or '(none)'}")
        password = typer.prompt(f"Password of {signer.name}", hide_input=True, err=True)
        check_signature(house, signer.id, password, "shell")

        def verb(session: "Session", by: "By") -> dict[str, str | None]:
            done = approve_route(session, by, product, revision, route.definition)
            return {"route": done.name, "retired": done.retired}

        answer = act(house, signer, "approve_route", {"product": product, "revision": revision}, verb, signed=True).body
        typer.echo(f"{answer['route']} is active" + (f"; {answer['retired']} is retired." if answer["retired"] else "."))


users = typer.Typer(help="People and machines' tokens.", no_args_is_help=True)
shell.add_typer(users, name="user")
_Duties = Annotated[list[str], typer.Option("--duty", help="operate, lead, quality, engineer or administer; may be given several times.")]


@users.command("add")
def add_user(
    name: str, duty: _Duties, no_password: Annotated[bool, typer.Option("--no-password", help="Do not ask for one.")] = False, data: DataFolder = None
) -> None:  # fmt: skip
    """Add a person: asks for a password (or reads a line of standard input), and prints the badge code."""
    from app.journal.act import SYSTEM, act
    from app.naming.resolve import code_of
    from app.people.people import add_person
    from app.people.secrets import keep_secret, new_secret

    with open_house(data) as house:
        new = None if no_password else new_secret("password", ask_secret("Password"), (name,), cheap=house.settings.cheap_passwords)

        def verb(session: "Session", by: "By") -> dict[str, str]:
            person = add_person(session, by, name, duty)
            if new is not None:
                keep_secret(session, by, person.id, new, given=True)
            return {"badge": code_of(session, "person", person.id)}

        typer.echo(act(house, SYSTEM, "add_person", {"name": name, "duties": duty}, verb).body["badge"])


@users.command("password")
def set_password(badge: str, data: DataFolder = None) -> None:
    """Give someone a new password. All their sessions end."""
    give_secret(data, badge, "password")


@users.command("pin")
def set_pin(badge: str, data: DataFolder = None) -> None:
    """Give someone a new PIN, for floor terminals. All their sessions end."""
    give_secret(data, badge, "pin")


def give_secret(data: Path | None, badge: str, kind: str) -> None:
    from app.journal.act import SYSTEM, act
    from app.naming.resolve import resolve
    from app.people.people import everyone
    from app.people.secrets import keep_secret, new_secret

    with open_house(data) as house:
        with house.reading() as session:
            person = everyone(session, resolve(session, badge, "person").id)[0]
        new = new_secret(kind, ask_secret(f"New {kind} of {person.name}"), (person.name, person.badge), cheap=house.settings.cheap_passwords)

        def verb(session: "Session", by: "By") -> dict[str, str]:
            keep_secret(session, by, person.id, new, given=True)
            return {"set": kind}

        act(house, SYSTEM, "give_secret", {"person": person.badge, "kind": kind}, verb)
        progress.print(f"{person.name} has a new {'PIN' if kind == 'pin' else kind}, and chooses another at the first sign-in.")


@users.command("token")
def add_token(
    name: str,
    duty: _Duties,
    facts: Annotated[bool, typer.Option("--facts", help="It may say when something happened, and tell facts that happened earlier.")] = False,
    days: Annotated[int | None, typer.Option("--days", min=1, max=730, help="How long it is valid. Without it, a year.")] = None,
    data: DataFolder = None,
) -> None:
    """Make a machine's token; it is printed once."""
    from datetime import timedelta

    from app import clock
    from app.journal.act import SYSTEM, act
    from app.people.tokens import make_token

    with open_house(data) as house:
        secrets: list[str] = []
        until = clock.now() + timedelta(days=days) if days else None

        def verb(session: "Session", by: "By") -> dict[str, int]:
            token, secret = make_token(session, by, name, tuple(duty), until, may_state_facts=facts)
            secrets[:] = [secret]
            return {"token": token.id}

        act(house, SYSTEM, "make_token", {"name": name, "duties": duty, "days": days, "may_state_facts": facts}, verb)
        typer.echo(secrets[0])


@users.command("list")
def list_users(data: DataFolder = None) -> None:
    """People with their badges and duties."""
    from app.people.people import everyone

    with open_house(data) as house, house.reading() as session:
        for person in everyone(session):
            typer.echo(f"{person.badge}  {person.name}: {', '.join(person.duties) or 'no duties'}")


def ask_secret(words: str) -> str:
    """Typed twice and not shown; a script sends it as a line of standard input, never as an argument that others can see."""
    if sys.stdin.isatty():
        return str(typer.prompt(words, hide_input=True, confirmation_prompt=True, err=True))
    return sys.stdin.readline().rstrip("\r\n")


imports = typer.Typer(help="Take files in. Each is kept as it came; what can't be understood is refused by line.", no_args_is_help=True)
shell.add_typer(imports, name="import")


@imports.command("placements")
def import_placement_logs(
    files: Annotated[list[Path], typer.Argument(help="CSV or SEMI E142 transfer maps of one station, in the order in which it wrote them.")],
    station: Annotated[str, typer.Option(help="Code of the station.")],
    zone: Annotated[str | None, typer.Option(help="Zone of times that name none, like Europe/Vienna.")] = None,
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
            with kept_when_refused(house, SYSTEM, "placement_log", [(path.name, path)]):
                with progress.status(f"Reading {path.name}"):
                    kept, log = read_log(house, path.name, read_file(path), zone)

                def verb(session: "Session", by: "By", kept: "Kept" = kept, log: "PlacementLog" = log) -> dict[str, object]:
                    return import_placements(session, by, resolve(session, station, "station").id, kept, log, replaces or ()).as_json()

                arguments = {"station": station, "file": [kept.name, kept.digest], "zone": zone, "replaces": replaces or []}
                with progress.status(f"Recording {len(log)} lines of {path.name}"):
                    did = act(house, SYSTEM, "import_placements", arguments, verb, source="file").body
                counts = f"{did['placed']} placed, {did['lost']} lost, {did['wrong']} wrong, {did['repeated']} known before"
                typer.echo(f"{path.name}: log {did['evidence']}: {counts}")
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
    data: DataFolder = None,
) -> None:
    """Import an oven logger's files; the cures that they tell of are judged."""
    from app.evidence.refused import kept_when_refused
    from app.journal.act import SYSTEM, act
    from app.naming.resolve import code_of, resolve
    from app.ovens.judging import import_logger_file, read_logger_file
    from app.ovens.logger_table import Stated

    stated = Stated(date_order=date_order, zone=zone, unit=unit)  # type: ignore[arg-type]  # the reader refuses other words, by name
    with open_house(data) as house:
        for path in files:
            with kept_when_refused(house, SYSTEM, "logger_file", [(path.name, path)]):
                with progress.status(f"Reading {path.name}"):
                    kept, trace = read_logger_file(house, path.name, path.read_bytes(), stated)

                def verb(session: "Session", by: "By", kept: "Kept" = kept, trace: "Trace" = trace) -> dict[str, list[str]]:
                    judged = import_logger_file(session, by, resolve(session, oven, "station").id, kept, trace, stated)
                    return {"judged": [f"{code_of(session, 'run', one.line.run)} line {one.line.id}: {one.judgement.verdict}" for one in judged]}

                did = act(house, SYSTEM, "import_logger_file", {"station": oven, "file": [kept.name, kept.digest]}, verb, source="file").body
                typer.echo(f"{path.name}: {len(trace.times)} rows, {len(did['judged'])} lines judged")
                for words in did["judged"]:
                    typer.echo(f"  {words.replace('_', ' ')}")


@imports.command("results")
def import_results(
    file: Annotated[Path, typer.Argument(help="CSV of unit results, of one test run.")],
    run: Annotated[str, typer.Option(help="Code of the test run that they end.")],
    data: DataFolder = None,
) -> None:
    """Import a tester's unit results: they end the run, with one loose lot a bin."""
    from app.evidence.refused import kept_when_refused
    from app.final_test.results_in import bin_table_of, import_unit_results, read_results
    from app.journal.act import SYSTEM, act
    from app.ledger.runs import Run
    from app.naming.resolve import code_of, resolve

    with open_house(data) as house, kept_when_refused(house, SYSTEM, "unit_results", [(file.name, file)]):
        with house.reading() as session:
            number = resolve(session, run, "run").id
            table = bin_table_of(session, session.get_one(Run, number))
        with progress.status(f"Reading {file.name}"), file.open("rb") as source:
            results = read_results(house, file.name, source, table)

        def verb(session: "Session", by: "By") -> dict[str, str]:
            lots = import_unit_results(session, by, session.get_one(Run, number), results)
            return {name: code_of(session, "lot", lot.item) for name, lot in lots.items()}

        arguments = {"run": run, "file": [results.kept.name, results.kept.digest]}
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
    data: DataFolder = None,
) -> None:
    """Receive wafers with their die maps: all files or none."""
    from app.catalogue import queries as catalogue
    from app.evidence.refused import kept_when_refused
    from app.journal.act import SYSTEM, act
    from app.receiving.die_map import Stated
    from app.receiving.wafers import read_map_files, receive_wafers

    with open_house(data) as house, kept_when_refused(house, SYSTEM, "die_map", [(path.name, path) for path in files]):
        with house.reading() as session:
            body = catalogue.part(session, part).body
        stated = Stated(passing=tuple(bin_.strip() for bin_ in passing.split(",") if bin_.strip()))
        with progress.status(f"Reading {len(files)} files"):
            kept = read_map_files(house, [(path.name, read_file(path)) for path in files], body, stated)
        arguments = {"part": part, "supplier": supplier, "files": [[one.kept.name, one.kept.digest] for one in kept]}

        def verb(session: "Session", by: "By") -> dict[str, list[str]]:
            return {"wafers": [named.code for named in receive_wafers(session, by, kept, part, supplier=supplier)]}

        codes = act(house, SYSTEM, "receive_wafers", arguments, verb, source="file").body["wafers"]
        for code, one in zip(codes, (one for file in kept for one in file.maps), strict=True):
            typer.echo(f"{code}  {one.wafer}: {one.gross} dies, {one.passing} passing")


def read_file(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise bad_input("A file can't be read.", str(path), error.strerror or str(error), "Check its name and rights.") from error


def settings_of(data: Path | None) -> "Settings":
    """The settings of this call, or a refusal that names each wrong one."""
    from pydantic import ValidationError

    from app.settings import Settings

    try:
        return Settings() if data is None else Settings(data_dir=data)
    except ValidationError as error:
        wrong = error.errors()[0]
        name = f"REELROOT_{'_'.join(str(part) for part in wrong['loc']).upper()}"
        raise bad_input("A setting is wrong.", name, f"{wrong['msg']}, found {wrong['input']!r}.", "Correct it or take it away.") from error


@contextmanager
def open_house(data: Path | None, at_newest: bool = True) -> Iterator["House"]:
    """The installation that a command works on. Unless it upgrades, its database must have this program's schema."""
    from app import tables  # noqa: F401 (maps every room's, or a command would see some tables only)
    from app.db import House
    from app.migrate import refuse_other_schema
    from app.outages import outage_of

    house = House(settings_of(data))
    try:
        if at_newest:
            refuse_other_schema(house)
        try:
            yield house
        finally:
            if at_newest:
                _seal_what_is_new(house)
    except Exception as error:
        if outage := outage_of(error):
            why = str(getattr(error, "orig", error)).strip()
            raise refuse("changed", outage.what, f"{outage.why} {why}", f"{outage.now} The data folder is {house.data_dir}.") from error
        raise
    finally:
        house.dispose()


def _seal_what_is_new(house: "House") -> None:
    """What a command wrote is chained when it ends, server or not. A command that wrote nothing takes no lock."""
    from app.journal.sealing import count_unsealed, seal
    from app.people.security import write_noted

    with house.reading() as session:
        is_new = count_unsealed(session) > 0
    if is_new:
        seal(house)
    write_noted(house)  # a wrong password for a signature


def say_refusal(refused: Refused) -> None:
    progress.print(refused.what, style="bold")
    for reason in refused.reasons:
        progress.print("  " + ": ".join(part for part in (reason.where, reason.why) if part))
        if reason.now:
            progress.print("  " + reason.now)

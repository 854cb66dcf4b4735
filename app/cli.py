"""The shell: `reelroot COMMAND`. A command reads its arguments, calls one verb or question, prints, and ends.

Each imports what it needs inside, so that help and light commands come at once (engines and Alembic take a second).
Answers go to standard output, progress and refusals to standard error.
Exit codes: 0 done, 1 refused or failed, 2 wrong use, 3 `check` found something.
"""

import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from app.errors import Refused, bad_input
from app.shell import catalogues, imports, users
from app.shell.opening import DataFolder, open_house, progress, say_refusal, settings_of, telling_outages

FOUND = 3
Port = Annotated[int | None, typer.Option(min=1, max=65535)]
shell = typer.Typer(
    help="Lot traveller and traceability: from wafer to reel and back.",
    epilog="Settings come from the environment: REELROOT_DATA_DIR, REELROOT_DATABASE_URL, REELROOT_PORT and so on.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
shell.add_typer(catalogues.catalogues, name="catalogue")
shell.add_typer(users.users, name="user")
shell.add_typer(imports.imports, name="import")


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
    """Bring the database to this program's schema, as REELROOT_OWNER_URL where another role owns it. Nothing is lost; again changes nothing."""
    from app.migrate import revision_of
    from app.migrate import upgrade as bring_up

    with open_house(data, at_newest=False) as house:
        is_new = bring_up(house)
        typer.echo(f"The database {'is now' if is_new else 'was already'} at {revision_of(house)}.")


@shell.command()
def serve(data: DataFolder = None, host: str | None = None, port: Port = None) -> None:
    """Serve the pages and the API. The first start prints a one-time link for the first administrator."""
    from app.evidence.scanner import missing_scanner
    from app.main import make_app
    from app.people.first_run import link
    from app.shell.serving import run
    from app.shell.tls import tls_of

    with open_house(data) as house:
        settings = house.settings
        certificate, key = tls_of(settings)
        host, port = host or settings.host, port or settings.port
        at, first = f"{'https' if certificate else 'http'}://{host}:{port}", link(house)

        def say() -> None:
            progress.print(f"Serving on {at}")
            if first:
                progress.print(f"Make the first administrator: {at}{first}")
            if missing := missing_scanner(settings):
                progress.print(missing)
            if settings.owner_url:
                progress.print("REELROOT_OWNER_URL: the server was told who owns the tables. Name that role to `upgrade` and `restore` only.")

        run(make_app(settings, house), host, port, certificate, key, say)


def _hidden_without(folder: str) -> bool:
    """A plant may leave out what it does not need."""
    return find_spec(folder) is None


def _must_be_there(folder: str) -> None:
    if find_spec(folder) is None:
        raise bad_input("It can't be done here.", folder, f"The folder {folder} was left out of this installation.", "Run it from a whole clone.")


@shell.command(hidden=_hidden_without("seed_demo"))
def demo(
    data: DataFolder = None, no_serve: Annotated[bool, typer.Option("--no-serve", help="Stop before serving.")] = False, port: Port = None
) -> None:
    """Build an invented factory (about a minute, once), print one worked trace and the demo sign-ins, and serve."""
    _must_be_there("seed_demo")
    from app.migrate import upgrade as bring_up
    from seed_demo.build import build, clear_half_built, is_built, load_demo, sign_ins
    from seed_demo.worked_trace import print_worked_trace

    if clear_half_built(settings_of(data)):
        progress.print("An earlier build was cut short: building anew.")
    with open_house(data, at_newest=False) as house:
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
    from app.genealogy.traced import subject_of

    with open_house(data) as house, house.walking() as session:
        found = (trace_forward if forward else trace_back)(session, subject_of(session, code))
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


@shell.command("rebuild-results")
def rebuild_missing_results(data: DataFolder = None) -> None:
    """Make unit results that are missing anew from the testers' files, as `check` asks. Each is put in its place only if it is as recorded."""
    from app.final_test.rebuild import rebuild_results

    with open_house(data) as house:
        found = []
        for one in rebuild_results(house):
            found.append(one)
            typer.echo(f"{one.run}: {one.name}: {one.why_not or f'{one.rows} units, as recorded'}")
        progress.print(f"{sum(not one.why_not for one in found)} of {len(found)} rebuilt." if found else "All unit results are there.")
        if any(one.why_not for one in found):
            raise typer.Exit(1)


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


@shell.command(hidden=_hidden_without("benchmarks"))
def bench(
    days: Annotated[int, typer.Option(min=1, max=3650, help="How long a history: 36, 365 or 3650.")] = 36,
    database: Annotated[str, typer.Option(help="sqlite, or the SQLAlchemy URL of a PostgreSQL database: empty, or with its history.")] = "sqlite",
    only: Annotated[str, typer.Option(help="One measure by its name.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="The ratios as a document.")] = False,
    rounds: Annotated[int, typer.Option(min=1, help="How often each is timed.")] = 15,
    data: DataFolder = None,
) -> None:
    """Measure the program against bare statements, in ratios. Histories are built once and kept in the data folder, under `bench`."""
    _must_be_there("benchmarks")
    from app import tables  # noqa: F401 (maps every room's)
    from benchmarks.bench import as_document, print_table
    from benchmarks.bench import bench as run_all

    url = "" if database == "sqlite" else database
    folder = settings_of(data, database_url=url).data_dir / "bench"
    with telling_outages(folder):
        found = list(run_all(folder, days, url, only, rounds, progress.print))
    if as_json:
        import json

        typer.echo(json.dumps(as_document(days, "postgresql" if url else "sqlite", found), indent=1))
    else:
        print_table(Console(highlight=False, width=None if sys.stdout.isatty() else 150), days, "PostgreSQL" if url else "SQLite", found)

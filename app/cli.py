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
    from app.db import House
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
    from sqlalchemy.exc import OperationalError

    from app.db import House
    from app.migrate import is_newest

    house = House(settings_of(data))
    try:
        if at_newest and not is_newest(house):
            where = house.write_engine.url.render_as_string()
            raise refuse("changed", "The database has another schema than this program.", f"It is {where}.", "Run `reelroot upgrade`.")
        yield house
    except OperationalError as error:
        raise refuse("changed", "The database does not answer.", str(error.orig).strip(), "Start it, or correct REELROOT_DATABASE_URL.") from error
    finally:
        house.dispose()


def say_refusal(refused: Refused) -> None:
    progress.print(refused.what, style="bold")
    for reason in refused.reasons:
        progress.print("  " + ": ".join(part for part in (reason.where, reason.why) if part))
        if reason.now:
            progress.print("  " + reason.now)

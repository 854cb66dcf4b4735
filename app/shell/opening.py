"""How a command opens the installation it works on, and says why it could not."""

import os
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

DataFolder = Annotated[Path | None, typer.Option("--data", help="The data folder. Without it REELROOT_DATA_DIR, else ./data.")]
progress = Console(stderr=True, highlight=False, markup=False, soft_wrap=True)


def settings_of(data: Path | None) -> "Settings":
    """The settings of this call, or a refusal that names each wrong one."""
    from pydantic import ValidationError

    from app.settings import Settings

    try:
        return Settings() if data is None else Settings(data_dir=data)
    except ValidationError as error:
        wrong = error.errors()[0]
        name = f"REELROOT_{'_'.join(str(part) for part in wrong['loc']).upper()}"
        why = wrong["msg"].removeprefix("Value error, ")
        raise bad_input("A setting is wrong.", name, f"{why}, found {wrong['input']!r}.", "Correct it or take it away.") from error


@contextmanager
def open_house(data: Path | None, at_newest: bool = True) -> Iterator["House"]:
    """The installation that a command works on. Unless it upgrades, its database must have this program's schema."""
    from app import tables  # noqa: F401 (maps every room's, or a command would see some tables only)
    from app.db import House
    from app.migrate import refuse_other_schema
    from app.outages import outage_of

    os.umask(0o077)  # what is written here is for the owner of the data folder only
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
    from app.journal.sealing import has_unsealed, seal
    from app.people.security import write_noted

    with house.reading() as session:
        is_new = has_unsealed(session)
    if is_new:
        seal(house)
    write_noted(house)  # a wrong password for a signature


def say_refusal(refused: Refused) -> None:
    progress.print(refused.what, style="bold")
    for reason in refused.reasons:
        progress.print("  " + ": ".join(part for part in (reason.where, reason.why) if part))
        if reason.now:
            progress.print("  " + reason.now)

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


def settings_of(data: Path | None, **given: str) -> "Settings":
    """The settings of this call, or a refusal that names a wrong one. `given`: by options, before what the environment says."""
    from pydantic import ValidationError

    from app.settings import Settings

    try:
        return Settings(**given) if data is None else Settings(data_dir=data, **given)  # type: ignore[arg-type]  # Pydantic makes of texts what they are
    except ValidationError as error:
        wrong = error.errors()[0]
        setting = "_".join(str(part) for part in wrong["loc"])
        why = wrong["msg"].removeprefix("Value error, ")
        found = "" if setting.endswith("_url") else f", found {wrong['input']!r}"  # a URL may have a password
        raise bad_input("A setting is wrong.", f"REELROOT_{setting.upper()}", f"{why}{found}.", "Correct it or take it away.") from error


@contextmanager
def open_house(data: Path | None, at_newest: bool = True) -> Iterator["House"]:
    """The installation that a command works on. Unless it upgrades, its database must have this program's schema."""
    from app import tables  # noqa: F401 (maps every room's, or a command would see some tables only)
    from app.db import House
    from app.migrate import refuse_missing, refuse_other_schema

    os.umask(0o077)  # what is written here is for the owner of the data folder only
    settings = settings_of(data)
    if at_newest:
        refuse_missing(settings)
    house = House(settings)
    try:
        with telling_outages(house.data_dir):
            if at_newest:
                refuse_other_schema(house)
            try:
                yield house
            finally:
                if at_newest:
                    _seal_what_is_new(house)
    finally:
        house.dispose()


@contextmanager
def telling_outages(folder: Path) -> Iterator[None]:
    """What is away for a while ends a command with a sentence."""
    from app.outages import AWAY, outage_of

    try:
        yield
    except Refused:  # it says itself what to do, if something like an outage was behind it: a file that may not be read
        raise
    except Exception as error:
        if outage := outage_of(error):
            why = str(getattr(error, "orig", error)).strip()
            now = f"{outage.now} If it never answered, look at how it is named." if outage is AWAY else outage.now
            raise refuse("changed", outage.what, f"{outage.why} {why}", f"{now} The data folder is {folder}.") from error
        raise


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

"""`reelroot catalogue`: load, check, dump and approve what may be built."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from app.shell.imports import name_of
from app.shell.opening import DataFolder, open_house, progress

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from app.journal.act import By

catalogues = typer.Typer(help="What may be built, how, where and for whom: one TOML file.", no_args_is_help=True)
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

    with open_house(data) as house, kept_when_refused(house, SYSTEM, "catalogue", [(name_of(file), file)]):
        with house.reading() as session:
            found = read_catalogue(file.read_bytes(), whole(session))
        with file.open("rb") as source:
            kept = keep_file(house, name_of(file), source)
        lines: list[str] = []
        new: set[str] = set()

        def verb(session: "Session", by: "By") -> dict[str, object]:
            changes = load_file(session, by, found, kept)
            lines[:] = [told(change) for change in changes]
            new.update(change.kind for change in changes if change.what == "added")
            return as_json(changes)

        act(house, SYSTEM, "load_catalogue", {"file": kept.digest}, verb)
        typer.echo("\n".join(lines) or "Nothing changed: the catalogue says so already.")
        for kind in new & _WHAT_NEXT.keys():
            typer.echo(_WHAT_NEXT[kind], err=True)


_WHAT_NEXT = {  # what a new thing of a kind still needs before anyone can work with it
    "route": "A new revision is a draft: no lot starts by it until an engineer approves it, on its page or by `reelroot catalogue approve`.",
    "person": "New people have no password or PIN yet: give them on the People page, or by `reelroot user password` and `reelroot user pin`.",
}


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

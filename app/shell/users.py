"""`reelroot user`: people, their secrets, and machines' tokens."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from app.shell.opening import DataFolder, open_house, progress

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from app.journal.act import By

users = typer.Typer(help="People and machines' tokens.", no_args_is_help=True)
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

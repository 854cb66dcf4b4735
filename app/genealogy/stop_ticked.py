"""The stop from a page: a hold on each thing that was ticked there, all in one entry."""

from collections.abc import Sequence
from typing import Any

from fastapi import Request
from sqlalchemy.orm import Session

from app.errors import bad_input
from app.holds.place import place_holds
from app.journal.act import By, act
from app.people.callers import Caller
from app.web.installation import house_of


def stop_ticked(request: Request, who: Caller, stop: Sequence[str], reason: str, key: str, **asked: str) -> list[str]:
    """The codes of the holds. `asked`: what led to them, which their entry keeps."""
    if not stop:
        raise bad_input("Nothing was stopped.", "stop", "Nothing is ticked.", "Tick what is to be stopped, then say why.")

    def verb(session: Session, by: By) -> dict[str, Any]:
        return {"holds": place_holds(session, by, stop, reason)}

    arguments = {"subjects": list(stop), "reason": reason} | asked
    holds: list[str] = act(house_of(request), who.actor, "place_hold", arguments, verb, key=key or None).body["holds"]
    return holds

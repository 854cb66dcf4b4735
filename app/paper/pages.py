"""The page for what was done on paper while the server was down."""

from datetime import datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Request
from fastapi.responses import Response

from app.errors import Refused, bad_input
from app.floor.ends import Value
from app.paper.back_entry import VERBS, Told, enter
from app.people.callers import Calling
from app.web import check_form, house_of, redirect, render, zone_of

router = APIRouter(include_in_schema=False)
Text = Annotated[str, Form(max_length=300)]


@router.get("/back-entry")
def back_entry(request: Request, who: Calling) -> Response:
    return _page(request, {}, None)


@router.post("/back-entry")
def enter_one(
    request: Request, who: Calling, at: Text, verb: Text, thing: Text, station: Text, person: Text = "", values: Text = "", key: Text = "",
    form_token: Text = "",
) -> Response:  # fmt: skip
    check_form(request, form_token)
    typed = {"at": at, "verb": verb, "thing": thing, "station": station, "person": person, "values": values}
    try:
        told = Told(_moment(request, at), verb, thing, station, person or None, _values(values))
        answer = enter(house_of(request), who.actor, told, key or None)
    except Refused as refusal:
        return _page(request, typed, refusal)
    broken = answer.body.get("broken", [])
    said = f"Entered: {verb} {thing} at {at}." + (f" It is held: {' '.join(broken)}" if broken else "")
    return redirect(request, "back_entry", said=said)


def _page(request: Request, typed: dict[str, str], refusal: Refused | None) -> Response:
    values = {"at": "", "verb": "start", "thing": "", "station": "", "person": "", "values": ""} | typed
    return render(request, "paper/back_entry.html", status=refusal.status if refusal else 200, refusal=refusal, verbs=list(VERBS), typed=values)


def _moment(request: Request, text: str) -> datetime:
    """The time on the paper, in the site's zone unless it names another."""
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise bad_input("That is no time.", "at", f"{text[:40]!r} can't be read.", "Like 2026-03-01 07:30.") from error
    return moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(zone_of(request)))


def _values(text: str) -> list[Value]:
    """`pull 5.2; height 0.3`: name and number, parted by semicolons."""
    found = []
    for part in filter(None, (part.strip() for part in text.split(";"))):
        name, _, number = part.rpartition(" ")
        try:
            found.append(Value(name.strip(), float(number.replace(",", "."))))
        except ValueError as error:
            raise bad_input("A value can't be read.", "values", f"{part[:60]!r} is no name and number.", "Like: pull 5.2; height 0.3.") from error
    return found

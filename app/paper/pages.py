"""Back entry on a page: a lot's printed sheet, typed in as it stands; first one sees what will be recorded and held, then one signs."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session

from app import clock, codes
from app.catalogue import queries as catalogue
from app.catalogue.route_rules import mixing_key
from app.errors import Refused, bad_input, not_allowed, refuse
from app.floor.groups import gather
from app.genealogy.traveller import Traveller, travellers
from app.journal.actions import ACTIONS
from app.ledger.items import Lot
from app.naming.resolve import code_of, resolve
from app.paper.back_entry import enter, rehearsed
from app.paper.sheet_lines import MATERIAL_ROWS, Entry, SheetStep, entries
from app.people.callers import Caller, Calling, page_router
from app.people.sign_in import check_signature
from app.web.installation import house_of, zone_of
from app.web.rendering import redirect, render
from app.web.words import counted


async def _fields(request: Request) -> dict[str, str]:
    return {name: str(value)[:300] for name, value in (await request.form()).items()}


router = page_router()
Fields = Annotated[dict[str, str], Depends(_fields)]
_PLAIN = ("form_token", "key", "password", "seen")  # fields that are not of the sheet


@router.get("/back-entry")
def back_entry(request: Request, who: Calling, code: str = "") -> Response:
    """Asks for a sheet's lot, by its code or that of its magazine."""
    if not code.strip():
        return render(request, "paper/back_entry.html", refusal=None, code="", may=who.has("lead"))
    try:
        with house_of(request).reading() as session:
            lot = _lot_named(session, code)
    except Refused as refusal:
        return render(request, "paper/back_entry.html", status=refusal.status, refusal=refusal, code=code, may=who.has("lead"))
    return RedirectResponse(request.url_for("sheet_entry", code=lot).path, status_code=303)


@router.get("/back-entry/{code}")
def sheet_entry(request: Request, who: Calling, code: str) -> Response:
    """The sheet's blanks."""
    return _page(request, who, _sheet(request, code), {})


@router.post("/back-entry/{code}")
def look_at_sheet(request: Request, who: Calling, code: str, form: Fields) -> Response:
    """What would be recorded, line by line, and what would be held. Nothing is."""
    sheet = _sheet(request, code)
    try:
        lines = _lines(request, sheet, form)
    except Refused as refusal:
        return _page(request, who, sheet, form, refusal=refusal)
    return _page(request, who, sheet, form, lines=lines, answers=rehearsed(house_of(request), who.actor, [one.told for one in lines]))


@router.post("/back-entry/{code}/enter")
def enter_sheet(request: Request, who: Calling, code: str, form: Fields) -> Response:
    """Enters the lines that were seen, in order, each an act of its own, under one signature."""
    sheet = _sheet(request, code)
    try:
        lines = _lines(request, sheet, form)
        _must_be_what_was_seen(lines, form)
        if who.person is None:
            raise not_allowed(who.actor.name, ACTIONS["back_entry"].words, ACTIONS["back_entry"].duties)
        check_signature(house_of(request), who.person, form.get("password"), who.address)
    except Refused as refusal:
        return _page(request, who, sheet, form, refusal=refusal)
    for i, one in enumerate(lines):
        try:
            enter(house_of(request), who.actor, one.told, f"{form.get('key', '')}-{i}", signed=True)
        except Refused as refusal:  # something changed since it was looked at
            left = {name: text for name, text in form.items() if name not in {done.field for done in lines[:i]}}
            return _page(request, who, _sheet(request, code), left, refusal=refusal, entered=i)
    return redirect(request, "lot_page", code=sheet.lot.code, said=f"Entered: {counted(len(lines), 'line')} of the sheet.")


@dataclass(frozen=True)
class _Sheet:
    lot: Traveller
    steps: tuple[SheetStep, ...]


def _lot_named(session: Session, code: str) -> str:
    named = resolve(session, code, "lot", "container")
    if named.kind == "lot":
        return named.code
    lots = {group.lot for group in gather(session, [named]) if group.lot is not None}
    if len(lots) != 1:
        raise refuse("ambiguous_code", f"{named.code} does not say which sheet.", f"It holds {len(lots)} lots.", "Scan the lot's code on the sheet.")
    return code_of(session, "lot", lots.pop())


def _sheet(request: Request, code: str) -> _Sheet:
    with house_of(request).reading() as session:
        return sheet_of(session, session.get_one(Lot, resolve(session, code, "lot").id))


def sheet_of(session: Session, lot: Lot) -> _Sheet:
    """What of its route is still to be entered."""
    one = travellers(session, [lot], clock.now())[0]
    route = catalogue.named(session, "route", one.route).body if one.route else None
    shelves = catalogue.shelves(session)
    steps, mixing = [], mixing_key(route) if route and one.form == "panel" else ""
    for row, step in zip(one.steps, route.steps if route else (), strict=True):
        if one.is_empty or row.is_done:
            continue
        running = next((doing.station_code for doing in row.doings if doing.outcome == "in work" and doing.void is None), "")
        mixes = step.key == mixing
        steps.append(SheetStep(row.number, codes.of_step(row.number), step, running, mixes, shelves if step.operation == "cure" else ()))
        if mixes:  # what comes after it is another lot's
            break
    return _Sheet(one, tuple(steps))


def _lines(request: Request, sheet: _Sheet, form: Mapping[str, str]) -> list[Entry]:
    try:
        day = date.fromisoformat(form.get("day", "").strip())
    except ValueError as error:
        raise bad_input("The sheet can't be entered yet.", "day", "Its day is not understood.", "Like 2026-03-01.") from error
    found = entries(sheet.lot.code, sheet.steps, form, day, zone_of(request))
    if not found:
        raise bad_input("There is nothing to enter yet.", "", "No time is typed.", "Type the starts and ends that stand on the sheet.")
    return found


def _must_be_what_was_seen(lines: Sequence[Entry], form: Mapping[str, str]) -> None:
    if form.get("seen") != _digest(lines):
        raise refuse("changed", "This is not what was looked at.", "A field was changed after it.", "Look at it again, then sign.")


def _digest(lines: Sequence[Entry]) -> str:
    return hashlib.sha256(repr(lines).encode()).hexdigest()


def _page(
    request: Request, who: Caller, sheet: _Sheet, form: Mapping[str, str], *, refusal: Refused | None = None, entered: int = 0,
    lines: Sequence[Entry] = (), answers: Sequence[dict[str, Any] | Refused] = (),
) -> Response:  # fmt: skip
    typed, jump = _without_step_codes({name: text for name, text in form.items() if name not in _PLAIN}, sheet.steps)
    typed.setdefault("day", clock.now().astimezone(ZoneInfo(zone_of(request))).date().isoformat())
    refused = next((answer for answer in answers if isinstance(answer, Refused)), None)
    looked = [{"line": line, "answer": answer} for line, answer in zip(lines, answers, strict=False) if not isinstance(answer, Refused)]
    stuck = lines[len(looked)] if refused is not None else None
    wrong = {reason.where: reason.why for reason in refusal.reasons if reason.where} if refusal else {}
    return render(
        request, "paper/sheet_entry.html", status=refusal.status if refusal else 200, lot=sheet.lot, steps=sheet.steps, typed=typed,
        focus=f"station.{jump}" if jump else next(iter(wrong), "" if looked else "day"),
        may=who.has("lead"), refusal=refusal, entered=entered, looked=looked, stuck=stuck, refused=refused, wrong=wrong,
        left=len(lines) - len(looked) - (1 if stuck else 0), seen="" if refused else _digest(lines), material_rows=range(1, MATERIAL_ROWS + 1),
    )  # fmt: skip


def _without_step_codes(typed: dict[str, str], steps: Sequence[SheetStep]) -> tuple[dict[str, str], str]:
    """A step's code that was scanned from the sheet is no value: it leads to the row of that step."""
    keys = {step.code: step.step.key for step in steps}
    jump = next((keys[codes.tidy(text)] for text in typed.values() if codes.tidy(text) in keys), "")
    return {name: text for name, text in typed.items() if codes.tidy(text) not in keys}, jump

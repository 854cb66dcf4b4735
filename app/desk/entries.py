"""The journal as a list: who did what to what, when, in the words of the floor."""

from dataclasses import replace
from functools import partial
from typing import Any

from sqlalchemy import ColumnElement, String, cast, func, or_, select
from sqlalchemy.orm import Session

from app.catalogue.models import Thing
from app.desk.concerns import entries_about
from app.desk.listing import Cell, Column, Filter, Linked, Listing, Row, Sort, State
from app.desk.names import day_is
from app.desk.told import told
from app.floor.station_states import WORDS as STATION_WORDS
from app.journal.actions import ACTIONS
from app.journal.models import Entry
from app.ledger.places import Container
from app.naming.models import Code
from app.naming.resolve import candidates, codes_of
from app.people.models import Person
from app.people.personal import OF_PEOPLE, without_personal

_RECENT = 200_000  # entries whose words are searched for a code: what was refused wrote no row that could be asked
_HIDDEN = ("refused", "version", "seen", "key")
_MOST = 60


def _entry_rows(session: Session, entries: list[Entry], *, sees_people: bool = True) -> list[Row]:
    said = [entry.arguments if sees_people else without_personal(entry.action, entry.arguments) for entry in entries]
    texts = {text for arguments in said for text in _texts(arguments)}
    known = _known(session, texts)
    badges = codes_of(session, "person", list({entry.actor for entry in entries if entry.actor_kind == "person"}))
    return [
        [
            entry.happened_at,
            Linked(entry.actor_name, badges[entry.actor]) if entry.actor_kind == "person" else entry.actor_name,
            _what(entry), _about(arguments, known), _how(entry), entry.id, entry.recorded_at if entry.recorded_at != entry.happened_at else None,
        ]
        for entry, arguments in zip(entries, said, strict=True)
    ]  # fmt: skip


def _what(entry: Entry) -> Cell:
    if entry.outcome == "refused":
        return (State(f"refused: {ACTIONS[entry.action].words}", "stop"), str(entry.arguments.get("refused", {}).get("what", "")))
    return told(entry.action)


def _how(entry: Entry) -> Cell:
    """What is unlike other entries."""
    remarks = {"signed": entry.signed, "told afterwards": entry.fact, f"time from a {entry.source}": entry.source != "server"}
    return tuple(word for word, is_so in remarks.items() if is_so)


def _about(arguments: dict[str, Any], known: dict[str, Linked]) -> Cell:
    """What the action names: each code a link, the rest in words."""
    found: list[Cell] = []
    for name, value in arguments.items():
        if name not in _HIDDEN and value not in (None, "", [], {}):
            found += _named(name.replace("_", " "), value, known)
    return tuple(found)


def _named(name: str, value: Any, known: dict[str, Linked]) -> list[Cell]:
    if name == "file" or name == "files":
        return [f"{name} {_short(value[0] if isinstance(value, list) and value else value)}"]
    if name == "state" and value in STATION_WORDS:
        return [f"{name} {STATION_WORDS[value]}"]
    if isinstance(value, str):
        return [known[value]] if value in known else [f"{name} {_short(value)}"]
    if isinstance(value, dict):
        return [cell for key, inner in value.items() if inner not in (None, "", [], {}) for cell in _named(str(key).replace("_", " "), inner, known)]
    if isinstance(value, list):
        if all(isinstance(one, int) for one in value):
            return [f"{name} {', '.join(map(str, value))}" if len(value) <= 6 else f"{name}: {len(value)}"]
        return [cell for one in value for cell in _named(name, one, known)]
    return [f"{name} {'yes' if value is True else 'no' if value is False else f'{value:,}' if isinstance(value, int) else value}"]


def _short(value: Any) -> str:
    text = str(value)
    return text[:12] if len(text) == 64 and " " not in text else text if len(text) <= _MOST else f"{text[: _MOST - 1]}…"


def _texts(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value] if len(value) <= 40 else []
    parts = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return [text for part in parts for text in _texts(part)]


def _known(session: Session, texts: set[str]) -> dict[str, Linked]:
    """The texts that are codes of ours: a station, person or container by its name, else its kind and code."""
    rows = session.execute(select(Code.code, Code.kind, Code.thing).where(Code.code.in_(texts))).all()
    names: dict[tuple[str, int], str] = {}
    for kind, model in (("station", Thing), ("person", Person), ("container", Container)):
        ids = [thing for _, of, thing in rows if of == kind]
        names |= {(kind, thing): name for thing, name in session.execute(select(model.id, model.name).where(model.id.in_(ids)))}
    return {code: Linked(names.get((kind, thing), f"{kind} {code}"), code) for code, kind, thing in rows}


def _about_thing(session: Session, text: str, *, sees_people: bool = True) -> ColumnElement[bool]:
    """Entries that wrote something of a thing, and the newest ones whose words name it, refusals too: of words that are shown alone."""
    said = cast(Entry.arguments, String).contains(text.upper(), autoescape=True)
    if not sees_people:
        said &= Entry.action.not_in(OF_PEOPLE)
    newest = select(func.max(Entry.id)).scalar_subquery()
    ways: list[ColumnElement[bool]] = [said & (Entry.id > newest - _RECENT)]
    ways += [Entry.id.in_(entries_about(named)) for named in candidates(session, text)[:20]]
    return or_(*ways)


def _by(session: Session, value: str) -> ColumnElement[bool]:
    """By name, or by badge."""
    badge = select(Code.thing).where(Code.kind == "person", Code.code == value.upper())
    return Entry.actor_name.icontains(value, autoescape=True) | ((Entry.actor_kind == "person") & Entry.actor.in_(badge))


def _action_is(session: Session, value: str) -> ColumnElement[bool]:
    return Entry.action.in_([name for name, action in ACTIONS.items() if action.words == value])


def _outcome_is(session: Session, value: str) -> ColumnElement[bool]:
    return {"signed": Entry.signed.is_(True), "told afterwards": Entry.fact.is_(True)}.get(value, Entry.outcome == value)


JOURNAL = Listing(
    name="journal",
    title="Journal",
    about="Who did what to what, when; refusals too. Nothing in it is ever changed. Search for a thing's code to read its own story.",
    empty="Nothing was done yet. Whatever is done here, by a person or a machine, is written down here.",
    records=select(Entry),
    key=Entry.id,
    kind=None,
    columns=(
        Column("happened_at", "When"), Column("who", "Who"), Column("what", "What"), Column("about", "To what"), Column("how", "Remarks"),
        Column("entry", "Entry", True), Column("recorded_at", "Entered, if not then"),
    ),
    rows=_entry_rows,
    sorts=(Sort("newest", "newest first", falling=True), Sort("oldest", "oldest first")),
    filters=(
        Filter("who", "By whom", _by),
        Filter("action", "What", _action_is, tuple(sorted(action.words for action in ACTIONS.values()))),
        Filter("day", "On day", day_is(Entry.happened_at), kind="date"),
        Filter("outcome", "Outcome", _outcome_is, ("done", "refused", "signed", "told afterwards")),
    ),
    search=_about_thing,
)  # fmt: skip
WITHOUT_PEOPLE = replace(JOURNAL, rows=partial(_entry_rows, sees_people=False), search=partial(_about_thing, sees_people=False))

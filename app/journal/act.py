"""The one door: an action is one transaction, one journal entry, and one answer to its key."""

import hashlib
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from sqlalchemy import bindparam, delete, insert, select, text, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from app import clock
from app.db import House, RecordSession, canonical_json
from app.errors import NotAllowed, Reason, Refused, bad_input, not_allowed, refuse
from app.journal.actions import ACTIONS
from app.journal.models import Entry, Request, entry_number
from app.journal.record import EntryNumber, Overtaken, collected, combined, start_collecting
from app.listed import Question, among, hear, say, together

HOLDS_LOCK = 7201  # PostgreSQL advisory lock: shared by every act until its commit, taken alone by one that places or releases a hold
_NAMES_LOCK = 7203  # taken alone by an act that looks whether nothing has a name yet, and then gives it
_TRIES = 3
_LONG_SECONDS = 3.0  # who has waited this long is told, and decides
_KEY_DAYS = 90
_EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)  # clocks count from there: an earlier time is a field that was left empty

# statements of every act: made once, as making one costs more than sending it
_ALONE, _SHARED = (text(f"select {name}({HOLDS_LOCK})") for name in ("pg_advisory_xact_lock", "pg_advisory_xact_lock_shared"))
_TO_NAME = text(f"select pg_advisory_xact_lock({_NAMES_LOCK})")
_NEXT = select(entry_number.next_value())
_NEW_ENTRY = insert(Entry.__table__)  # type: ignore[arg-type]
_BLANK = text("""
    insert into entry (id, action, actor_kind, actor, actor_name, arguments, happened_at, source, recorded_at, outcome, signed, fact, digest)
    select coalesce(max(id), 0) + 1, '', '', 0, '', '{}', '', '', '', 'done', false, false, x'' from entry returning id
""")
_FILLED_IN = update(Entry.__table__).where(Entry.id == bindparam("number")).values(  # type: ignore[arg-type]
    {column: bindparam(f"new_{column.name}") for column in Entry.__table__.columns if column.name != "id"}
)
_CLAIMED = {
    kind: insert(Request.__table__).on_conflict_do_nothing().returning(Request.key)  # type: ignore[arg-type]
    for kind, insert in (("sqlite", sqlite.insert), ("postgresql", postgresql.insert))
}
_ANSWERED = (
    update(Request.__table__)  # type: ignore[arg-type]
    .where(Request.actor == bindparam("of"), Request.key == bindparam("to"))
    .values(entry=bindparam("by"), answer=bindparam("said"), refused=bindparam("no"))
)


@dataclass(frozen=True)
class Actor:
    """Who acts: a person, a machine's token, or the system; with the duties that they have here."""

    kind: str
    id: int
    name: str
    duties: frozenset[str] = frozenset()

    @property
    def text(self) -> str:
        return f"{self.kind}:{self.id}"


SYSTEM = Actor("system", 0, "the system", frozenset({"operate", "lead", "quality", "engineer", "administer"}))


@dataclass(frozen=True)
class By:
    """What a verb knows of the action that it is part of: who, the entry's number, and the times."""

    actor: Actor
    number: EntryNumber
    now: datetime
    happened_at: datetime
    source: str = "server"
    fact: bool = False
    signed: bool = False
    alone: bool = False
    awaited: list[Callable[[], None]] = field(default_factory=list)  # before the commit: what the disk must have by then, and writes meanwhile

    @property
    def e(self) -> int:
        """The entry's number. Read it only after the locks are taken."""
        return self.number.value

    def must_be_alone(self) -> None:
        """Call before placing or releasing a hold: begins the action again, alone, when it was not so from the start."""
        if not self.alone:
            raise _NeedsToBeAlone


@dataclass(frozen=True)
class Answer:
    body: dict[str, Any]
    entry: int
    repeated: bool = False


class _NeedsToBeAlone(Exception):
    pass


class _AnsweredBefore(Exception):
    pass


Verb = Callable[[Session, By], dict[str, Any]]


def act(
    house: House,
    actor: Actor,
    action: str,
    arguments: dict[str, Any],
    verb: Verb,
    *,
    key: str | None = None,
    happened_at: datetime | None = None,
    source: str = "server",
    fact: bool = False,
    signed: bool = False,
    alone: bool = False,
    caller: Actor | None = None,
) -> Answer:
    """Do `verb` once and for all. It is called again, from the start, when the database asks for another try or another act was before it.

    `arguments` go into the journal as they are: JSON values, nothing secret. `key` makes a repeat harmless: the first answer
    comes back. `happened_at` is stated time, none that is still to come; `fact` marks what is told after it happened. `caller` brings
    the actor's signature; the key is among the caller's own. Raises `Refused`.
    """
    _check_duty(actor, action, signed=signed)
    _check_time(happened_at)
    content = _content_digest([action, arguments, happened_at and happened_at.isoformat(), fact])
    attempt = _Attempt(actor, action, arguments, content, key, happened_at, source, fact, signed, (caller or actor).text)
    try:
        return _tried(house, attempt, verb, alone=alone or ACTIONS[action].alone)
    except _NeedsToBeAlone:
        return _tried(house, attempt, verb, alone=True)


@dataclass(frozen=True)
class _Attempt:
    actor: Actor
    action: str
    arguments: dict[str, Any]
    content: bytes
    key: str | None
    happened_at: datetime | None
    source: str
    fact: bool
    signed: bool
    asker: str  # whose key it is


def _tried(house: House, attempt: _Attempt, verb: Verb, *, alone: bool) -> Answer:
    for tries in range(_TRIES + 1):
        began = time.monotonic()
        try:
            return _once(house, attempt, verb, alone=alone)
        except Overtaken:
            if tries == _TRIES:
                raise
        except DBAPIError as error:
            if tries == _TRIES or not _worth_another_try(error) or time.monotonic() - began > _LONG_SECONDS:
                raise
            time.sleep(0.02 * (tries + 1))
    raise AssertionError("unreachable")


@dataclass(frozen=True)
class Intent:
    """An act that is only rehearsed."""

    action: str
    arguments: dict[str, Any]
    verb: Verb
    happened_at: datetime


class _Rehearsed(Exception):
    pass


def rehearse(house: House, actor: Actor, intents: Sequence[Intent], *, source: str, fact: bool) -> list[dict[str, Any] | Refused]:
    """What these acts, one after the other, would answer: up to the first that would be refused. Nothing of it stays on the record."""
    answers: list[dict[str, Any] | Refused] = []
    try:
        with house.writing() as session:
            together(session, *_holds_lock(house, alone=True))
            for intent in intents:
                answers.append(_rehearsed(house, session, actor, intent, source, fact=fact))
                if isinstance(answers[-1], Refused):
                    break
            raise _Rehearsed
    except _Rehearsed:
        return answers


def _rehearsed(house: House, session: RecordSession, actor: Actor, intent: Intent, source: str, *, fact: bool) -> dict[str, Any] | Refused:
    _check_duty(actor, intent.action, signed=True)
    _check_time(intent.happened_at)
    attempt = _Attempt(actor, intent.action, intent.arguments, b"", None, intent.happened_at, source, fact, signed=True, asker="")
    by = By(actor, _number_of_entry(house, session), clock.now(), intent.happened_at, source, fact, signed=True, alone=True)
    start_collecting(session)
    try:
        body = intent.verb(session, by)
        session.flush()
        hear(session)
    except Refused as refusal:
        return refusal  # nothing is rehearsed after it
    together(session, _entry(house, attempt, by, combined(collected(session)), None))  # the next one's number comes after it
    return body


def _check_duty(actor: Actor, action: str, *, signed: bool) -> None:
    known = ACTIONS[action]
    if not actor.duties & set(known.duties):
        raise not_allowed(actor.name, known.words, known.duties)
    if known.signed and not signed:
        raise NotAllowed(
            f"{actor.name} has not signed.",
            Reason("password", f"A signature is needed to {known.words}: your password again.", "Give your password."),
        )


def _check_time(stated: datetime | None) -> None:
    """Nothing has happened that is still to come, or before any clock of a machine: who states so has a wrong clock, a wrong zone or a wrong day."""
    now = clock.now()
    if stated is not None and stated < _EARLIEST:
        why = f"It was stated for {stated.astimezone(UTC):%Y-%m-%d}."
        raise bad_input("That time is before all records.", "happened_at", why, "State when it happened, or leave it out; or set the clock.")
    if stated is not None and stated > now + clock.MAY_DIFFER:
        why = f"It was stated for {stated.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC, and now it is {now:%Y-%m-%d %H:%M:%S} UTC."
        raise bad_input("That time is still to come.", "happened_at", why, "State when it happened, with its zone; or set the clock that said so.")


def _content_digest(content: list[Any]) -> bytes:
    """Tells a repeat of a request from another one with its key. JSON may carry half a character, which no database keeps."""
    try:
        return hashlib.sha256(canonical_json(content).encode()).digest()
    except UnicodeEncodeError as half:
        broken = half.object[max(0, half.start - 20) : half.start]
        why = f"It has half a character (a lone surrogate) after {broken!r}."
        raise bad_input("That can't be kept.", "text", why, "Send whole characters.") from None


def _once(house: House, attempt: _Attempt, verb: Verb, *, alone: bool) -> Answer:
    with house.writing() as session:
        try:
            by, body, refusal = _done(house, session, attempt, verb, alone=alone)
            entry = _entry(house, attempt, by, combined(collected(session)), refusal)
        except _AnsweredBefore:
            session.rollback()
            return _earlier_answer(session, attempt)
        say(session, entry, *_answer_kept(attempt, by, body, refused=refusal is not None))
        for wait in by.awaited:
            wait()
    if refusal:
        raise refusal
    return Answer(body, by.e)


def _done(house: House, session: RecordSession, attempt: _Attempt, verb: Verb, *, alone: bool) -> tuple[By, dict[str, Any], Refused | None]:
    """What the verb answers, or why it refuses. The key and the lock go with what it asks first: a repeat is told there, by `_AnsweredBefore`."""
    say(session, *_claim(session, attempt), *_holds_lock(house, alone=alone))
    by = _by(house, session, attempt, alone=alone)
    try:
        body = verb(session, by)
        session.flush()
        return by, body, None
    except Refused as refused:
        session.rollback()  # all of it, its key and its locks too: what follows is a transaction of its own
        # a twin that waited for the key meanwhile may have it, or one before, where nothing was asked
        say(session, *_claim(session, attempt), *_holds_lock(house, alone=False))
        if refused.kind == "bad_input":
            hear(session)
            raise  # malformed input keeps no key and no entry
        return _by(house, session, attempt, alone=alone), refusal_as_json(refused), refused


def _by(house: House, session: RecordSession, attempt: _Attempt, *, alone: bool) -> By:
    """Who acts, in a transaction that has written nothing yet."""
    start_collecting(session)
    now, number = clock.now(), _number_of_entry(house, session)
    return By(attempt.actor, number, now, attempt.happened_at or now, attempt.source, attempt.fact, attempt.signed, alone)


def _claim(session: Session, attempt: _Attempt) -> list[Question[None]]:
    """Of the key. Waits for a twin that is being answered right now."""
    if attempt.key is None:
        return []
    row = {
        "actor": attempt.asker, "key": attempt.key, "content": attempt.content, "refused": False,
        "entry": None, "answer": None, "made_at": clock.now(),
    }  # fmt: skip

    def told(claimed: list[Any]) -> None:
        if not claimed:
            raise _AnsweredBefore

    return [Question(_CLAIMED[session.get_bind().dialect.name], row, told)]


def _earlier_answer(session: Session, attempt: _Attempt) -> Answer:
    kept = session.get_one(Request, (attempt.asker, attempt.key))
    if kept.content != attempt.content:
        why = f"It has the key of what was sent before it, {attempt.key}, and is something else."
        now = "If it is to be done too, open the page again and send it from there. Machines: a new key."
        raise refuse("key_reused", "This was not done.", why, now)
    if kept.refused:
        raise refusal_from_json(kept.answer or {})
    return Answer(kept.answer or {}, kept.entry or 0, repeated=True)


def _holds_lock(house: House, *, alone: bool) -> list[Question[Any]]:
    """SQLite has one writer: every act is alone."""
    return [Question(_ALONE if alone else _SHARED, {})] if house.kind == "postgresql" else []


def _number_of_entry(house: House, session: Session) -> EntryNumber:
    """On SQLite the entry's row is there once it is drawn, blank: put in after the rows that name it, it would be looked for in every table."""
    return EntryNumber(session, _NEXT if house.kind == "postgresql" else _BLANK)


def _entry(house: House, attempt: _Attempt, by: By, digest: bytes, refusal: Refused | None) -> Question[Any]:
    arguments = attempt.arguments if refusal is None else attempt.arguments | {"refused": refusal_as_json(refusal)}
    row = {
        "action": attempt.action, "actor_kind": by.actor.kind, "actor": by.actor.id, "actor_name": by.actor.name,
        "arguments": arguments, "happened_at": by.happened_at, "source": by.source, "recorded_at": by.now,
        "outcome": "refused" if refusal else "done", "signed": by.signed, "fact": by.fact, "digest": digest,
    }  # fmt: skip
    if house.kind == "postgresql":
        return Question(_NEW_ENTRY, row | {"id": by.e})
    return Question(_FILLED_IN, {"number": by.e} | {f"new_{name}": value for name, value in row.items()})


def _answer_kept(attempt: _Attempt, by: By, body: dict[str, Any], *, refused: bool) -> list[Question[Any]]:
    if attempt.key is None:
        return []
    return [Question(_ANSWERED, {"of": attempt.asker, "to": attempt.key, "by": by.e, "said": body, "no": refused})]


def forget_old_keys(house: House) -> int:
    """Keys live 90 days."""
    with house.writing() as session:
        gone = session.execute(delete(Request).where(Request.made_at < clock.now() - timedelta(days=_KEY_DAYS)))
        return gone.rowcount  # type: ignore[attr-defined, no-any-return]


def refusal_as_json(refusal: Refused) -> dict[str, Any]:
    return {"what": refusal.what, "reasons": [vars(reason) for reason in refusal.reasons]}


def refusal_from_json(kept: dict[str, Any]) -> Refused:
    return Refused(kept["what"], *(Reason(**reason) for reason in kept["reasons"]))


def lock(session: Session, table: Any, ids: list[int]) -> None:
    """Locks rows in id order, so that two acts that cross wait in line. SQLite has one writer and needs none."""
    lock_in_order(session, (table, ids))


def lock_in_order(session: Session, *rows: tuple[Any, list[int]]) -> None:
    """The same of several tables, one after the other in one journey: items before what they are in or on."""
    if session.get_bind().dialect.name == "postgresql":
        together(session, *(Question(_locking(table), {"ids": ids}, list) for table, ids in rows if ids))


def turn_to_name(session: Session) -> list[Question[Any]]:
    """To be asked before whether a name from outside is free: names are not unique, so of two acts at once each would find it so."""
    return [Question(_TO_NAME, {})] if session.get_bind().dialect.name == "postgresql" else []


@cache
def _locking(table: Any) -> Any:
    return select(table.id).where(among(table.id, "ids")).order_by(table.id).with_for_update()


def _worth_another_try(error: DBAPIError) -> bool:
    state = getattr(error.orig, "sqlstate", None)
    return state in ("40001", "40P01") or "database is locked" in str(error.orig) or "busy" in str(error.orig)

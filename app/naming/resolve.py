"""What a scanned or typed text names: a code of ours first, then the aliases that have that value."""

from dataclasses import dataclass
from datetime import datetime
from functools import cache
from itertools import count

from sqlalchemy import String, TextClause, select
from sqlalchemy.orm import Session

from app import codes
from app.errors import NotFound, Reason, Refused, few, short, unknown
from app.journal.act import By
from app.journal.record import enter
from app.listed import Question, listed, together, tuples
from app.naming.models import Alias, Code

_CHOSEN = ("panel", "person")  # codes that others choose: a frame's own mark, a badge. No other can meet one that is there
_FAR = 1_000_000
_KNOWN, _KNOWN_OF_ITEMS = "codes_known", "codes_known_of_items"
_OF_CODE = listed("select kind, thing, code from code where code = :code", code=String())
_CODES_OF_ITEMS = listed(
    """
    select c.thing, c.code, c.kind from item i cross join code c where i.id in :items and c.kind = i.kind and c.thing = i.id
    """,
    "items",
)


@dataclass(frozen=True)
class Named:
    """A thing of ours: its kind, its id in the kind's table, its code."""

    kind: str
    id: int
    code: str


def resolve(session: Session, text: str, *kinds: str) -> Named:
    """The one thing that `text` names, of one of `kinds` if given. Raises unknown_code or ambiguous_code."""
    return _the_one(text, kinds, candidates(session, text, *kinds))


def resolve_at(session: Session, text: str, station: str) -> tuple[Named, Named]:
    """What `text` names, and a station: one journey where both are codes of ours."""
    coded, coded_station = together(session, _coded(text), _coded(station))
    return (
        _the_one(text, (), _candidates(session, text, (), coded)),
        _the_one(station, ("station",), _candidates(session, station, ("station",), coded_station)),
    )


def _the_one(text: str, kinds: tuple[str, ...], found: list[Named]) -> Named:
    if not found:
        raise _unknown(text, kinds)
    if len(found) > 1:
        names = few((f"{named.code} ({named.kind})" for named in found), 10)
        raise Refused(
            f"{text!r} is the number of several things.",
            Reason("ambiguous_code", f"It may be {names}.", "Scan the code of the one that is meant."),
        )
    return found[0]


def candidates(session: Session, text: str, *kinds: str) -> list[Named]:
    return _candidates(session, text, kinds, *together(session, _coded(text)))


def _coded(text: str) -> Question[list[Named]]:
    return Question(_OF_CODE, {"code": codes.tidy(text) if _may_be(text) else ""}, lambda rows: [Named(*row) for row in rows])


def _may_be(text: str) -> bool:
    """No code has control characters, and PostgreSQL takes no zero byte."""
    return text.isprintable()


def _candidates(session: Session, text: str, kinds: tuple[str, ...], coded: list[Named]) -> list[Named]:
    """`coded`: what has it for a code of ours."""
    if not _may_be(text):
        return []
    if ours := [named for named in coded if not kinds or named.kind in kinds]:
        return ours
    query = (
        select(Code.kind, Code.thing, Code.code)
        .join(Alias, (Alias.kind == Code.kind) & (Alias.thing == Code.thing))
        .where(Alias.value == text.strip(), Alias.closed_e.is_(None))
        .distinct()
        .order_by(Code.code)
    )
    if kinds:
        query = query.where(Code.kind.in_(kinds))
    return [Named(*row) for row in session.execute(query)]


def code_of(session: Session, kind: str, thing: int) -> str:
    return codes_of(session, kind, [thing])[thing]


def codes_of(session: Session, kind: str, things: list[int]) -> dict[int, str]:
    """The codes of many things of one kind: at most one statement. A code stays, so a session asks for each once."""
    known: dict[tuple[str, int], str] = session.info.setdefault(_KNOWN, {})
    if missing := [thing for thing in things if (kind, thing) not in known]:
        known |= {(kind, thing): code for thing, code in tuples(session, _codes_of(kind), things=missing)}
    return {thing: known[kind, thing] for thing in things if (kind, thing) in known}


@cache
def _codes_of(kind: str) -> TextClause:
    return listed(f"select thing, code from code where kind = '{kind}' and thing in :things", "things")


def codes_of_items(session: Session, items: list[int]) -> dict[int, str]:
    """The codes of many items, whatever they are: items share one row of ids."""
    known: dict[tuple[str, int], str] = session.info.setdefault(_KNOWN, {})
    of_items: dict[int, str] = session.info.setdefault(_KNOWN_OF_ITEMS, {})
    for item, code, kind in tuples(session, _CODES_OF_ITEMS, items=[item for item in items if item not in of_items]):
        known[kind, item] = of_items[item] = code
    return {item: of_items[item] for item in items if item in of_items}


def give_code(session: Session, by: By, kind: str, thing: int) -> str:
    """The code that a new thing of ours carries from now on, made from its id and the year."""
    if kind in _CHOSEN:  # another may have chosen the very next one: then nothing of this kind could be made any more
        numbers = (dated_code(kind, thing + n * _FAR, by.now) for n in count())
        return take_code(session, by, kind, thing, next(code for code in numbers if session.get(Code, code) is None))
    row = code_for(session, by, kind, thing)
    enter(session, row)
    return row.code


def code_for(session: Session, by: By, kind: str, thing: int) -> Code:
    """The same, to be entered with the thing itself."""
    return _code(session, by, kind, thing, dated_code(kind, thing, by.now))


def take_code(session: Session, by: By, kind: str, thing: int, code: str) -> str:
    """A code that was chosen elsewhere (a frame's own mark, a part of a lot). It must be free."""
    if session.get(Code, code) is not None:
        raise Refused(f"The code {code} is taken.", Reason("bad_input", "One code belongs to one thing.", "Use another code.", code))
    enter(session, _code(session, by, kind, thing, code))
    return code


def _code(session: Session, by: By, kind: str, thing: int, code: str) -> Code:
    session.info.setdefault(_KNOWN, {})[kind, thing] = code
    return Code(e=by.e, code=code, kind=kind, thing=thing)


def dated_code(kind: str, thing: int, when: datetime) -> str:
    if kind in ("container", "station", "person", "terminal", "card"):  # they outlive years
        return codes.make(kind, f"-{thing:04d}")
    return codes.dated(kind, when.year, thing)


def add_alias(session: Session, by: By, named: Named, whose: str, what: str, value: str) -> None:
    session.add(alias_for(by, named, whose, what, value))


def alias_for(by: By, named: Named, whose: str, what: str, value: str) -> Alias:
    """The same, to be entered with the thing itself."""
    return Alias(e=by.e, kind=named.kind, thing=named.id, whose=whose, what=what, value=value.strip())


def _unknown(text: str, kinds: tuple[str, ...]) -> NotFound:
    code, expected = codes.tidy(text), f"the code of a {' or '.join(kinds)}" if kinds else "a code of this factory"
    if codes.is_of_step(code):
        why = "It stands beside a row of a lot's sheet, for who enters what was written there."
        return NotFound(f"{code} is the code of a step on paper.", Reason("unknown_code", why, "Scan the lot's own code, at the top of its sheet."))
    if codes.is_misread(code):
        why = "Its last character does not fit the others: it was mistyped or misread."
        return NotFound(f"Nothing here has the code {short(text)!r}.", Reason("unknown_code", why, "Scan it again, or type it once more."))
    if kinds and (kind := codes.kind_told(code)) is not None and kind not in kinds:
        return NotFound(f"{code} is the code of another kind: {kind}.", Reason("unknown_code", f"Expected {expected}.", "Scan or choose that."))
    return unknown(text, expected)

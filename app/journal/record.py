"""What a row on the record is: inserted once, closed at most once, and digested into the entry that did it."""

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from functools import cache
from itertools import count
from typing import Any, ClassVar, Self, TypeVar, cast

from sqlalchemy import ForeignKey, Index, String, Table, TextClause, bindparam, event, inspect, select, text, tuple_
from sqlalchemy.orm import Mapped, Session, declared_attr, make_transient_to_detached, mapped_column
from sqlalchemy.orm.attributes import set_committed_value
from sqlalchemy.orm.util import identity_key

from app.db import Base, RecordSession
from app.journal.spelling import Rows, speller
from app.listed import Question, say, together

_HASHES = "record_hashes"
_OLD_MODULUS = 1 << 256  # of entries that an earlier version wrote
_COUNTED = 1 << 320  # added to each hash: above their sum stands how many they are
_DIGEST_BYTES = 48


def entry_ref(*, nullable: bool = False) -> Any:
    """A column that names a journal entry. Deferred: the entry is written last, when its digest is known."""
    return mapped_column(ForeignKey("entry.id", deferrable=True, initially="DEFERRED"), nullable=nullable)


def one_open(table: str, *columns: str) -> Index:
    """At most one row that is not closed for the same columns."""
    still = text("closed_e is null")
    return Index(f"uq_{table}_open_{'_'.join(columns)}", *columns, unique=True, sqlite_where=still, postgresql_where=still)


def open_only(table: str, *columns: str) -> Index:
    """An index over the rows that are not closed. It names `closed_e` too: SQLite takes the index of which a condition uses the most columns."""
    still = text("closed_e is null")
    return Index(f"ix_{table}_open_{'_'.join(columns)}", *columns, "closed_e", sqlite_where=still, postgresql_where=still)


# `updates` of a table whose rows are locked and have nothing to close: PostgreSQL locks a row only for who may update one of its columns.
# This one, as foreign keys let nobody change it where another row names it
TO_LOCK = ("id",)


class Recorded:
    """A row that is inserted by one entry and never changed."""

    closing: ClassVar[tuple[str, ...]] = ()

    @declared_attr
    def e(cls) -> Mapped[int]:
        return entry_ref()  # type: ignore[no-any-return]


class Closable(Recorded):
    """A row whose closing columns go from empty to a value once, with the entry that closed them."""

    closing: ClassVar[tuple[str, ...]] = ("closed_e",)

    @declared_attr
    def closed_e(cls) -> Mapped[int | None]:
        return entry_ref(nullable=True)  # type: ignore[no-any-return]


class RecordBroken(Exception):
    """Code tried to overwrite or delete a row on the record: a mistake of ours, never of the user."""


class Overtaken(RecordBroken):
    """The row was closed by another act after this one had read it open. Begun again, this one sees that, and says so itself."""


R = TypeVar("R", bound=Recorded)


def insert_hash(cls: type[Recorded], values: Sequence[Any]) -> int:
    """What the entry that inserted a row wrote: all but the closing columns. `values`: of all columns, in the table's order."""
    return insert_hashes(cls, [values])[0]


def closing_hash(cls: type[Recorded], values: Sequence[Any]) -> int:
    """What the entry that closed a row wrote: the closing columns, under the row's key."""
    return closing_hashes(cls, [values])[0]


def insert_hashes(cls: type[Recorded], rows: Rows, *, stored: bool = False) -> list[int]:
    """`stored`: values as the driver has them."""
    inserted = [column.name for column in cls.__table__.columns if column.name not in cls.closing]  # type: ignore[attr-defined]
    return _hashes(speller(cls.__table__, tuple(inserted), "inserted ", stored=stored)(rows))  # type: ignore[attr-defined]


def closing_hashes(cls: type[Recorded], rows: Rows, *, stored: bool = False) -> list[int]:
    closed = dict.fromkeys([*(column.name for column in cls.__table__.primary_key), *cls.closing])  # type: ignore[attr-defined]
    return _hashes(speller(cls.__table__, tuple(closed), "closed ", stored=stored)(rows))  # type: ignore[attr-defined]


def _hashes(texts: list[str]) -> list[int]:
    sha256, number = hashlib.sha256, int.from_bytes
    return [number(sha256(text.encode()).digest(), "big") + _COUNTED for text in texts]


def combined(hashes: Iterable[int]) -> bytes:
    """The digest of an entry: its row hashes added, so that it does not depend on the order of rows, and their number.

    Without the number a few tens of thousands of made-up rows could be found whose hashes add up to any sum, in minutes (D. Wagner,
    "A Generalized Birthday Problem", 2002).
    """
    return sum(hashes).to_bytes(_DIGEST_BYTES, "big")


def is_digest_of(digest: bytes, added: int) -> bool:
    """Whether these are the row hashes, added, that an entry was written with; by an earlier version modulo 2**256 and without their number."""
    return digest == added.to_bytes(_DIGEST_BYTES, "big") if len(digest) == _DIGEST_BYTES else digest == (added % _OLD_MODULUS).to_bytes(32, "big")


def start_collecting(session: RecordSession) -> None:
    session.info[_HASHES] = []


def collected(session: RecordSession) -> list[int]:
    return session.info[_HASHES]  # type: ignore[no-any-return]


@event.listens_for(RecordSession, "before_flush")
def _close_what_is_open(session: RecordSession, _context: Any, _instances: Any) -> None:
    """Of two acts that read a row open, the second waits here for the first. SQLite lets one act at a time read and write."""
    if session.get_bind().dialect.name == "sqlite":
        return
    closing: defaultdict[Table, list[tuple[Any, ...]]] = defaultdict(list)
    for row in session.dirty:
        if isinstance(row, Closable) and inspect(row).attrs.closed_e.history.added:
            closing[type(row).__table__].append(cast(Any, inspect(row)).identity)  # type: ignore[attr-defined]
    for table, keys in closing.items():
        open_ones = select(*table.primary_key).where(tuple_(*table.primary_key).in_(keys), table.c.closed_e.is_(None))
        if len(session.connection().execute(open_ones.order_by(*table.primary_key).with_for_update(key_share=True)).all()) < len(keys):
            raise Overtaken(f"{table.name} is on the record and can't be closed again")


@event.listens_for(RecordSession, "after_flush")
def _digest_what_was_written(session: RecordSession, _context: Any) -> None:
    new, deleted = session.new, session.deleted  # each is made anew when it is asked for
    for row in [*new, *session.dirty, *deleted]:
        if not isinstance(row, Recorded):
            continue
        hashes = _collecting(session, type(row).__table__)  # type: ignore[attr-defined]
        if row in deleted:
            raise RecordBroken(f"{type(row).__name__} deleted")
        hashes += _hashes_of(row, new=row in new)


def _hashes_of(row: Recorded, *, new: bool) -> list[int]:
    table: Table = type(row).__table__  # type: ignore[attr-defined]
    values = {column.name: getattr(row, column.name) for column in table.columns}
    if new:
        return _hashes_of_new(type(row), values)
    changed = [name for name in values if inspect(row).attrs[name].history.has_changes()]
    if not changed:
        return []
    for name in changed:
        before = inspect(row).attrs[name].history.deleted
        if name not in type(row).closing or any(value is not None for value in before):
            raise RecordBroken(f"{table.name}.{name} is on the record and can't be changed")
    return [closing_hash(type(row), tuple(values.values()))]


def _hashes_of_new(cls: type[Recorded], values: dict[str, Any]) -> list[int]:
    hashes = [insert_hash(cls, tuple(values.values()))]
    return hashes if values.get("closed_e") is None else [*hashes, closing_hash(cls, tuple(values.values()))]


class AtOnce:
    """What an act writes in one journey to the database, past the session's unit of work: for what is written all day.

    Rows to insert, which have their ids from `number` where another names them, rows to close, and what else is said with them. It goes out
    when the block ends well; where nothing of it tells anything, with what the act asks next, or with its commit. Afterwards the rows are as
    if the session had read them. `asked_for=False`: nobody will ask the session for what is entered, so it is not told: a sixth of a received
    wafer.
    """

    def __init__(self, session: Session, *, asked_for: bool = True) -> None:
        self.session, self._asked_for = session, asked_for
        self._questions: list[Question[Any]] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, broken: object, *_: object) -> None:
        if broken is None:
            send = together if any(one.told for one in self._questions) else say
            send(self.session, *self._questions)

    def ask(self, question: Question[Any]) -> None:
        self._questions.append(question)

    def enter(self, *rows: Recorded) -> None:
        for row in rows:
            self._enter(row, type(row).__table__)  # type: ignore[attr-defined]

    def close(self, row: Closable, **closing: Any) -> None:
        """Closing columns get their values, once."""
        table: Table = type(row).__table__  # type: ignore[attr-defined]
        hashes = _collecting(self.session, table)
        if "closed_e" not in closing or not closing.keys() <= set(type(row).closing):
            raise RecordBroken(f"{table.name} is not closed by {', '.join(closing)}")
        keys = {column.name: getattr(row, column.name) for column in table.primary_key}

        def told(were_open: list[Any]) -> None:
            if not were_open:
                raise Overtaken(f"{table.name} is on the record and can't be closed again")
            for name, value in closing.items():
                set_committed_value(row, name, value)
            hashes.append(closing_hash(type(row), tuple(getattr(row, name) for name in _names(table))))

        self.ask(Question(_closing(table, tuple(closing)), keys | closing, told))

    def _enter(self, row: Recorded, table: Table) -> None:
        hashes = _collecting(self.session, table)
        given = {name: row.__dict__.get(name) for name in _names(table)}
        lacks_id = "id" in given and given["id"] is None

        def told(answer: Sequence[Any] = ()) -> None:
            if lacks_id:
                given["id"] = answer[0].id
            if self._asked_for:
                row.__dict__.update(given)
                make_transient_to_detached(row)
                self.session.add(row)
            hashes.extend(_hashes_of_new(type(row), given))

        values = {name: given[name] for name in given if not lacks_id or name != "id"}
        self.ask(Question(_inserting(table, lacks_id=lacks_id), values, told if lacks_id else None))
        if not lacks_id:
            told()


def enter(session: Session, *rows: Recorded) -> None:
    with AtOnce(session) as writes:
        writes.enter(*rows)


def close(session: Session, row: Closable, **closing: Any) -> None:
    with AtOnce(session) as writes:
        writes.close(row, **closing)


class EntryNumber:
    """The entry's number, drawn when the verb first writes: after its locks, so that the order of numbers is the order of writes."""

    def __init__(self, session: Session, drawing: Any) -> None:
        self._session, self._drawing, self._drawn = session, drawing, 0

    @property
    def value(self) -> int:
        if not self._drawn:
            together(self._session, *self.questions())
        return self._drawn

    def questions(self) -> list[Question[Any]]:
        """To be asked with others; none when it is drawn."""
        return [] if self._drawn else [Question(self._drawing, {}, self._told)]

    def _told(self, rows: list[Any]) -> None:
        ((self._drawn,),) = rows


def number(session: Session, entry: EntryNumber, *rows: Recorded, asking: Sequence[Question[Any]] = ()) -> list[Any]:
    """Gives rows their entry, and the ids with which they will be entered, so that others can name them: one journey for all.

    `asking`: what the verb must know before it enters them, answered in the same journey.
    """
    ids = _ids_for([type(row).__tablename__ for row in rows], session.get_bind().dialect.name)  # type: ignore[attr-defined]
    *answers, drawn = together(session, *asking, *entry.questions(), ids)
    for row, given in zip(cast(Sequence[Any], rows), drawn, strict=True):
        row.id, row.e = given, entry.value
    return answers[: len(asking)]


def read(session: Session, cls: type[R], statement: Any, **given: Any) -> list[R]:
    """The rows of a table that a statement gives whole, as they are now: what `session.scalars` answers, in a third of the time."""
    (rows,) = together(session, reading(session, cls, statement, **given))
    return cast(list[R], rows)


def reading(session: Session, cls: type[R], statement: Any, **given: Any) -> Question[list[R]]:
    """As `read`, to be asked together with other questions."""
    table: Table = cls.__table__  # type: ignore[attr-defined]
    names, keys = _names(table), [column.name for column in table.primary_key]

    def told(values: Any) -> R:
        row = session.identity_map.get(identity_key(cls, tuple([getattr(values, key) for key in keys])))
        if row is None:
            row = inspect(cls).class_manager.new_instance()
            row.__dict__.update(zip(names, values, strict=True))
            make_transient_to_detached(row)
            session.add(row)
        else:
            for name, value in zip(names, values, strict=True):
                set_committed_value(row, name, value)
        return cast(R, row)

    return Question(statement, given, lambda rows: [told(row) for row in rows])


def _collecting(session: Session, table: Table) -> list[int]:
    hashes: list[int] | None = session.info.get(_HASHES)
    if hashes is None:
        raise RecordBroken(f"{table.name} written outside journal.act")
    return hashes


@cache
def _names(table: Table) -> tuple[str, ...]:
    return tuple(column.name for column in table.columns)


@cache
def _inserting(table: Table, *, lacks_id: bool) -> TextClause:
    columns = [column for column in table.columns if not (lacks_id and column.name == "id")]
    names, values = ", ".join(f'"{one.name}"' for one in columns), ", ".join(f":{one.name}" for one in columns)
    statement = text(f'insert into "{table.name}" ({names}) values ({values})' + (" returning id" if lacks_id else ""))
    return statement.bindparams(*(bindparam(one.name, type_=one.type) for one in columns))


def _ids_for(tables: Sequence[str], kind: str) -> Question[list[int]]:
    """An id for a row in each of these tables, as the database would give it itself."""
    if kind == "postgresql":
        return Question(_DRAWN, {"tables": " ".join(tables)}, lambda rows: [drawn for (drawn,) in rows])
    names = tuple(dict.fromkeys(tables))

    def counted_up(rows: list[Any]) -> list[int]:
        following = {name: count(highest + 1) for name, highest in zip(names, rows[0], strict=True)}
        return [next(following[table]) for table in tables]

    return Question(_highest(names), {}, counted_up)


# one text: to send an array takes the driver as long as to send five rows. A table's ids are drawn from the sequence that is named after it
_DRAWN = text(
    "select nextval(wanted.of || '_id_seq') from unnest(string_to_array(:tables, ' ')) with ordinality as wanted (of, place) order by place"
).bindparams(bindparam("tables", type_=String()))


@cache
def _highest(tables: tuple[str, ...]) -> TextClause:
    return text("select " + ", ".join(f'(select coalesce(max(id), 0) from "{table}")' for table in tables))


@cache
def _closing(table: Table, names: tuple[str, ...]) -> TextClause:
    """Answers a row when it was open."""
    changes = ", ".join(f'"{name}" = :{name}' for name in names)
    which = " and ".join(f'"{key.name}" = :{key.name}' for key in table.primary_key)
    statement = text(f'update "{table.name}" set {changes} where {which} and closed_e is null returning 1')
    return statement.bindparams(*(bindparam(name, type_=table.c[name].type) for name in (*names, *(key.name for key in table.primary_key))))


def recorded_classes() -> list[type[Recorded]]:
    """Every mapped class whose rows are on the record."""
    return sorted(
        (m.class_ for m in Base.registry.mappers if issubclass(m.class_, Recorded)), key=lambda cls: cls.__tablename__  # type: ignore[attr-defined]
    )

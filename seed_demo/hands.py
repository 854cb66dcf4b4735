"""The hands of the invented people: each movement is one act of the program, at a stated time. No rule of the floor is decided here."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Part, Product, Recipe, Route, Station
from app.db import House
from app.journal.act import SYSTEM, Actor, By, act
from app.ledger.runs import Line, Run
from app.naming.resolve import Named, code_of, resolve
from app.people.people import actor_of, everyone

T = TypeVar("T")


@dataclass
class Person:
    id: int
    actor: Actor
    badge: str
    certificates: frozenset[str]


@dataclass
class Bench:
    """A station, with what the simulator knows is on it."""

    id: int
    code: str
    body: Station
    free_at: datetime
    on: dict[str, "Material"] = field(default_factory=dict)  # place -> material

    @property
    def name(self) -> str:
        return self.body.name


@dataclass
class Material:
    """A batch in use: how many units it still serves, and until when."""

    named: Named
    part: str
    left: int
    until: datetime | None


class Hands:
    """Acts, people, stations and the catalogue of one installation."""

    def __init__(self, house: House, begins: datetime) -> None:
        self.house = house
        self.acts = 0
        self.last = begins  # what is entered at once is entered in the order of time
        with house.reading() as session:
            self.routes: dict[str, Route] = {}
            for product in catalogue.every(session, "product"):
                route = catalogue.active_route(session, product.name)
                self.routes[product.name] = route.body
            self.products: dict[str, Product] = {one.name: one.body for one in catalogue.every(session, "product")}
            self.recipes: dict[str, Recipe] = {one.name: one.body for one in catalogue.every(session, "recipe")}
            self.parts: dict[str, Part] = {one.name: one.body for one in catalogue.every(session, "part")}
            self.benches = [Bench(one.id, code_of(session, "station", one.id), one.body, begins) for one in catalogue.every(session, "station")]
            self.people = [
                Person(one.id, actor_of(session, one.id), one.badge, frozenset(certificate.name for certificate in one.certificates))
                for one in everyone(session)
            ]

    def do(self, who: Person | None, action: str, arguments: dict[str, Any], at: datetime, verb: Callable[[Session, By], T], **how: Any) -> T:
        """One act, no earlier than the one before it; only a fact may be told late. `who` None: the system. The verb's answer comes back."""
        kept: list[T] = []
        if not how.get("fact"):
            at = self.last = max(at, self.last)

        def once(session: Session, by: By) -> dict[str, Any]:
            kept[:] = [verb(session, by)]
            return {}

        how.setdefault("source", "person")
        act(self.house, who.actor if who else SYSTEM, action, arguments, once, happened_at=at, **how)
        self.acts += 1
        return kept[0]

    def with_duty(self, duty: str) -> Person:
        return next(one for one in self.people if duty in one.actor.duties)

    def certified(self, certificate: str | None) -> Person:
        """Someone of the floor who may do the step."""
        able = [one for one in self.people if "operate" in one.actor.duties and (certificate is None or certificate in one.certificates)]
        return able[self.acts % len(able)]

    def benches_for(self, operation: str) -> list[Bench]:
        return [one for one in self.benches if operation in one.body.operations]

    def bench(self, name: str) -> Bench:
        return next(one for one in self.benches if one.name == name)

    def earliest(self, operation: str, at: datetime, among: Sequence[Bench] | None = None) -> Bench:
        """The station that is free first."""
        return min(among or self.benches_for(operation), key=lambda one: (max(one.free_at, at), one.name))

    def order(self, session: Session, number: str | None) -> int | None:
        return catalogue.named(session, "order", number).id if number else None

    def customer_of(self, session: Session, order: str) -> str:
        return str(catalogue.named(session, "order", order).body.customer)

    def run_over(self, session: Session, item: int) -> str:
        """The newest run over a pack."""
        run = session.scalar(select(Line.run).where(Line.item == item).order_by(Line.id.desc()).limit(1))
        return code_of(session, "run", run or 0)

    def span_before(self, run: str, length: timedelta) -> tuple[datetime, datetime]:
        """From so long before the end of a run until that end."""
        with self.house.reading() as session:
            ended = session.get_one(Run, resolve(session, run, "run").id).ended_at
        assert ended is not None
        return ended - length, ended

    def run_of(self, session: Session, run: Named) -> Run:
        return session.get_one(Run, run.id)


def later(at: datetime, minutes: float) -> datetime:
    return at + timedelta(seconds=round(minutes * 60))

"""What is in work now, with whom, where and since when: in a run by its claim, or on a shelf of an oven load that is being filled."""

from collections import defaultdict
from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.catalogue.models import Thing
from app.catalogue.queries import site_time
from app.errors import Reason, few
from app.ledger.places import Load, LoadPlace
from app.ledger.runs import Claim, Run
from app.ledger.sets import Member
from app.listed import among
from app.naming.resolve import codes_of
from app.people.models import Person

_CLAIMED = (
    select(Claim.item, Run.id, Run.started_at, Thing.name, Person.name)
    .join(Run, Run.id == Claim.run)
    .join(Thing, Thing.id == Run.station)
    .outerjoin(Person, Person.id == Run.person)
)
_ON_SHELVES = (
    select(Member.panel, Load.id, LoadPlace.shelf, Thing.name)
    .join(LoadPlace, LoadPlace.set == Member.set)
    .join(Load, Load.id == LoadPlace.load)
    .join(Thing, Thing.id == Load.station)
    .where(LoadPlace.closed_e.is_(None), Load.closed_e.is_(None))
)


def in_work_reasons(session: Session, items: Iterable[int]) -> list[Reason]:
    """A reason for each run or load that has some of these panels or loose lots; empty when they are free."""
    wanted = list(items)
    return _claimed(session, wanted) + on_shelves(session, wanted, "Take them out of the load first.")


def runs_with(session: Session, items: Iterable[int]) -> dict[int, int]:
    """The run that has each of these panels or loose lots in work; those that are free are left out."""
    return {item: run for item, run in session.execute(select(Claim.item, Claim.run).where(among(Claim.item, items)))}


def _claimed(session: Session, items: list[int]) -> list[Reason]:
    runs = defaultdict(list)
    for item, run, since, station, person in session.execute(_CLAIMED.where(Claim.item.in_(items))):
        runs[run, since, station, person].append(item)
    names = codes_of(session, "run", [run for run, *_ in runs])
    return [
        Reason(
            "in_work",
            f"{_some(session, held)} in work in run {names.get(run, run)} at {station} since {site_time(session, since)}"
            + (f" by {person}." if person else "."),
            "Finish, interrupt or abort that run first.",
        )
        for (run, since, station, person), held in runs.items()
    ]


def on_shelves(session: Session, items: list[int], now: str) -> list[Reason]:
    """A reason for each load that is being filled and has some of these panels; `now`: what to do then."""
    loads = defaultdict(list)
    for item, load, shelf, station in session.execute(_ON_SHELVES.where(Member.panel.in_(items))):
        loads[load, shelf, station].append(item)
    names = codes_of(session, "load", [load for load, *_ in loads])
    return [
        Reason(
            "in_work",
            f"{_some(session, held)} on shelf {shelf} of load {names.get(load, load)} at {station}.",
            now,
        )
        for (load, shelf, station), held in loads.items()
    ]


def _some(session: Session, items: list[int]) -> str:
    names = codes_of(session, "panel", items) | codes_of(session, "lot", items)
    return f"{few(sorted(names.get(item, str(item)) for item in items))} {'is' if len(items) == 1 else 'are'}"

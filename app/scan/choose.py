"""What was scanned decides: a question is asked or confirmed, a station chosen, material mounted, a state said, a person takes over."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app import codes
from app.catalogue import queries as catalogue
from app.errors import refuse
from app.floor.groups import contents, gather
from app.floor.mounts import place_among_several
from app.journal.record import read
from app.ledger.items import Pack
from app.ledger.places import Load, LoadPlace
from app.ledger.runs import Claim, Run
from app.ledger.sets import Member
from app.listed import among
from app.naming.resolve import Named, code_of, resolve
from app.packing.dry import is_opened, sealing_of

READ_TWICE = timedelta(seconds=1.5)  # scanners read twice: the same code again sooner than this starts nothing
WORKED_ON = ("container", "lot", "panel", "pack", "sample")


@dataclass(frozen=True)
class Here:
    """Who scans, at which station if one is chosen, and the stations at hand: those that the person has, else those of the area."""

    person: int | None
    station: int | None
    at_hand: tuple[int, ...] = ()


@dataclass(frozen=True)
class Pending:
    """The question that stands on the screen: about which code, at which station, asked when. `asks`: start, finish, where, instead, hand over."""

    code: str
    asks: str
    asked_at: datetime


@dataclass(frozen=True)
class Meaning:
    """What a scan asks for. `do`: ask, where, confirm, nothing, choose_station, mount, instead, ask_hand_over, mine, state, load, look."""

    do: str
    named: Named | None = None
    station: int | None = None
    able: tuple[int, ...] = ()  # the stations that could take it
    instead: str = ""  # of a mount: the code of what comes off for it


def choose(session: Session, text: str, here: Here, pending: Pending | None, now: datetime) -> Meaning:
    """What a scanned text asks for. Writes nothing; refuses what leads nowhere."""
    if codes.tidy(text) == codes.START_CARD:
        return Meaning("confirm" if pending is not None else "nothing", station=here.station)
    named = resolve(session, text)
    if pending is not None and (answer := _answer(named, here, pending, now)) is not None:
        return answer
    if named.kind == "station":
        return Meaning("choose_station", named, named.id)
    if named.kind in ("batch", "wafer"):
        station = _must_have(here.station, named, "mounted")
        return Meaning("instead" if place_among_several(session, station, named.id) else "mount", named, station)
    if named.kind == "card":
        return Meaning("state", named, _must_have(here.station, named, "said of a station"))
    if named.kind == "person":
        return Meaning("mine" if named.id == here.person else "ask_hand_over", named, here.station)
    if named.kind == "load":
        return Meaning("load", named)
    return _about_work(session, named, here) if named.kind in WORKED_ON else Meaning("look", named)


def run_of(session: Session, named: Named, station: int | None = None) -> Run | None:
    """The open run that has this thing, at the station if one is given."""
    panels, items = contents(session, named)
    runs = read(session, Run, _RUNS_OF, items=[*panels, *items])
    return next((run for run in runs if station in (None, run.station)), None)


_RUNS_OF = (
    select(Run.__table__)
    .where(Run.id.in_(select(Claim.run).where(among(Claim.item, "items"))), Run.closed_e.is_(None))
    .order_by(Run.id)
)


def _answer(named: Named, here: Here, pending: Pending, now: datetime) -> Meaning | None:
    """What a scan says to the question on the screen; None: it leaves it."""
    if pending.asks == "where":
        return Meaning("ask", Named("", 0, pending.code), named.id) if named.kind == "station" else None
    if pending.asks == "instead" and named.kind in ("batch", "wafer") and named.code != pending.code:
        return Meaning("mount", named, here.station, instead=pending.code) if here.station else None
    if named.kind == "station" and named.id == here.station and pending.asks != "hand over":
        return Meaning("confirm", named, here.station)
    if named.code == pending.code:
        return Meaning("confirm" if now - pending.asked_at >= READ_TWICE else "nothing", named, here.station)
    return None


def _about_work(session: Session, named: Named, here: Here) -> Meaning:
    """At the station chosen, whatever comes next: a wrong magazine must meet a refusal there, not a question about another station.

    None chosen: where the thing is in work, or the one station at hand that can do what comes next.
    """
    if here.station is not None:
        load = _load_with(session, named, here.station)
        return Meaning("load", load) if load is not None else Meaning("ask", named, here.station)
    at = _wholly_in_work_at(session, named)
    if at is not None and (at in here.at_hand or not here.at_hand):
        return Meaning("ask", named, at)
    operations = _next_operations(session, named) if here.at_hand else set()
    able = tuple(one for one in here.at_hand if operations & _does(session, one))
    if len(able) > 1:
        return Meaning("where", named, able=able)
    return Meaning("ask", named, able[0]) if able else Meaning("look", named)


def _load_with(session: Session, named: Named, station: int) -> Named | None:
    """The load that is being filled at this oven and has all of the thing: there it is started with the rest."""
    panels = contents(session, named)[0] if "cure" in _does(session, station) else []
    if not panels:
        return None
    lie = select(Load.id, func.count()).join(LoadPlace, LoadPlace.load == Load.id).join(Member, Member.set == LoadPlace.set)
    here = Load.station == station, Load.closed_e.is_(None), LoadPlace.closed_e.is_(None), Member.panel.in_(panels)
    found = [load for load, n in session.execute(lie.where(*here).group_by(Load.id)) if n == len(panels)]
    return Named("load", found[0], code_of(session, "load", found[0])) if found else None


def _wholly_in_work_at(session: Session, named: Named) -> int | None:
    """The station of the one run that has all of the thing: of a lot on several stations none is meant."""
    panels, items = contents(session, named)
    query = select(Run.station, func.count()).join(Claim, Claim.run == Run.id).where(Claim.item.in_([*panels, *items])).group_by(Run.id, Run.station)
    rows = session.execute(query).all()
    return rows[0][0] if len(rows) == 1 and rows[0][1] == len(panels) + len(items) else None


def _next_operations(session: Session, named: Named) -> set[str]:
    if named.kind == "pack":  # one that is closed comes into its bag; a bag is opened again only at a station that was chosen
        is_closed = session.get_one(Pack, named.id).closed_e is not None
        is_dry = sealing_of(session, named.id) is not None and not is_opened(session, named.id)
        return {"dry pack"} if is_closed and not is_dry else set()
    groups = [group for group in gather(session, [named]) if group.route is not None and group.next_step is not None]
    routes = catalogue.with_ids(session, [group.route for group in groups if group.route is not None])
    return {catalogue.step_of(routes[group.route or 0].body, group.next_step or "").operation for group in groups}


def _does(session: Session, station: int) -> set[str]:
    return set(catalogue.station(session, station).body.operations)


def _must_have(station: int | None, named: Named, what: str) -> int:
    if station is None:
        raise refuse("not_here", f"{named.code} was not {what}.", "No station is chosen at this terminal.", "Scan the station first.")
    return station

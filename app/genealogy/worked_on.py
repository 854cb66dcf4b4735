"""Who worked on runs: who began one, who ended it, and who was given its station in between, with what ran there."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from typing import NamedTuple

from sqlalchemy.orm import Session

from app.listed import listed, tuples
from app.naming.resolve import codes_of


class Worker(NamedTuple):
    """`name`: with the badge beside it where another of the same name worked on these runs."""

    person: int
    name: str


def workers(session: Session, runs: Iterable[int]) -> dict[str, list[Worker]]:
    """By a run's code, each person once."""
    on = tuples(session, _ON, runs=runs)
    names: dict[int, str] = dict(tuples(session, _NAMES, people={person for _, person in on}))
    shared = {name for name, n in Counter(names.values()).items() if n > 1}
    badges = codes_of(session, "person", [person for person, name in names.items() if name in shared])
    codes = codes_of(session, "run", list({run for run, _ in on}))
    found: defaultdict[str, list[Worker]] = defaultdict(list)
    for run, person in sorted(on):
        name = names[person]
        found[codes[run]].append(Worker(person, f"{name} ({badges[person]})" if person in badges else name))
    return dict(found)


_ON = listed(
    """
    select id, person from run where id in :runs and person is not null
    union
    select id, ended_by from run where id in :runs and ended_by is not null
    union
    select r.id, a.person from run r join attendance a on a.station = r.station and a.e > r.e and (r.closed_e is null or a.e < r.closed_e)
    where r.id in :runs
    """,
    "runs",
)
_NAMES = listed("select id, name from person where id in :people", "people")

"""Batches that lay side by side on a station, and of which each unit had one: two spools of a wire, two syringes of an adhesive.

Nobody records which unit had which, so that a batch is certain for a line only where it met a demand of the step alone. Each kind of material is
a demand, whatever its part; a part that the step needs by its number is one more. What was mixed from a batch stands for it.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Need, Part
from app.catalogue.queries import Defined
from app.ledger import walk
from app.ledger.used import Used
from app.listed import listed, tuples

Demand = frozenset[int]  # batches of which each unit had one
Had = tuple[int, Defined[Part]]  # a batch and its part


def demands(session: Session, uses: Iterable[Used]) -> dict[int, list[Demand]]:
    """By line, of the lines that had several batches of one kind; of all others every batch is certain."""
    had: defaultdict[int, list[tuple[int, int]]] = defaultdict(list)
    for line, batch, part in uses:
        if part is not None:
            had[line].append((batch, part))
    several = {line: its for line, its in had.items() if len(its) > 1}
    if not several:
        return {}
    parts: Mapping[int, Defined[Part]] = catalogue.with_ids(session, [part for its in several.values() for _, part in its])
    doubled = {line: its for line, its in several.items() if len({parts[part].body.kind for _, part in its}) < len(its)}
    needs = _needs(session, doubled) if doubled else {}
    return {line: demands_of([(batch, parts[part]) for batch, part in its], needs.get(line, ())) for line, its in doubled.items()}


def demands_of(had: Sequence[Had], needs: Iterable[Need]) -> list[Demand]:
    """What batches of these parts met of a step with these needs."""
    by_kind: defaultdict[str, set[int]] = defaultdict(set)
    by_part: defaultdict[tuple[str, str | None], set[int]] = defaultdict(set)
    for batch, part in had:
        by_kind[part.body.kind].add(batch)
        by_part[part.body.kind, part.name].add(batch)
    asked = [(need.kind, need.part) for need in needs if not need.by_order]
    return list(dict.fromkeys(map(frozenset, [*by_kind.values(), *(by_part[one] for one in asked if one in by_part)])))


def had_perhaps(session: Session, uses: Iterable[Used]) -> set[tuple[int, int]]:
    """(line, batch) where the line had that batch, or one mixed from it, and each of its units may have had another instead."""
    found: set[tuple[int, int]] = set()
    of_lines = demands(session, uses)
    mixed = walk.mixed_of(session, {batch for its in of_lines.values() for demand in its for batch in demand}) if of_lines else {}
    for line, its in of_lines.items():
        certain = set().union(*(set.intersection(*(mixed[batch] for batch in demand)) for demand in its))
        found |= {(line, one) for demand in its for batch in demand for one in mixed[batch] - certain}
    return found


def is_certain(met: Iterable[Demand], batches: Set[int]) -> bool:
    """Each unit had one of these batches."""
    return any(demand <= batches for demand in met)


def _needs(session: Session, lines: Iterable[int]) -> dict[int, Sequence[Need]]:
    rows = tuples(session, _STEPS, lines=lines)
    routes = catalogue.with_ids(session, list({route for _, route, _ in rows}))
    return {line: step.needs for line, route, key in rows for step in routes[route].body.steps if step.key == key}


_STEPS = listed("select id, route, step from line where id in :lines and route is not null and step is not null", "lines")

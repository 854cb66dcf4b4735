"""The heat ledger: what all rounds and cures of a panel did to each adhesive on it, from the moment that it was placed."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from app.ovens.cure import degree_of, equivalent_of, least_and_most
from app.ovens.kinetics import Kinetics
from app.ovens.record_quality import Record


@dataclass(frozen=True)
class Adhesive:
    """On the panel since `placed_at` (empty: before the first round). Equivalent minutes are at `reference_c`."""

    name: str
    activation_energy_kj_mol: float
    reference_c: float
    kinetics: Kinetics | None = None
    placed_at: datetime | None = None


@dataclass(frozen=True)
class RoundHeat:
    round: str
    equivalent_minutes_coldest: float
    equivalent_minutes_hottest: float
    complete: bool  # no fault in the record; else at least so much


@dataclass(frozen=True)
class Heat:
    """Least and greatest over the sensors of each round's shelf. Nothing is added for a gap or a round without a trace."""

    adhesive: str
    rounds: tuple[RoundHeat, ...]
    equivalent_minutes_coldest: float
    equivalent_minutes_hottest: float
    degree_coldest: float | None
    degree_hottest: float | None
    complete: bool


def heat_of(adhesive: Adhesive, records: Sequence[Record]) -> Heat:
    """Of one adhesive, from rounds that were read, in order."""
    had = [record for record in records if adhesive.placed_at is None or record.round.door_closed >= adhesive.placed_at]
    rounds = tuple(_round_heat(adhesive, record) for record in had)
    kinetics = adhesive.kinetics
    degree = least_and_most(had, (0.0, 0.0), lambda one, before: degree_of(one, kinetics, before)) if kinetics else None
    return Heat(
        adhesive=adhesive.name,
        rounds=rounds,
        equivalent_minutes_coldest=sum(one.equivalent_minutes_coldest for one in rounds),
        equivalent_minutes_hottest=sum(one.equivalent_minutes_hottest for one in rounds),
        degree_coldest=degree[0] if degree else None,
        degree_hottest=degree[1] if degree else None,
        complete=all(one.complete for one in rounds),
    )


def _round_heat(adhesive: Adhesive, record: Record) -> RoundHeat:
    asked = adhesive.activation_energy_kj_mol, adhesive.reference_c
    if asked not in record.minutes:
        minutes = [equivalent_of(one, *asked) for one in record.curves]
        record.minutes[asked] = min(minutes, default=0.0), max(minutes, default=0.0)
    return RoundHeat(record.round.name, *record.minutes[asked], not record.reasons)

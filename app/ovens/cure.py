"""Judges a cure from its trace: by the sensors of the shelf, with every reason. A gap is never judged as conforming.

What is counted, and how (our choice where no source is named):
- The span is door closed to door open. Between samples the temperature runs straight, so every crossing is interpolated; across a gap
  nothing is known. Seconds up to one allowed gap may be unseen at either end; they count for nothing.
- Soak: the longest unbroken time in which every sensor of the shelf is in the band, edges included. It must come from one round, unless
  the recipe lets the rounds' soaks be added. The longest allowed soak is compared with the longest time of any sensor at or above the
  band's lower edge, so that too hot is too long as well.
- Spread: between sensors that are in the band at the same moment. Overshoot: above the set point. Rise and fall: over any whole minute.
- Equivalent minutes and degree of cure are summed over the rounds that this one completes, on the coldest sensor for too little and on
  the hottest for too much. Rise, fall, spread and overshoot are judged in every round.
- Too much is proved by what was recorded; too little only by a record without fault. Whatever is wrong with a record makes the verdict
  at best "cannot tell", and what is recorded may still prove that it does not conform.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from functools import cache, lru_cache
from itertools import pairwise
from typing import Any, Literal

from app.catalogue import definitions
from app.ovens.curves import Curve, Span, common, greatest_spread, joined, longest, spans_within, steepest, with_unknown
from app.ovens.kinetics import Kinetics, degree_of_cure, equivalent_minutes
from app.ovens.record_quality import CureReason, Record, Round, Used, moment, read_record

After = Callable[[Curve, float], float]  # a sum or degree after a curve, from what it was before
Verdict = Literal["conforms", "does_not_conform", "cannot_tell"]
_A_MILLISECOND = 1 / 60_000  # in minutes: rounding of times breaks no limit
_ROUNDING = 1e-6
_CANNOT_TELL = frozenset(
    ("no_span", "no_trace", "not_this_oven", "sensor_missing", "too_few_sensors", "trace_used", "gap", "not_covered", "time_backward",
     "sensor_broken", "sensor_stuck", "soak_unproved")
)  # fmt: skip


@dataclass(frozen=True)
class Recipe:
    """What an oven must do. Names and units as in the catalogue."""

    set_point_c: float
    band_low_c: float
    band_high_c: float
    soak_minutes: float
    soak_max_minutes: float | None = None
    ramp_up_max_c_per_min: float | None = None
    ramp_down_max_c_per_min: float | None = None
    spread_max_c: float | None = None
    overshoot_max_c: float | None = None
    max_gap_seconds: float = 120.0
    min_sensors: int = 1
    activation_energy_kj_mol: float | None = None
    min_equivalent_minutes: float | None = None
    kinetics: Kinetics | None = None
    least_degree: float | None = None
    greatest_degree: float | None = None
    sum_soaks: bool = False  # the soaks of several rounds may be added


@dataclass(frozen=True)
class Soak:
    at_from: datetime
    at_to: datetime
    minutes: float


@dataclass(frozen=True)
class SensorFacts:
    """Of this round. Rise and fall in degrees C per minute, the fall as a positive number."""

    sensor: str
    entered_band_at: datetime | None
    soak: Soak | None
    least_c: float | None
    greatest_c: float | None
    steepest_rise: float | None
    steepest_fall: float | None
    overshoot_c: float | None
    equivalent_minutes: float | None
    degree: float | None


@dataclass(frozen=True)
class LineFacts:
    """Of the shelf. Equivalent minutes and degree of cure include the rounds that this one completes."""

    soak: Soak | None
    soak_minutes: float  # what counts against the recipe, by its rule on rounds
    interruptions: tuple[Soak, ...]  # between the first and the last time in band
    spread_c: float | None
    spread_at: datetime | None
    equivalent_minutes_coldest: float | None
    equivalent_minutes_hottest: float | None
    degree_coldest: float | None
    degree_hottest: float | None


@dataclass(frozen=True)
class Judgement:
    verdict: Verdict
    reasons: tuple[CureReason, ...]
    sensors: tuple[SensorFacts, ...]
    line: LineFacts

    def reasons_json(self) -> list[dict[str, Any]]:
        """As the record keeps them: times as ISO text."""
        return [_plain(asdict(reason)) for reason in self.reasons]

    def facts_json(self) -> dict[str, Any]:
        return {"line": _plain(asdict(self.line)), "sensors": [_plain(asdict(one)) for one in self.sensors]}


@lru_cache(maxsize=256)
def recipe_of(body: definitions.Recipe) -> Recipe:
    """The catalogue's recipe as the judgement needs it."""
    values = body.model_dump(exclude={"name", "kinetics"})
    if body.kinetics is None:
        return Recipe(**values)
    kinetics = body.kinetics.model_dump(exclude={"least_degree", "greatest_degree"})
    return Recipe(**values, kinetics=Kinetics(**kinetics), least_degree=body.kinetics.least_degree, greatest_degree=body.kinetics.greatest_degree)


def judge(recipe: Recipe, this: Round, earlier: Sequence[Round] = (), used: Sequence[Used] = ()) -> Judgement:
    """`earlier`: aborted rounds that this one completes, in order. `used`: other loads of this oven that have been judged."""
    rounds = [(read_record(one, recipe.max_gap_seconds, recipe.min_sensors), one.name or "an earlier round") for one in earlier]
    own = read_record(this, recipe.max_gap_seconds, recipe.min_sensors, used)
    records = [record for record, _ in rounds] + [own]
    reasons = list(own.reasons)
    for record, name in rounds:
        reasons += [_of_round(reason, name) for reason in record.reasons]
        reasons += [_of_round(reason, name) for reason in _limits_of_round(recipe, record)]
    reasons += _limits_of_round(recipe, own)
    reasons += _soak_limits(recipe, records)
    degree = cache(lambda one, before: degree_of(one, recipe.kinetics, before) if recipe.kinetics else before)  # slow, and asked for again
    reasons += _heat_limits(recipe, records, degree, complete=not any(record.reasons for record in records))
    facts = tuple(_sensor_facts(recipe, one, degree) for one in own.curves)
    return Judgement(_verdict(reasons), tuple(_in_order(reasons)), facts, _line_facts(recipe, records, degree))


def _verdict(reasons: Iterable[CureReason]) -> Verdict:
    codes = {reason.code for reason in reasons}
    if codes - _CANNOT_TELL:
        return "does_not_conform"
    return "cannot_tell" if codes else "conforms"


def _in_order(reasons: Iterable[CureReason]) -> list[CureReason]:
    """What does not conform first."""
    return sorted(reasons, key=lambda reason: reason.code in _CANNOT_TELL)


def _of_round(reason: CureReason, name: str) -> CureReason:
    return CureReason(reason.code, f"In {name}: {reason.text}", *[getattr(reason, f) for f in ("at_from", "at_to", "sensor", "measured", "limit")])


def _limits_of_round(recipe: Recipe, record: Record) -> list[CureReason]:
    """Overshoot, rise, fall and spread: proved by what was recorded."""
    found: list[CureReason] = []
    for one in record.trusted:
        found += _overshoot(recipe, one)
        if not record.clock_doubtful:
            found += _ramps(recipe, one)
    if recipe.spread_max_c is not None and not record.clock_doubtful:
        spread = greatest_spread(record.trusted, recipe.band_low_c, recipe.band_high_c)
        if spread and spread.c > recipe.spread_max_c + _ROUNDING:
            text = f"The sensors in the band differ by {spread.c:.1f} degrees C; at most {recipe.spread_max_c:g} are allowed."
            at = moment(spread.at)
            found.append(CureReason("spread_wide", text, at, at, None, spread.c, recipe.spread_max_c))
    return found


def _overshoot(recipe: Recipe, one: Curve) -> list[CureReason]:
    if recipe.overshoot_max_c is None or not len(one.temps_c):
        return []
    n = int(one.temps_c.argmax())
    over = float(one.temps_c[n]) - recipe.set_point_c
    if over <= recipe.overshoot_max_c + _ROUNDING:
        return []
    text = f"{one.sensor} was {over:.1f} degrees C above the set point; at most {recipe.overshoot_max_c:g} are allowed."
    at = moment(float(one.times[n]))
    return [CureReason("overshoot", text, at, at, one.sensor, over, recipe.overshoot_max_c)]


def _ramps(recipe: Recipe, one: Curve) -> list[CureReason]:
    found = []
    rise, fall = steepest(one)
    kinds = (("rise_steep", "rose", rise, 1, recipe.ramp_up_max_c_per_min), ("fall_steep", "fell", fall, -1, recipe.ramp_down_max_c_per_min))
    for code, verb, slope, sign, limit in kinds:
        if slope and limit is not None and slope.c_per_min * sign > limit + _ROUNDING:
            measured = slope.c_per_min * sign
            text = f"{one.sensor} {verb} by {measured:.2f} degrees C a minute; at most {limit:g} are allowed."
            found.append(CureReason(code, text, moment(slope.at), moment(slope.at + 60), one.sensor, measured, limit))
    return found


def _soak_limits(recipe: Recipe, records: Sequence[Record]) -> list[CureReason]:
    soak = _counted(recipe, [_minutes(longest(_together(recipe, record))) for record in records])
    at_best = _counted(recipe, [_minutes(longest(_at_best(recipe, record))) for record in records])
    found = []
    if soak < recipe.soak_minutes - _A_MILLISECOND:
        if at_best < recipe.soak_minutes - _A_MILLISECOND:
            text = f"All sensors were in the band for {soak:.1f} min without a break; {recipe.soak_minutes:g} min are needed."
            found.append(CureReason("soak_short", text, measured=soak, limit=recipe.soak_minutes))
        else:
            text = f"Only {soak:.1f} min in the band are proved; {recipe.soak_minutes:g} min are needed."
            found.append(CureReason("soak_unproved", text, measured=soak, limit=recipe.soak_minutes))
    hot = [max((_minutes(longest(spans_within(c, recipe.band_low_c))) for c in r.trusted if not r.clock_doubtful), default=0.0) for r in records]
    if recipe.soak_max_minutes is not None and _counted(recipe, hot) > recipe.soak_max_minutes + _A_MILLISECOND:
        text = f"A sensor was at or above the band's lower edge for {_counted(recipe, hot):.1f} min; at most {recipe.soak_max_minutes:g} are allowed."
        found.append(CureReason("soak_long", text, measured=_counted(recipe, hot), limit=recipe.soak_max_minutes))
    return found


def _counted(recipe: Recipe, minutes: Sequence[float]) -> float:
    return sum(minutes) if recipe.sum_soaks else max(minutes)


def _minutes(span: Span | None) -> float:
    return (span[1] - span[0]) / 60 if span else 0.0


def _together(recipe: Recipe, record: Record) -> list[Span]:
    """Spells in which every sensor that watched the shelf was in the band, as far as it is known."""
    if not record.curves:
        return []
    start, end = record.round.span
    watched: list[Span] = joined((c.start, c.end) for c in record.curves)
    return _all_of(watched, [_or_not_watching(spans_within(c, recipe.band_low_c, recipe.band_high_c), c, start, end) for c in record.curves])


def _at_best(recipe: Recipe, record: Record) -> list[Span]:
    """The same if all that is not known had been in the band."""
    start, end = record.round.span
    if record.clock_doubtful:
        return [(start, end if end > start else math.inf)]
    spells = [
        _or_not_watching(with_unknown(spans_within(c, recipe.band_low_c, recipe.band_high_c), c.unknown), c, start, end) for c in record.trusted
    ]
    return _all_of([(start, end)], spells)


def _all_of(spans: list[Span], others: Iterable[list[Span]]) -> list[Span]:
    for other in others:
        spans = common(spans, other)
    return spans


def _or_not_watching(spans: list[Span], one: Curve, start: float, end: float) -> list[Span]:
    """A sensor asks nothing of the time when it did not watch."""
    if one.start > start:
        spans = _before(spans, start, one.start)
    if one.end < end:
        spans = [(-b, -a) for a, b in reversed(spans)]
        spans = [(-b, -a) for a, b in reversed(_before(spans, -end, -one.end))]
    return spans


def _before(spans: list[Span], start: float, edge: float) -> list[Span]:
    if spans and spans[0][0] <= edge:
        return [(start, spans[0][1]), *spans[1:]]
    return [(start, edge), *spans]


def _heat_limits(recipe: Recipe, records: Sequence[Record], after: After, complete: bool) -> list[CureReason]:
    found = []
    heat, degree = _equivalent(recipe, records), _degrees(recipe, records, after)
    if complete and heat and recipe.min_equivalent_minutes is not None and heat[0] < recipe.min_equivalent_minutes - _A_MILLISECOND:
        least = recipe.min_equivalent_minutes
        text = f"The coldest sensor had {heat[0]:.1f} equivalent min at {recipe.set_point_c:g} degrees C; {least:g} are needed."
        found.append(CureReason("equivalent_short", text, measured=heat[0], limit=recipe.min_equivalent_minutes))
    if complete and degree and recipe.least_degree is not None and degree[0] < recipe.least_degree - _ROUNDING:
        text = f"The degree of cure on the coldest sensor is {degree[0]:.4f}; {recipe.least_degree:g} is needed."
        found.append(CureReason("degree_low", text, measured=degree[0], limit=recipe.least_degree))
    proved = _degrees(recipe, records, after, only_trusted=True)
    if proved and recipe.greatest_degree is not None and proved[1] > recipe.greatest_degree + _ROUNDING:
        text = f"The degree of cure on the hottest sensor is {proved[1]:.4f}; at most {recipe.greatest_degree:g} is allowed."
        found.append(CureReason("degree_high", text, measured=proved[1], limit=recipe.greatest_degree))
    return found


def _equivalent(recipe: Recipe, records: Sequence[Record]) -> tuple[float, float] | None:
    """Coldest and hottest, summed over rounds. Nothing is added for a gap."""
    energy = recipe.activation_energy_kj_mol
    if energy is None:
        return None
    return least_and_most(records, (0.0, 0.0), lambda one, before: before + equivalent_of(one, energy, recipe.set_point_c))


def _degrees(recipe: Recipe, records: Sequence[Record], after: After, only_trusted: bool = False) -> tuple[float, float] | None:
    return least_and_most(records, (0.0, 0.0), after, only_trusted) if recipe.kinetics else None


def least_and_most(
    records: Iterable[Record], before: tuple[float, float], after: After, only_trusted: bool = False
) -> tuple[float, float] | None:
    """Carries the coldest and the hottest through the rounds; a round without a curve adds nothing. None: no round had one."""
    any_curve = False
    for record in records:
        curves = [] if only_trusted and record.clock_doubtful else record.trusted if only_trusted else record.curves
        if curves:
            any_curve = True
            before = min(after(one, before[0]) for one in curves), max(after(one, before[1]) for one in curves)
    return before if any_curve else None


def equivalent_of(one: Curve, activation_energy_kj_mol: float, reference_c: float) -> float:
    return sum(equivalent_minutes(times, temps, activation_energy_kj_mol, reference_c) for times, temps in one.pieces())


def degree_of(one: Curve, kinetics: Kinetics, before: float) -> float:
    for times, temps in one.pieces():
        before = degree_of_cure(times, temps, kinetics, before)
    return before


def _sensor_facts(recipe: Recipe, one: Curve, after: After) -> SensorFacts:
    spans = spans_within(one, recipe.band_low_c, recipe.band_high_c)
    rise, fall = steepest(one)
    any_reading, energy = len(one.temps_c) > 0, recipe.activation_energy_kj_mol
    return SensorFacts(
        sensor=one.sensor,
        entered_band_at=moment(spans[0][0]) if spans else None,
        soak=_soak(longest(spans)),
        least_c=float(one.temps_c.min()) if any_reading else None,
        greatest_c=float(one.temps_c.max()) if any_reading else None,
        steepest_rise=max(rise.c_per_min, 0.0) if rise else None,
        steepest_fall=max(-fall.c_per_min, 0.0) if fall else None,
        overshoot_c=max(float(one.temps_c.max()) - recipe.set_point_c, 0.0) if any_reading else None,
        equivalent_minutes=equivalent_of(one, energy, recipe.set_point_c) if energy is not None else None,
        degree=after(one, 0.0) if recipe.kinetics else None,
    )


def _line_facts(recipe: Recipe, records: Sequence[Record], after: After) -> LineFacts:
    own = records[-1]
    spans = _together(recipe, own)
    spread = greatest_spread(own.curves, recipe.band_low_c, recipe.band_high_c)
    heat, degree = _equivalent(recipe, records), _degrees(recipe, records, after)
    breaks = [soak for (_, a), (b, _) in pairwise(spans) if (soak := _soak((a, b)))]
    return LineFacts(
        soak=_soak(longest(spans)),
        soak_minutes=_counted(recipe, [_minutes(longest(_together(recipe, record))) for record in records]),
        interruptions=tuple(breaks),
        spread_c=spread.c if spread else None,
        spread_at=moment(spread.at) if spread else None,
        equivalent_minutes_coldest=heat[0] if heat else None,
        equivalent_minutes_hottest=heat[1] if heat else None,
        degree_coldest=degree[0] if degree else None,
        degree_hottest=degree[1] if degree else None,
    )


def _soak(span: Span | None) -> Soak | None:
    return Soak(moment(span[0]), moment(span[1]), _minutes(span)) if span else None


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return value.isoformat().replace("+00:00", "Z") if isinstance(value, datetime) else value

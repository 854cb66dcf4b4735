"""Overall equipment effectiveness in two ways that differ: SEMI E79 over all the time there is, ISO 22400-2 over the time that was planned.

Sources: SEMI E10 (the six states and their sums), SEMI E79 (availability, operational, rate and quality efficiency), ISO 22400-2 (availability,
effectiveness, quality ratio, OEE index). Definitions as the trade knows them, from memory; the sums in the tests are our own arithmetic.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class StateHours:
    """Hours in each of SEMI E10's six states. They exclude one another, so they add up to the time there is."""

    productive: float = 0.0
    standby: float = 0.0
    engineering: float = 0.0
    scheduled_down: float = 0.0
    unscheduled_down: float = 0.0
    non_scheduled: float = 0.0

    def __add__(self, other: "StateHours") -> "StateHours":
        return StateHours(**{name: hours + getattr(other, name) for name, hours in vars(self).items()})

    @property
    def total(self) -> float:
        return sum((self.productive, self.standby, self.engineering, self.scheduled_down, self.unscheduled_down, self.non_scheduled))

    @property
    def uptime(self) -> float:
        """SEMI E10: productive, standby and engineering."""
        return self.productive + self.standby + self.engineering

    @property
    def planned_busy(self) -> float:
        """ISO 22400-2, planned busy time: what is left when time that nobody planned to work and planned stops are taken off."""
        return self.total - self.non_scheduled - self.scheduled_down


@dataclass(frozen=True)
class Output:
    """Units made and good units among them; `theoretical_hours`: what the units made would take at the theoretical rate."""

    made: int = 0
    good: int = 0
    theoretical_hours: float = 0.0

    def __add__(self, other: "Output") -> "Output":
        return Output(self.made + other.made, self.good + other.good, self.theoretical_hours + other.theoretical_hours)


@dataclass(frozen=True)
class Term:
    """A factor of a product: its name, its two parts in words and numbers, and the quotient (None: divided by nothing)."""

    name: str
    over: str
    under: str
    part: float
    whole: float

    @property
    def value(self) -> float | None:
        return self.part / self.whole if self.whole > 0 else None


@dataclass(frozen=True)
class Effectiveness:
    """`terms` multiply to `value`; None where a term divides by nothing."""

    standard: str
    terms: tuple[Term, ...]

    @property
    def value(self) -> float | None:
        product = 1.0
        for term in self.terms:
            if term.value is None:
                return None
            product *= term.value
        return product


def semi_e79(hours: StateHours, output: Output) -> Effectiveness:
    """Availability x operational x rate x quality efficiency: good units at the theoretical rate, over all the time there is."""
    return Effectiveness(
        "SEMI E79",
        (
            Term("availability efficiency", "uptime h", "total time h", hours.uptime, hours.total),
            Term("operational efficiency", "productive h", "uptime h", hours.productive, hours.uptime),
            Term("rate efficiency", "theoretical h of the units made", "productive h", output.theoretical_hours, hours.productive),
            Term("quality efficiency", "good units", "units made", output.good, output.made),
        ),
    )


def iso_22400(hours: StateHours, output: Output) -> Effectiveness:
    """Availability x effectiveness x quality ratio: good units at the planned rate, over the time that was planned to be busy."""
    return Effectiveness(
        "ISO 22400-2",
        (
            Term("availability", "actual production h", "planned busy h", hours.productive, hours.planned_busy),
            Term("effectiveness", "planned h of the units made", "actual production h", output.theoretical_hours, hours.productive),
            Term("quality ratio", "good units", "units made", output.good, output.made),
        ),
    )

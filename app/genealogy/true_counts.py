"""Least and greatest number of marks in a set of outlets where something was weighed or counted by hand: over all true counts at once. Pure.

An amount that was weighed may have been more or fewer by twice its standard uncertainty (JCGM 100:2008, 6.2.1), and what stayed behind is then
fewer or more by as many. So the units and the marks among them are two flows in one network, the marks nowhere more than the units: an integer
programme, solved by SciPy's milp (HiGHS: Huangfu and Hall, Mathematical Programming Computation 10 (2018) 119). It answers what going through
every true count and finding a maximum flow for each would. Amounts that contradict each other are mended by the fewest units.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

ANY = float("inf")


class Way(NamedTuple):
    """`low` to `high` units of node `parent` went to node `child`, or (None) lie in an outlet, which may be `chosen`."""

    parent: int | None
    child: int | None
    low: float
    high: float
    chosen: bool = False


class Vessel(NamedTuple):
    """A node with `low` to `high` units of its own, `least` to `greatest` of them marked. `whole`: all that is in it is marked.

    `followed`: marks can come out of it to what is asked for; else only its units matter.
    """

    low: float
    high: float
    least: int = 0
    greatest: float = 0
    whole: bool = False
    followed: bool = True


def bounds(vessels: Sequence[Vessel], ways: Sequence[Way]) -> tuple[int, int]:
    programme = _Programme(vessels, ways)
    return programme.extreme(1), programme.extreme(-1)


@dataclass
class _Rows:
    """Sums of variables between two numbers."""

    entries: list[tuple[int, int, float]]
    limits: list[tuple[float, float]]

    def add(self, terms: Sequence[tuple[int, float]], low: float, high: float) -> None:
        self.entries += [(len(self.limits), variable, factor) for variable, factor in terms]
        self.limits.append((low, high))


class _Programme:
    def __init__(self, vessels: Sequence[Vessel], ways: Sequence[Way]) -> None:
        self.low: list[float] = []
        self.high: list[float] = []
        self.rows = _Rows([], [])
        self.wanted: list[int] = []  # marks in the chosen outlets
        units: list[list[tuple[int, float]]] = [[(self._variable(one.low, one.high), 1.0)] for one in vessels]
        marks: list[list[tuple[int, float]]] = [[(self._variable(one.least, one.greatest), 1.0)] if _is_mixed(one) else [] for one in vessels]
        for way in ways:
            there = self._variable(way.low, way.high)
            marked = self._marked(there, None if way.parent is None else vessels[way.parent])
            for end, sign in ((way.parent, -1.0), (way.child, 1.0)):
                if end is not None:
                    units[end].append((there, sign))
                    marks[end] += [(marked, sign)] if marked is not None and _is_mixed(vessels[end]) else []
            if way.chosen and marked is not None:
                self.wanted.append(marked)
        self.mended: list[int] = []
        for row, of_marks in zip(units, marks, strict=True):
            more, fewer = self._variable(0, 0), self._variable(0, 0)
            self.mended += [more, fewer]
            self.rows.add([*row, (more, 1.0), (fewer, -1.0)], 0, 0)
            if of_marks:
                gone = self._marked(fewer, _MIXED)
                self.rows.add([*of_marks, (gone, -1.0)] if gone is not None else of_marks, 0, 0)
        self._mend()

    def _variable(self, low: float, high: float) -> int:
        self.low.append(low)
        self.high.append(high)
        return len(self.low) - 1

    def _marked(self, there: int, of: Vessel | None) -> int | None:
        """How many of these units are marked: as many of them as there are, where all that is in the vessel is marked."""
        if of is None or not of.followed:
            return None
        if of.whole:
            return there
        marked = self._variable(0, ANY)
        self.rows.add([(there, 1.0), (marked, -1.0)], 0, ANY)
        return marked

    def _mend(self) -> None:
        """Where no true counts agree with all that is known, the fewest units came from nowhere, or are nowhere."""
        if self._solved([]) is not None:
            return
        for variable in self.mended:
            self.high[variable] = ANY
        found = self._solved(self.mended)
        self.rows.add([(variable, 1.0) for variable in self.mended], 0, ANY if found is None else round(found))

    def extreme(self, sign: int) -> int:
        """The least (1) or greatest (-1) number of marks in the chosen outlets."""
        return round(sign * (self._solved(self.wanted, sign) or 0.0)) if self.wanted else 0

    def _solved(self, wanted: Sequence[int], sign: int = 1) -> float | None:
        from scipy.optimize import Bounds, LinearConstraint, milp  # SciPy takes a good part of a second, which no start should wait for
        from scipy.sparse import csr_array

        rows, columns, factors = zip(*self.rows.entries, strict=True)
        matrix: Any = csr_array((factors, (rows, columns)), shape=(len(self.rows.limits), len(self.low)))
        lower, upper = np.array(self.rows.limits).T
        costs: NDArray[np.float64] = np.zeros(len(self.low))
        np.add.at(costs, list(wanted), sign)
        found = milp(costs, integrality=np.ones(len(costs)), bounds=Bounds(self.low, self.high), constraints=LinearConstraint(matrix, lower, upper))
        return None if found.x is None else float(found.fun)


def _is_mixed(vessel: Vessel) -> bool:
    return vessel.followed and not vessel.whole


_MIXED = Vessel(0, 0)

"""Arrhenius-equivalent time and degree of cure along a temperature that runs straight from sample to sample.

Equivalent time: Arrhenius with one activation energy. Degree of cure: n-th order, da/dt = k (1-a)^n, in closed form by reduced time;
autocatalytic (Kamal and Sourour, 1973), da/dt = (k1 + k2 a^m)(1-a)^n, by our own Runge-Kutta steps. R = 8.314462618 J/(mol K) (SI).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from app.ovens.trace import Floats

R = 8.314462618
ZERO_C = 273.15
_PIECE_C = 2.0  # a piece to integrate changes by at most so much: three Gauss points are then good to 1e-9
_STEP = 0.04  # the greatest share of the reaction's own time in one Runge-Kutta step
_AVERAGE_SECONDS = 10.0
_GROWTH, _FIRST = 0.25, 1e-5  # a step grows the degree by no more than this share of it, since a^m is steep at its beginning
_CURED = 1e-12  # less than this left is nothing left


@dataclass(frozen=True)
class Kinetics:
    """Pre-exponential factors per second, energies in kJ/mol. N-th order uses a1 and e1 only."""

    a1_per_s: float
    e1_kj_mol: float
    n: float = 1.0
    model: Literal["nth order", "kamal"] = "nth order"
    a2_per_s: float = 0.0
    e2_kj_mol: float = 0.0
    m: float = 0.0


def equivalent_minutes(times: ArrayLike, temps_c: ArrayLike, activation_energy_kj_mol: float, reference_c: float) -> float:
    """Minutes at the reference temperature that do as much as this. Times in seconds."""
    return _integral(times, temps_c, activation_energy_kj_mol, 1 / (reference_c + ZERO_C)) / 60


def degree_of_cure(times: ArrayLike, temps_c: ArrayLike, kinetics: Kinetics, start: float = 0.0) -> float:
    """The degree of cure after this, from 0 to 1, when it was `start` before. Times in seconds."""
    model = degree_of_cure_kamal if kinetics.model == "kamal" else degree_of_cure_nth_order
    return model(times, temps_c, kinetics, start)


def degree_of_cure_nth_order(times: ArrayLike, temps_c: ArrayLike, kinetics: Kinetics, start: float = 0.0) -> float:
    """As `degree_of_cure`; in closed form, by the integral of the rate over the times."""
    reduced = kinetics.a1_per_s * _integral(times, temps_c, kinetics.e1_kj_mol, 0.0)
    left, order = 1 - start, kinetics.n
    if left <= 0:
        return 1.0
    if order == 1:
        return 1 - left * math.exp(-reduced)
    power = left ** (1 - order) + (order - 1) * reduced
    return 1 - power ** (1 / (1 - order)) if power > 0 else 1.0  # below first order it ends


def degree_of_cure_kamal(times: ArrayLike, temps_c: ArrayLike, kinetics: Kinetics, start: float = 0.0) -> float:
    """As `degree_of_cure`; by Runge-Kutta steps along each straight piece, so short that they do not show."""
    nodes, temps = _averaged(np.asarray(times, dtype=np.float64), np.asarray(temps_c, dtype=np.float64))
    t, kelvin = nodes.tolist(), (temps + ZERO_C).tolist()
    degree = start
    for n in range(len(t) - 1):
        if 1 - degree < _CURED:
            return 1.0
        if t[n + 1] > t[n]:
            degree = _along(kinetics, degree, t[n + 1] - t[n], kelvin[n], kelvin[n + 1])
    return degree


def _averaged(times: Floats, temps_c: Floats) -> tuple[Floats, Floats]:
    """Readings that come faster than every ten seconds as averages over ten seconds, ends kept: a reaction sees no more of them."""
    steps = np.diff(times)
    if len(steps) < 3 or times[-1] - times[0] > len(steps) * _AVERAGE_SECONDS / 2:
        return times, temps_c
    centres, middles = times[:-1] + steps / 2, temps_c[:-1] + np.diff(temps_c) / 2
    bins = np.floor((centres - times[0]) / _AVERAGE_SECONDS)
    first = np.flatnonzero(np.r_[True, np.diff(bins) != 0])
    weight = np.add.reduceat(steps, first)
    used = weight > 0
    at = np.add.reduceat(centres * steps, first)[used] / weight[used]
    mean = np.add.reduceat(middles * steps, first)[used] / weight[used]
    return np.r_[times[0], at, times[-1]], np.r_[temps_c[0], mean, temps_c[-1]]


def _along(kinetics: Kinetics, degree: float, seconds: float, kelvin: float, kelvin_end: float) -> float:
    """Over one stretch of straight temperature."""
    m, order, rates = kinetics.m, kinetics.n, _rates(kinetics)
    if degree == 0 and kinetics.a1_per_s == 0 and m > 0:
        return 0.0  # what only goes on by itself never begins
    slope = (kelvin_end - kelvin) / seconds
    hottest, warmer = max(kelvin, kelvin_end), _PIECE_C if slope > 0 else 0.0
    longest = _PIECE_C / abs(slope) if slope else seconds

    def speed(at: float, rate: tuple[float, float]) -> float:
        at = min(max(at, 0.0), 1.0)
        return float((rate[0] + rate[1] * at**m) * (1 - at) ** order)

    done = 0.0
    while done < seconds and 1 - degree >= _CURED:
        at_most = _step(degree, m, order, *rates(min(kelvin + slope * done + warmer, hottest)))
        step = min(seconds - done, longest, at_most)
        start, middle, end = (rates(kelvin + slope * at) for at in (done, done + step / 2, done + step))
        s1 = speed(degree, start)
        s2 = speed(degree + step / 2 * s1, middle)
        s3 = speed(degree + step / 2 * s2, middle)
        s4 = speed(degree + step * s3, end)
        degree = min(degree + step / 6 * (s1 + 2 * s2 + 2 * s3 + s4), 1.0)
        done = seconds if step >= seconds - done else done + step
    return degree


def _rates(kinetics: Kinetics) -> Callable[[float], tuple[float, float]]:
    """Both constants at a temperature."""
    a1, a2, e1, e2 = kinetics.a1_per_s, kinetics.a2_per_s, kinetics.e1_kj_mol * 1000 / R, kinetics.e2_kj_mol * 1000 / R
    return lambda kelvin: (a1 * math.exp(-e1 / kelvin), a2 * math.exp(-e2 / kelvin))


def _step(degree: float, m: float, order: float, k1: float, k2: float) -> float:
    """How long a step may be from here, in seconds, at the rates of the hottest that it sees: by what the reaction does now, or one that is slow
    at its beginning or over at its end would be stepped through as if it were at its fastest.
    """
    grown = min(degree * (1 + _GROWTH) + _FIRST, 1.0)
    own = (k1 + k2 * grown**m) * max(1.0, order) * (1 - degree) ** max(order - 1, 0)
    young = (k1 + k2 * degree**m) * (1 - degree) ** order / (_GROWTH * degree + _FIRST) if m else 0.0
    return float(1 / max(own / _STEP, young, 1e-300))


def _integral(times: ArrayLike, temps_c: ArrayLike, energy_kj_mol: float, inverse_reference: float) -> float:
    """The integral over seconds of exp(E/R (1/Tref - 1/T))."""
    t, temp = np.asarray(times, dtype=np.float64), np.asarray(temps_c, dtype=np.float64)
    if len(t) < 2:
        return 0.0
    if (np.diff(t) < 0).any():
        raise ValueError("times run backward")
    pieces = np.maximum(np.ceil(np.abs(np.diff(temp)) / _PIECE_C), 1).astype(np.int64)
    of = np.repeat(np.arange(len(pieces)), pieces)
    start = np.arange(len(of)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    length = 1 / pieces[of]
    total = np.zeros(len(of))
    for at, weight in _GAUSS:
        kelvin = temp[of] + np.diff(temp)[of] * (start + at) * length + ZERO_C
        total += weight * np.exp(energy_kj_mol * 1000 / R * (inverse_reference - 1 / kelvin))
    return math.fsum(total * length * np.diff(t)[of])


def _gauss() -> tuple[tuple[float, float], ...]:
    points: tuple[Floats, Floats] = np.polynomial.legendre.leggauss(3)
    return tuple((float(x) / 2 + 0.5, float(w) / 2) for x, w in zip(*points, strict=True))


_GAUSS = _gauss()  # points and weights on 0 to 1

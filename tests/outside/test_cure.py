"""Published checks of equivalent time and degree of cure; each names its source."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from app.ovens import kinetics
from app.ovens.kinetics import Kinetics, R, degree_of_cure_kamal, degree_of_cure_nth_order, equivalent_minutes

# Epoxy adhesive, time to 95 % conversion at 150, 170 and 200 degrees C, as printed:
# application note, kinetics.netzsch.com/en/applications/epoxy-resin/
TRIPLE = ((150.0, 16.4), (170.0, 9.2), (200.0, 4.2))
FITTED_KJ_MOL = 45.364  # least squares of ln t over 1/T, our own calculation


def test_the_published_triple_gives_its_activation_energy_and_its_times_back() -> None:
    inverse = np.array([1 / (temp + 273.15) for temp, _ in TRIPLE])
    slope, intercept = np.polyfit(inverse, np.log([minutes for _, minutes in TRIPLE]), 1)
    assert slope * R / 1000 == pytest.approx(FITTED_KJ_MOL, abs=5e-4)
    assert np.exp(intercept + slope * inverse) == pytest.approx([16.423, 9.178, 4.204], abs=5e-4)
    for temp, minutes in TRIPLE:
        at_170 = equivalent_minutes([0, minutes * 60], [temp, temp], FITTED_KJ_MOL, 170)
        assert at_170 == pytest.approx(9.2, rel=0.004)  # three printed times are one cure, to what two digits allow
    pairs = [(0, 1, 45.065), (1, 2, 45.566), (0, 2, 45.352)]
    for a, b, energy in pairs:
        exact = equivalent_minutes([0, TRIPLE[a][1] * 60], [TRIPLE[a][0]] * 2, energy, TRIPLE[b][0])
        assert exact == pytest.approx(TRIPLE[b][1], rel=2e-5)


# Arithmetic of exp[(Ea/R)(1/Tref - 1/T)], our own calculation, printed nowhere
FACTORS = [
    (50, 1.899115, 1.163464, 0.856537, 63.187, 227.894), (60, 2.159044, 1.199233, 0.830416, 55.580, 259.085),
    (70, 2.454549, 1.236102, 0.805090, 48.889, 294.546), (80, 2.790499, 1.274104, 0.780538, 43.003, 334.860),
    (94.9, 3.378237, 1.332905, 0.745336, 35.521, 405.388),
]  # fmt: skip


@pytest.mark.parametrize(("energy", "from_150", "at_175", "at_165", "down", "up"), FACTORS)
def test_arrhenius_factors(energy: float, from_150: float, at_175: float, at_165: float, down: float, up: float) -> None:
    def minutes(temp: float, reference: float, spent: float = 1.0) -> float:
        return equivalent_minutes([0, spent * 60], [temp, temp], energy, reference)

    assert minutes(170, 150) == pytest.approx(from_150, abs=6e-7)
    assert minutes(175, 170) == pytest.approx(at_175, abs=6e-7)
    assert minutes(165, 170) == pytest.approx(at_165, abs=6e-7)
    assert minutes(150, 170, 120) == pytest.approx(down, abs=6e-4)
    assert minutes(170, 150, 120) == pytest.approx(up, abs=6e-4)


@pytest.mark.parametrize(("energy", "parts"), [(60, (8.1220, 120, 4.4190)), (80, (6.2502, 120, 3.4077))])
def test_a_ramp_a_hold_and_a_cooling_add_up(energy: float, parts: tuple[float, float, float]) -> None:
    """Constructed: 25 to 170 degrees C at 3 a minute, 120 min, to 60 in 20 min; our own calculation."""
    times = np.cumsum([0, 145 / 3 * 60, 7200, 1200])
    temps = np.array([25.0, 170.0, 170.0, 60.0])
    for n, part in enumerate(parts):
        assert equivalent_minutes(times[n : n + 2], temps[n : n + 2], energy, 170) == pytest.approx(part, abs=6e-5)
    assert equivalent_minutes(times, temps, energy, 170) == pytest.approx(sum(parts), abs=1.5e-4)


# Constructed: A = 1e7 per s, Ea = 75 kJ/mol, 170 degrees C; closed form, our own calculation
NTH_ORDER = [(1, 600, 0.999828), (1.5, 600, 0.964861), (1.5, 3600, 0.998629), (2, 600, 0.896579), (2, 3600, 0.981138), (2, 7200, 0.990479)]


@pytest.mark.parametrize(("order", "seconds", "degree"), NTH_ORDER)
def test_nth_order_degrees(order: float, seconds: float, degree: float) -> None:
    kinetics = Kinetics(1e7, 75, n=order)
    assert degree_of_cure_nth_order([0, seconds], [170, 170], kinetics) == pytest.approx(degree, abs=6e-7)
    half = degree_of_cure_nth_order([0, seconds / 2], [170, 170], kinetics)
    assert degree_of_cure_nth_order([0, seconds / 2], [170, 170], kinetics, half) == pytest.approx(degree, abs=6e-7)


# Constructed Kamal-Sourour parameters; our own calculation with another solver
KAMAL = Kinetics(2e4, 60, n=1.4, model="kamal", a2_per_s=4e6, e2_kj_mol=70, m=0.8)
DEGREES = {
    170: ((60, 0.255269), (300, 0.932912), (600, 0.987548), (1800, 0.999201), (3600, 0.999859), (7200, 0.999975)),
    150: ((60, 0.077862), (300, 0.628088), (600, 0.898254), (1800, 0.992706), (3600, 0.998705), (7200, 0.999771)),
}


@pytest.mark.parametrize("temp", [150, 170])
def test_kamal_degrees(temp: int) -> None:
    for seconds, degree in DEGREES[temp]:
        assert degree_of_cure_kamal([0, seconds], [temp, temp], KAMAL) == pytest.approx(degree, abs=1e-6)


@pytest.mark.parametrize(("m", "n"), [(0.8, 1.4), (0.5, 1.0), (1.3, 1.2), (0.4, 0.7), (1.0, 2.0)])
def test_kamal_along_a_ramp_agrees_with_scipy(m: float, n: float) -> None:
    times, temps = np.array([0.0, 1800.0, 5400.0, 6000.0]), np.array([25.0, 150.0, 155.0, 60.0])

    def slope(t: float, a: np.ndarray) -> float:  # type: ignore[type-arg]
        temp = float(np.interp(t, times, temps))
        done = min(max(float(a[0]), 0.0), 1.0)
        k1, k2 = (factor * math.exp(-energy / (R * (temp + 273.15))) for factor, energy in ((2e4, 60e3), (4e6, 70e3)))
        return (k1 + k2 * done**m) * (1 - done) ** n

    kinetics = Kinetics(2e4, 60, n=n, model="kamal", a2_per_s=4e6, e2_kj_mol=70, m=m)
    for end in (900.0, 1800.0, 6000.0):
        inside = times <= end
        t, y = np.r_[times[inside], end], np.r_[temps[inside], np.interp(end, times, temps)]
        other = solve_ivp(slope, (0, end), [0.0], method="LSODA", rtol=1e-10, atol=1e-12, max_step=5.0).y[0, -1]
        assert degree_of_cure_kamal(t, y, kinetics) == pytest.approx(other, abs=2e-6)


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """How long each step was that is taken from here on."""
    taken: list[float] = []
    step = kinetics._step
    monkeypatch.setattr(kinetics, "_step", lambda *how: taken.append(step(*how)) or taken[-1])
    return taken


def test_a_hot_reaction_ends_and_takes_no_time(steps: list[float]) -> None:
    """At 500 degrees C the constructed reaction is over in a blink; two hours of it must not be stepped through at that pace."""
    assert degree_of_cure_kamal([0, 7200], [500, 500], KAMAL) == pytest.approx(1, abs=1e-6)
    assert 100 < len(steps) < 2000


def test_a_reaction_that_cools_or_never_begins_takes_no_time(steps: list[float]) -> None:
    """What is slow now is not stepped through at the pace of the hottest; where there is no first constant, nothing begins."""
    assert degree_of_cure_kamal([0, 7200], [500, -20], KAMAL) == pytest.approx(1, abs=1e-6)
    assert degree_of_cure_kamal([0, 7200], [-20, 500], KAMAL) == pytest.approx(1, abs=1e-6)
    assert 100 < len(steps) < 4000
    del steps[:]
    assert degree_of_cure_kamal([0, 7200], [170, 170], Kinetics(0, 60, model="kamal", a2_per_s=4e9, e2_kj_mol=70, m=0.8)) == 0
    assert degree_of_cure_kamal([0, 7200], [20, 20], Kinetics(0, 60, model="kamal")) == 0
    assert len(steps) < 10
    assert math.isclose(degree_of_cure_nth_order([0, 7200], [170, 170], Kinetics(1e7, 75, n=0.5)), 1)


def test_fast_and_noisy_readings_give_the_degree_of_their_average() -> None:
    seconds = np.arange(0, 6001.0)
    temps = np.interp(seconds, [0, 1800, 5400, 6000], [25, 150, 155, 60])
    noise = np.random.default_rng(3).normal(0, 0.2, len(seconds))
    for end in (1200, 1800, 6000):
        corners = [0, *[corner for corner in (1800, 5400) if corner < end], end]
        smooth = degree_of_cure_kamal(corners, temps[corners], KAMAL)
        assert degree_of_cure_kamal(seconds[: end + 1], temps[: end + 1], KAMAL) == pytest.approx(smooth, abs=2e-5)
        assert degree_of_cure_kamal(seconds[: end + 1], (temps + noise)[: end + 1], KAMAL) == pytest.approx(smooth, abs=3e-4)

"""Type K thermocouples: temperature and voltage, ITS-90.

Source: NIST Monograph 175 / NIST Standard Reference Database 60, type K, reference junction 0 degC. Only what an oven needs:
0 to 500 degC (0 to 20.644 mV), where the published inverse is good to 0.05 degC and two Newton steps make it exact.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

_EMF = (
    -0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04, -0.994575928740e-07, 0.318409457190e-09,
    -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22, -0.121047212750e-25,
)  # fmt: skip
_A0, _A1, _A2 = 0.1185976, -0.1183432e-03, 126.9686
_INVERSE = (
    0.0, 25.08355, 0.07860106, -0.2503131, 0.08315270, -0.01228034, 9.804036e-04, -4.413030e-05, 1.057734e-06, -1.052755e-08,
)  # fmt: skip
GREATEST_MV = 20.644


def type_k_emf_mv(temp_c: ArrayLike) -> NDArray[np.float64]:
    """Voltage against a junction at 0 degC, for 0 to 1372 degC; NaN outside."""
    t = np.asarray(temp_c, dtype=np.float64)
    emf = np.polynomial.polynomial.polyval(t, _EMF) + _A0 * np.exp(_A1 * (t - _A2) ** 2)
    return np.where((t >= 0) & (t <= 1372), emf, np.nan)


def type_k_c(emf_mv: ArrayLike) -> NDArray[np.float64]:
    """The temperature that gives this voltage against a junction at 0 degC, for 0 to 500 degC; NaN outside."""
    emf = np.asarray(emf_mv, dtype=np.float64)
    inside = (emf >= -1e-9) & (emf <= GREATEST_MV)
    temp = published_inverse_c(np.where(inside, emf, 0.0))
    for _ in range(2):
        temp = np.clip(temp - (type_k_emf_mv(np.clip(temp, 0, 1372)) - emf) / _slope(temp), 0, 1372)
    return np.where(inside, temp, np.nan)


def published_inverse_c(emf_mv: ArrayLike) -> NDArray[np.float64]:
    """NIST's inverse polynomial as published, for 0 to 20.644 mV."""
    return np.asarray(np.polynomial.polynomial.polyval(np.asarray(emf_mv, dtype=np.float64), _INVERSE), dtype=np.float64)


def hot_junction_c(reading_mv: ArrayLike, cold_junction_c: ArrayLike) -> NDArray[np.float64]:
    """The temperature of the hot junction, from the voltage measured against a cold junction that is not at 0 degC."""
    return type_k_c(np.asarray(reading_mv, dtype=np.float64) + type_k_emf_mv(cold_junction_c))


def _slope(temp_c: NDArray[np.float64]) -> NDArray[np.float64]:
    powers = np.arange(1, len(_EMF)) * np.array(_EMF[1:])
    bell = _A0 * np.exp(_A1 * (temp_c - _A2) ** 2) * 2 * _A1 * (temp_c - _A2)
    return np.asarray(np.polynomial.polynomial.polyval(temp_c, powers) + bell, dtype=np.float64)

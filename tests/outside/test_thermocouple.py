"""Type K values of ITS-90 against our polynomials. Source: NIST Monograph 175 / NIST SRD 60, table type_k (three decimals, from memory)."""

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from app.ovens.thermocouple import hot_junction_c, published_inverse_c, type_k_c, type_k_emf_mv

# degrees C, mV by the table (from memory), mV, slope in uV/K and inverse polynomial by our own calculation from the published coefficients
TABLE = [
    (0, 0.000, 0.000000, 39.450, 0.0000), (25, 1.000, 1.000242, 40.518, 24.9896), (100, 4.096, 4.096230, 41.369, 99.9689),
    (150, 6.138, 6.138344, 40.279, 150.0292), (170, 6.941, 6.940588, 39.980, 170.0213), (175, 7.140, 7.140385, 39.941, 175.0156),
    (200, 8.138, 8.138473, 39.965, 199.9839), (250, 10.153, 10.153369, 40.710, 249.9963),
]  # fmt: skip


@pytest.mark.parametrize(("temp", "printed", "emf", "slope", "inverse"), TABLE)
def test_voltages_are_those_of_the_table(temp: float, printed: float, emf: float, slope: float, inverse: float) -> None:
    assert float(type_k_emf_mv(temp)) == pytest.approx(printed, abs=5.5e-4)
    assert float(type_k_emf_mv(temp)) == pytest.approx(emf, abs=6e-7)
    assert float(type_k_emf_mv(temp + 0.01) - type_k_emf_mv(max(temp - 0.01, 0))) * 1000 / (0.02 if temp else 0.01) == pytest.approx(slope, abs=2e-3)
    assert float(published_inverse_c(emf)) == pytest.approx(inverse, abs=1e-4)
    assert float(type_k_c(emf)) == pytest.approx(temp, abs=2e-5)


def test_the_inverse_is_exact_where_the_published_one_is_good_to_its_stated_error() -> None:
    temps = np.linspace(0, 500, 2001)
    emf = type_k_emf_mv(temps)
    assert np.abs(type_k_c(np.minimum(emf, 20.644)) - temps)[:-1].max() < 1e-7
    error = published_inverse_c(emf) - temps  # stated: -0.05 to +0.04 degrees C (from memory)
    assert error.min() > -0.06
    assert error.max() < 0.05


def test_scipy_inverts_the_table_to_the_same_temperatures() -> None:
    temps = np.linspace(0, 500, 1001)
    inverse = PchipInterpolator(type_k_emf_mv(temps), temps)
    emf = np.linspace(0.1, 20.5, 37)
    assert type_k_c(emf) == pytest.approx(inverse(emf), abs=1e-4)


def test_a_cold_junction_is_added_as_voltage() -> None:
    """Hot 170 and cold 25 degrees C read 6.940588 - 1.000242 = 5.940346 mV (our own calculation)."""
    assert float(hot_junction_c(5.940346, 25)) == pytest.approx(170, abs=1e-4)


def test_outside_the_range_there_is_no_temperature() -> None:
    assert np.isnan(type_k_c([-0.5, 20.7, np.nan, np.inf])).all()
    assert np.isnan(type_k_emf_mv([-1, 1400])).all()

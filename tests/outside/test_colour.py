"""Colour against colour-science 0.4.7 (BSD-3) and published numbers; each names its source."""

import warnings

import numpy as np
import pytest

from app.final_test.chromaticity import _LOCUS, EQUAL_ENERGY, dominant_wavelength, spectral_locus

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it says that it can't draw here
    import colour

OBSERVER = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
D65 = (0.3127, 0.3290)


def locus(step_nm: int, first_nm: int = 380, last_nm: int = 700) -> tuple[np.ndarray, np.ndarray]:
    """Wavelengths and chromaticities of colour-science's own table."""
    wanted = (OBSERVER.wavelengths >= first_nm) & (OBSERVER.wavelengths <= last_nm) & (OBSERVER.wavelengths % step_nm == 0)
    values = OBSERVER.values[wanted]
    return OBSERVER.wavelengths[wanted], values[:, :2] / values.sum(axis=1, keepdims=True)


def test_our_table_of_the_spectral_locus_is_the_standard_s() -> None:
    """CIE 1931 2 degree observer (ISO/CIE 11664-1), as colour-science carries it."""
    _, theirs = locus(5, 430, 660)
    assert np.abs(np.array(_LOCUS) - theirs).max() <= 0.5e-5 + 1e-12


def test_the_locus_that_is_drawn_is_the_standard_s_to_both_ends() -> None:
    """The same table, 380 to 700 nm, in order of wavelength."""
    nm, theirs = locus(1)
    drawn = spectral_locus()
    assert list(drawn) == sorted(drawn)
    assert (min(drawn), max(drawn)) == (380, 700)
    assert np.abs(np.array(list(drawn.values())) - theirs[np.isin(nm, list(drawn))]).max() <= 0.5e-5 + 1e-12


# The first pair stands in colour-science's documentation (616 nm on its grid of 1 nm); the others are our own calculation from its
# 1 nm table, interpolated: red, green and blue LEDs and mixtures.
DOMINANT = [
    ((0.54369557, 0.32107944), D65, 616.40), ((0.54369557, 0.32107944), EQUAL_ENERGY, 617.94),
    ((0.69, 0.305), EQUAL_ENERGY, 621.95), ((0.69, 0.305), D65, 621.90), ((0.17, 0.7), EQUAL_ENERGY, 524.94), ((0.17, 0.7), D65, 526.06),
    ((0.13, 0.075), EQUAL_ENERGY, 471.18), ((0.13, 0.075), D65, 471.06), ((0.25, 0.35), EQUAL_ENERGY, 494.27), ((0.4, 0.5), D65, 568.48),
    ((0.6857, 0.3142), EQUAL_ENERGY, 617.29), ((0.3, 0.6), EQUAL_ENERGY, 547.93), ((0.64, 0.33), D65, 611.28),
]  # fmt: skip


@pytest.mark.parametrize(("xy", "white", "nm"), DOMINANT)
def test_colours_have_their_dominant_wavelength(xy: tuple[float, float], white: tuple[float, float], nm: float) -> None:
    assert dominant_wavelength(*xy, white) == pytest.approx(nm, abs=0.3)


def test_dominant_wavelengths_agree_with_another_library() -> None:
    """Mixtures of white with light between two whole nm; colour-science answers one of them (a ray through a corner confuses it)."""
    whole, corners = locus(1, 440, 650)
    wavelengths, places = (whole[:-1] + whole[1:]) / 2, (corners[:-1] + corners[1:]) / 2
    shares = np.random.default_rng(4).uniform(0.3, 0.95, len(wavelengths))
    for nm, place, share in zip(wavelengths, places, shares, strict=True):
        x, y = np.array(EQUAL_ENERGY) + share * (place - np.array(EQUAL_ENERGY))
        assert dominant_wavelength(x, y) == pytest.approx(nm, abs=0.3)
        assert float(colour.dominant_wavelength([x, y], list(EQUAL_ENERGY))[0]) == pytest.approx(nm, abs=0.5)


@pytest.mark.parametrize("xy", [EQUAL_ENERGY, (0.35, 0.20), (0.30, 0.15), (0.735, 0.265)], ids=["white", "purple", "violet", "beyond 660"])
def test_what_has_no_dominant_wavelength_here_gets_none(xy: tuple[float, float]) -> None:
    assert dominant_wavelength(*xy) is None

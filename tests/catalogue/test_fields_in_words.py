"""A field of a definition as a page says it: its unit apart, what it belongs to first."""

import pytest

from app.catalogue.changes import in_words


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("set_point_c", "set point, °C"), ("ramp_up_max_c_per_min", "ramp up max, °C/min"), ("soak_minutes", "soak, min"),
        ("bins[A1].polygons[1].x", "bins A1, polygons 1, x"), ("activation_energy_kj_mol", "activation energy, kJ/mol"), ("name", "name"),
    ],
)  # fmt: skip
def test_a_unit_stands_apart_from_the_name(path: str, words: str) -> None:
    assert in_words(path) == words

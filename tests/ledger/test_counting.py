import random
from statistics import stdev

import pytest

from app.errors import BadInput
from app.ledger.counting import by_weight, compare, usual_u


@pytest.mark.parametrize(
    ("book", "counted", "u_book", "u_counted", "delta", "limit", "within"),
    [
        (9600, 9600, 0.0, 0.0, 0, 0.0, True),
        (9600, 9599, 0.0, 0.0, -1, 0.0, False),
        (9600, 9590, 3.0, 4.0, -10, 10.0, True),
        (9600, 9611, 3.0, 4.0, 11, 10.0, False),
        (9600, 9589, 3.0, 4.0, -11, 10.0, False),
    ],
)
def test_two_amounts_agree_inside_twice_the_combined_uncertainty(
    book: int, counted: int, u_book: float, u_counted: float, delta: int, limit: float, within: bool
) -> None:
    found = compare(book, counted, u_book, u_counted)
    assert (found.delta, found.limit, found.within) == (delta, limit, within)


def test_a_weight_says_units_and_how_well() -> None:
    """9,600 pieces of 12.5 mg in a jar of 80 g: the scale is good to 0.01 g, a piece to one in a thousand."""
    found = by_weight(gross_g=200.0, tare_g=80.0, piece_g=0.0125, u_scale_g=0.01, u_piece_share=0.001)
    assert found.units == 9600
    assert found.u == pytest.approx((0.8**2 + 0.8**2 + 9.6**2) ** 0.5)
    assert by_weight(80.0, 80.0, 0.0125, 0.0, 0.001).u == 0.0


def test_weighing_again_and_again_scatters_as_it_says() -> None:
    """The propagated uncertainty against simulated weighings (JCGM 101 does it so); 4,000 draws know a spread to about 1 %."""
    chance = random.Random(5)
    said = by_weight(200.0, 80.0, 0.0125, 0.05, 0.002)
    drawn = [
        (chance.gauss(200.0, 0.05) - chance.gauss(80.0, 0.05)) / chance.gauss(0.0125, 0.0125 * 0.002) for _ in range(4000)
    ]
    assert stdev(drawn) == pytest.approx(said.u, rel=0.05)


@pytest.mark.parametrize(
    ("what", "value"), [("piece_g", 0.0), ("piece_g", -1.0), ("gross_g", 79.0), ("u_scale_g", float("nan")), ("tare_g", float("inf"))]
)
def test_what_is_no_weighing_is_refused_by_name(what: str, value: float) -> None:
    given = {"gross_g": 200.0, "tare_g": 80.0, "piece_g": 0.0125, "u_scale_g": 0.01, "u_piece_share": 0.001} | {what: value}
    with pytest.raises(BadInput) as refusal:
        by_weight(**given)
    assert refusal.value.reasons[0].where == what


def test_what_is_counted_by_its_place_is_exact() -> None:
    assert usual_u("cells", 9600) == usual_u("pockets", 4500) == 0
    assert 0 < usual_u("counter", 4500) < usual_u("hand", 4500)
    with pytest.raises(BadInput, match="weight"):
        usual_u("weight", 100)

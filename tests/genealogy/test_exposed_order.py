"""The order of exposed things: by what is shown, then by code, whatever the last bit of a sum is."""

from app.genealogy.chances import Chance
from app.genealogy.escape import escape_curve
from app.genealogy.exposure import ExposedRow, _sorted
from app.genealogy.mixing import Exposed

THIRD = (0.1 + 0.2, 0.3)  # the same number, summed in two ways


def _row(code: str, expected: float) -> ExposedRow:
    return ExposedRow("pack", code, "", "stock", Exposed(10, 0, expected, 1, expected, expected, Chance(0.3), past_bin=False))


def test_rows_that_show_the_same_stand_by_code() -> None:
    for one, other in (THIRD, THIRD[::-1]):
        rows = [_row("K2", one), _row("K1", other), _row("K3", 0.4)]
        assert [row.code for row in _sorted(rows)] == ["K3", "K1", "K2"]


def test_packs_of_one_density_are_stopped_by_code() -> None:
    for one, other in (THIRD, THIRD[::-1]):
        order, _ = escape_curve([_row("K2", one), _row("K1", other), _row("K3", 0.4)])
        assert [row.code for row in order] == ["K3", "K1", "K2"]

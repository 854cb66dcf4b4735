"""What a map leaves open is asked in one answer: whoever answers it all is not asked again."""

import pytest

from app.errors import BadInput
from app.receiving.die_map import Stated
from app.receiving.die_maps import read_maps

GRID = ".11.\n1121\n1111\n.11.\n"
ODD = ".1.\n121\n.1.\n"


def open_of(text: str, stated: Stated = Stated()) -> list[str]:  # noqa: B008  # it never changes
    """The last word of each place that is asked about."""
    with pytest.raises(BadInput) as found:
        read_maps(text.encode(), "m.txt", stated)
    return [reason.where.split(", ")[-1] for reason in found.value.reasons]


def test_a_bare_grid_is_asked_for_everything_at_once() -> None:
    assert open_of(GRID) == ["line 1", "passing bins", "origin"]
    read_maps(GRID.encode(), "m.txt", Stated(null=".", passing=("1",), origin="UpperLeft"))


@pytest.mark.parametrize(("head", "stated", "places"), [
    ("null: .\n\n", Stated(), ["passing bins", "origin"]),
    ("null: .\n\n", Stated(passing=("1",)), ["origin"]),
    ("origin: UpperLeft\n\n", Stated(), ["line 3", "passing bins"]),
    ("bin 1: pass\nbin 2: fail\n\n", Stated(), ["line 4", "origin"]),
    ("origin: center\n\n", Stated(passing=("1",)), ["line 3", "axis direction"]),
    ("null: .\norigin: center\n\n", Stated(), ["passing bins", "axis direction"]),
    ("null: .\n\n", Stated(origin="0"), ["passing bins", "axis direction"]),
])  # fmt: skip
def test_what_the_file_or_the_sender_said_is_not_asked(head: str, stated: Stated, places: list[str]) -> None:
    assert open_of(head + ODD, stated) == places


def test_the_centre_is_offered_with_the_axes_that_it_needs() -> None:
    with pytest.raises(BadInput) as found:
        read_maps(GRID.encode(), "m.txt", Stated(null=".", passing=("1",)))
    assert "With Center also the axis direction: one of DownRight" in found.value.now
    with pytest.raises(BadInput) as found:
        read_maps(GRID.encode(), "m.txt", Stated(null=".", passing=("1",), axis="UpRight"))
    assert "With Center" not in found.value.now

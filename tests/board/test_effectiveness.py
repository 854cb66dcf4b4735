"""Overall equipment effectiveness against sums worked by hand from the definitions of SEMI E10, SEMI E79 and ISO 22400-2."""

import pytest

from app.board.effectiveness import Output, StateHours, iso_22400, semi_e79

DAY = StateHours(productive=18, standby=2, engineering=1, scheduled_down=1, unscheduled_down=1.5, non_scheduled=0.5)
MADE = Output(made=50_400, good=49_000, theoretical_hours=50_400 / 3_000)


def test_a_day_of_24_hours_by_semi_e79() -> None:
    """49,000 good units at 3,000 an hour take 16.333 h of the 24."""
    found = semi_e79(DAY, MADE)
    assert found.value == pytest.approx(0.68056, abs=5e-6)
    assert found.value == pytest.approx(49_000 / 3_000 / 24)
    assert [term.value for term in found.terms] == pytest.approx([21 / 24, 18 / 21, 16.8 / 18, 49_000 / 50_400])


def test_the_same_day_by_iso_22400() -> None:
    """The same 16.333 h, of the 22.5 that were planned to be busy: neither the half hour off nor the planned stop counts."""
    found = iso_22400(DAY, MADE)
    assert found.value == pytest.approx(0.72593, abs=5e-6)
    assert found.value == pytest.approx(49_000 / 3_000 / 22.5)
    assert [term.value for term in found.terms] == pytest.approx([18 / 22.5, 16.8 / 18, 49_000 / 50_400])


def test_what_was_never_planned_has_no_index_and_a_day_without_work_has_none_either() -> None:
    assert iso_22400(StateHours(non_scheduled=24), Output()).value is None
    assert semi_e79(StateHours(standby=24), Output()).value is None


def test_hours_and_outputs_of_stations_add() -> None:
    both = DAY + StateHours(standby=24)
    assert (both.total, both.uptime, both.planned_busy) == (48, 45, 46.5)
    assert MADE + Output(10, 9, 0.5) == Output(50_410, 49_009, 17.3)

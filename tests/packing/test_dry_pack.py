from datetime import UTC, datetime, timedelta

import pytest

from app.errors import BadInput
from app.packing.dry_pack import use_before


@pytest.mark.parametrize(
    ("sealed", "months", "ends"),
    [
        ("2025-02-28", 12, "2026-02-28"),
        ("2024-02-29", 12, "2025-02-28"),
        ("2024-02-29", 48, "2028-02-29"),
        ("2025-08-31", 6, "2026-02-28"),
        ("2025-12-15", 1, "2026-01-15"),
        ("2025-11-30", 13, "2026-12-30"),
    ],
)
def test_shelf_life_ends_on_the_same_day_or_the_last_of_the_month(sealed: str, months: int, ends: str) -> None:
    noon = timedelta(hours=12)
    assert use_before(datetime.fromisoformat(sealed).replace(tzinfo=UTC) + noon, months) == datetime.fromisoformat(ends).replace(tzinfo=UTC) + noon


def test_the_day_of_the_seal_is_the_factory_s() -> None:
    """Sealed on 1 March in Taipei, when it was still 28 February in UTC: the month ends count there."""
    sealed = datetime(2025, 2, 28, 20, tzinfo=UTC)
    assert use_before(sealed, 1, "Asia/Taipei") == datetime(2025, 3, 31, 20, tzinfo=UTC)
    assert use_before(sealed, 1) == datetime(2025, 3, 28, 20, tzinfo=UTC)


@pytest.mark.parametrize("months", [0, -3, 10**7])
def test_months_that_end_nowhere_are_refused(months: int) -> None:
    with pytest.raises(BadInput, match="months"):
        use_before(datetime(2025, 1, 1, tzinfo=UTC), months)

"""Shelf life in a sealed barrier bag (J-STD-033): so many months from the seal; a day that the month lacks is its last."""

from calendar import monthrange
from datetime import datetime


def use_before(sealed_at: datetime, months: int) -> datetime:
    """Sealed on 29 February 2024, 12 months: 28 February 2025."""
    total = sealed_at.month - 1 + months
    year, month = sealed_at.year + total // 12, total % 12 + 1
    return sealed_at.replace(year=year, month=month, day=min(sealed_at.day, monthrange(year, month)[1]))

"""What is in a container now."""

from sqlalchemy import ColumnElement, select

from app.ledger.loose_stock import LooseStock
from app.ledger.places import Content


def is_inside() -> ColumnElement[bool]:
    """Of a content: it is there now. Of a loose lot that gave all that it had nothing is left in its jar."""
    emptied = select(LooseStock.lot).where(LooseStock.lot == Content.item, LooseStock.emptied_e.is_not(None))
    return Content.closed_e.is_(None) & ~emptied.exists()

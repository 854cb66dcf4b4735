"""Pages of a list over the API, the newest first: numbers fall from page to page, and each says where the next begins."""

from operator import attrgetter
from typing import Annotated, Any, TypeVar

from fastapi import Query
from pydantic import Field
from sqlalchemy import Select
from sqlalchemy.orm import InstrumentedAttribute, Session

from app.machines.bodies import LARGEST

Before = Annotated[int | None, Query(ge=1, le=LARGEST, description="`next` of the page before.")]
Limit = Annotated[int, Query(ge=1, le=1000, description="How many at most.")]
Next = Annotated[int | None, Field(description="Send it as `before` for the next page; empty: that was the last.", examples=[None])]
_Row = TypeVar("_Row")


def page(
    session: Session, query: Select[_Row], number: InstrumentedAttribute[int], before: int | None, limit: int
) -> tuple[list[_Row], int | None]:
    """Rows of `query`, which has them by falling `number`, below `before`; and the number to ask for the next page by."""
    found = session.scalars((query if before is None else query.where(number < before)).limit(limit + 1))
    return cut(list(found), limit, number.key)


def cut(found: list[Any], limit: int, number: str) -> tuple[list[Any], int | None]:
    """A page of rows that were asked for one beyond it: only so does the last page know that it is."""
    return found[:limit], attrgetter(number)(found[limit - 1]) if len(found) > limit else None

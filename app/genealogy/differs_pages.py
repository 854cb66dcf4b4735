"""The page that sets reels or lots side by side, and the same as CSV."""

from typing import Annotated

from fastapi import Query, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from app.genealogy.differs import COMPARED, KINDS, Differs, differs, table
from app.naming.resolve import resolve
from app.people.callers import Calling, page_router
from app.web import csv_file, house_of, render

router = page_router()
Codes = Annotated[tuple[str, ...], Query(max_length=2000)]


@router.get("/differs")
def differs_page(request: Request, who: Calling, code: Codes = (), shared: bool = True) -> Response:
    """`shared`: with what all of them have. With one code alone the form waits for another."""
    codes = _codes(code)
    found = None
    if len(codes) > 1:
        with house_of(request).walking() as session:
            found = _differs(session, codes)
    return render(request, "genealogy/differs.html", asked=codes, found=found, kinds=KINDS, shared=shared)


@router.get("/differs/csv")
def differs_as_csv(request: Request, who: Calling, code: Codes = ()) -> Response:
    with house_of(request).walking() as session:
        head, rows = table(_differs(session, _codes(code)))
    return csv_file("what-differs", head, rows)


def _codes(code: Codes) -> list[str]:
    return [one for text in code for one in text.replace(",", " ").split()]


def _differs(session: Session, codes: list[str]) -> Differs:
    return differs(session, [resolve(session, code, *COMPARED) for code in codes])

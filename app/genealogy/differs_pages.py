"""The page that sets reels or lots side by side, and the same as CSV."""

from typing import Annotated

from fastapi import Query, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from app.errors import Refused
from app.genealogy.differs import COMPARED, KINDS, Differs, differs, table
from app.naming.resolve import resolve
from app.people.callers import Calling, page_router
from app.several import codes_in
from app.web.downloads import csv_file
from app.web.installation import house_of
from app.web.rendering import render

router = page_router()
Codes = Annotated[tuple[str, ...], Query(max_length=2000)]


@router.get("/differs")
def differs_page(request: Request, who: Calling, code: Codes = (), shared: bool = True) -> Response:
    """`shared`: with what all of them have. With one code alone the form waits for another."""
    codes = codes_in(*code)
    found, refusal = None, None
    if len(codes) > 1:
        with house_of(request).walking() as session:
            try:
                found = _differs(session, codes)
            except Refused as one:  # the codes stay in the form, to be put right
                refusal = one
    status = refusal.status if refusal else 200
    return render(request, "genealogy/differs.html", status=status, refusal=refusal, asked=codes, found=found, kinds=KINDS, shared=shared)


@router.get("/differs/csv")
def differs_as_csv(request: Request, who: Calling, code: Codes = ()) -> Response:
    with house_of(request).walking() as session:
        head, rows = table(_differs(session, codes_in(*code)))
    return csv_file("what-differs", head, rows)


def _differs(session: Session, codes: list[str]) -> Differs:
    return differs(session, [resolve(session, code, *COMPARED) for code in codes])

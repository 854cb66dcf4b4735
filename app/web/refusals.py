"""Refusals as answers, and fields that do not fit; to whoever is not signed in, the page that signs in."""

from typing import cast
from urllib.parse import quote

from fastapi import Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response

from app.errors import CRAFTED, Reason, Refused
from app.misfits import is_crafted, misfit
from app.web.answers import answer, is_call
from app.web.rendering import to_wait
from app.web.said import LOST
from app.web.ways_back import page_left

_MOST_REASONS = 20


async def refused(request: Request, error: Exception) -> Response:
    refusal = cast(Refused, error)
    request.app.state.note_refused(request, refusal)
    if refusal.leads_to and not is_call(request):
        lost = f"&said={quote(LOST)}" if refusal.status == 401 and request.method == "POST" else ""
        return RedirectResponse(f"{request.url_for(refusal.leads_to).path}?next={quote(page_left(request), safe='/')}{lost}", status_code=303)
    headers = {"WWW-Authenticate": "Bearer"} if refusal.status == 401 else to_wait(refusal)
    return answer(request, refusal.status, refusal.what, list(refusal.reasons), headers=headers)


async def not_understood(request: Request, error: Exception) -> Response:
    found = cast(RequestValidationError, error).errors()
    if any(is_crafted(one) for one in found):
        request.app.state.note_tried(request, CRAFTED)
    reasons = [misfit(one) for one in found[:_MOST_REASONS]]
    return answer(request, 422, "The input is not understood.", reasons or [Reason("bad_input", "It can't be read.")])

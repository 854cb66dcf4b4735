"""What goes wrong as an answer: a page for a browser, a problem document (RFC 9457) for a call."""

from collections.abc import Mapping
from typing import Any

from fastapi import Request
from fastapi.responses import JSONResponse, Response

from app.errors import Reason
from app.outages import Outage
from app.web.rendering import render

_PROBLEM = "application/problem+json"


def is_call(request: Request) -> bool:
    return request.url.path.startswith("/api/")


def answer(request: Request, status: int, what: str, reasons: list[Reason], headers: Mapping[str, str] | None = None) -> Response:
    if is_call(request):
        return JSONResponse(_problem(status, what, reasons), status_code=status, media_type=_PROBLEM, headers=headers)
    page = render(request, "refusal.html", reads_all=True, status=status, what=what, reasons=reasons, missing=status == 404)
    page.headers.update(headers or {})
    return page


def answer_outage(request: Request, status: int, told: Outage) -> Response:
    """It is no refusal, so it has no kind."""
    if is_call(request):
        body = _problem(status, told.what, []) | {"detail": told.why, "now": told.now}
        return JSONResponse(body, status_code=status, media_type=_PROBLEM)
    reasons = [{"why": told.why, "now": told.now, "where": ""}]
    return render(request, "refusal.html", reads_all=True, status=status, what=told.what, reasons=reasons, missing=False)


def _problem(status: int, what: str, reasons: list[Reason]) -> dict[str, Any]:
    """RFC 9457, with the kind of the refusal beside its sentence and all grounds that apply."""
    kinds = list(dict.fromkeys(reason.kind for reason in reasons))
    return {
        "type": "about:blank", "title": what, "status": status, "detail": " ".join(reason.why for reason in reasons),
        "kind": kinds[0] if kinds else None, "kinds": kinds, "now": next((r.now for r in reasons if r.now), ""),
        "reasons": [{name: getattr(reason, name) for name in ("kind", "why", "now", "where")} for reason in reasons],
    }  # fmt: skip

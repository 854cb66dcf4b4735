"""The page /api: every call in one list, from the OpenAPI document itself."""

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.people.callers import maybe_caller
from app.web.late_routes import LateRoute
from app.web.rendering import render

router = APIRouter(include_in_schema=False, route_class=LateRoute)


@dataclass(frozen=True)
class Listed:
    method: str
    path: str
    words: str


@router.get("/api")
def calls(request: Request) -> Response:
    maybe_caller(request)  # the head of the page greets who is signed in; it says nothing that the document does not say
    rooms: defaultdict[str, list[Listed]] = defaultdict(list)
    document: dict[str, Any] = request.app.openapi()
    for path, methods in document["paths"].items():
        for method, call in methods.items():
            rooms[", ".join(call.get("tags", ["calls"]))].append(Listed(method.upper(), path, call.get("summary", "")))
    return render(request, "machines/calls.html", rooms=dict(rooms))

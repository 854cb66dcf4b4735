"""The OpenAPI document made once for all apps of a run: they have the same calls, and to make it takes longer than most tests."""

import json
from typing import Any

import fastapi.applications
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute

_made: list[tuple[list[APIRoute], str]] = []


def once() -> None:
    """From here on, in this process. What `app.machines.document` adds to it, each app adds to its own copy."""
    fastapi.applications.get_openapi = _known


def _known(*, routes: list[Any], **head: Any) -> dict[str, Any]:
    told = [route for route in routes if isinstance(route, APIRoute) and route.include_in_schema]
    for others, document in _made:
        if [*map(id, others)] == [*map(id, told)]:
            return dict(json.loads(document))
    _made.append((told, json.dumps(get_openapi(routes=routes, **head))))
    return dict(json.loads(_made[-1][1]))

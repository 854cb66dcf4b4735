"""A router of calls: under /api/v1, with the problems that each may answer; a JSON body with two keys of one name is refused."""

from collections.abc import Callable, Coroutine
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response
from fastapi.routing import APIRoute
from starlette.exceptions import HTTPException

from app.errors import bad_input
from app.machines.calls import PROBLEMS
from app.named_once import NamedTwice, read_json


def call_router(tag: str, under: str = "", **more: Any) -> APIRouter:
    return APIRouter(prefix=f"/api/v1{under}", tags=[tag], responses=PROBLEMS, route_class=_CallRoute, **more)


class _CallRequest(Request):
    async def json(self) -> Any:
        return read_json(await self.body())


class _CallRoute(APIRoute):
    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        handle = super().get_route_handler()

        async def with_names_once(request: Request) -> Response:
            try:
                return await handle(_CallRequest(request.scope, request.receive))
            except HTTPException as error:  # the framework's, of whatever it met while it read the body
                if not isinstance(error.__cause__, NamedTwice):
                    raise
                what, where = "The input is not understood.", ".".join(map(str, ("body", *error.__cause__.path)))
                why = "An object has two keys of this name, and which of them counts is left open."
                raise bad_input(what, where, why, "Keep the one that is right.") from None

        return with_names_once

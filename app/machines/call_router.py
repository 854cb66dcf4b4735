"""A router of calls: under /api/v1, with the problems that each may answer. A JSON body with two keys of one name is refused, and so is a
parameter that the call does not know, or that stands in the address twice: a misspelt filter would show everything, and one of two would be lost.
"""

from collections.abc import Callable, Coroutine, Iterable
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from app.errors import BadInput, bad_input, short
from app.machines.calls import PROBLEMS
from app.named_once import NamedTwice, read_json
from app.web.late_routes import LateRoute, parameters_of, told_often


def call_router(tag: str, under: str = "", **more: Any) -> APIRouter:
    return APIRouter(prefix=f"/api/v1{under}", tags=[tag], responses=PROBLEMS, route_class=_CallRoute, **more)


class _CallRequest(Request):
    async def json(self) -> Any:
        return read_json(await self.body())


class _CallRoute(LateRoute):
    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        handle, known = super().get_route_handler(), parameters_of(self.dependant)

        async def with_names_known_and_once(request: Request) -> Response:
            for name in request.query_params:
                if name not in known:
                    raise _unknown_parameter(name, known)
            for name in told_often(request.query_params, known):
                why = "Which of them counts is left open."
                raise bad_input(f"The parameter {name!r} stands in the address several times.", f"query.{name}", why, "Give it once.")
            try:
                return await handle(_CallRequest(request.scope, request.receive))
            except HTTPException as error:  # the framework's, of whatever it met while it read the body
                if not isinstance(error.__cause__, NamedTwice):
                    raise
                what, where = "The input is not understood.", ".".join(map(str, ("body", *error.__cause__.path)))
                why = "An object has two keys of this name, and which of them counts is left open."
                raise bad_input(what, where, why, "Keep the one that is right.") from None

        return with_names_known_and_once


def _unknown_parameter(name: str, known: Iterable[str]) -> BadInput:
    why = f"This call knows {', '.join(sorted(known))}." if known else "This call knows none."
    return bad_input(f"There is no parameter {short(name)!r}.", f"query.{short(name)}", why, "Correct it, or leave it out.")

"""The guard around every page and call: what is taken in and from whom, the headers of each answer, and where errors become answers."""

from collections.abc import Callable

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.middleware.body_limit import RequestBodyLimitMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.errors import Refused
from app.web.answers import is_call
from app.web.blank_pairs import NoBlankPairs
from app.web.crafted import note_address, note_much_of_nobody
from app.web.forgery import FromElsewhere, is_from_here
from app.web.framework_errors import framework_error, too_much
from app.web.headers import make_strict
from app.web.outages import MAY_BE_AWAY, away, broken
from app.web.refusals import not_understood, refused

_OF_STRANGERS = 1 << 20  # bytes: a body is read before anyone is asked who they are, and could fill the disk


def guard(
    app: FastAPI, most_bytes: int, is_known: Callable[[Request], bool],
    note_refused: Callable[[Request, Refused], None], note_tried: Callable[[Request, str], None],
) -> None:  # fmt: skip
    """Headers, forgery checks, the limit of what is taken in, and error answers for the whole app.

    `note_refused` is told of each refusal, `note_tried` of what weighs and is none: its kind of `people/security.py`.
    """
    app.state.patterns, app.state.menus = {}, {}
    app.add_middleware(_Guard, most_bytes=most_bytes, is_known=is_known)
    app.exception_handler(Refused)(refused)
    app.exception_handler(RequestValidationError)(not_understood)
    app.state.is_known, app.state.note_refused, app.state.note_tried = is_known, note_refused, note_tried
    app.exception_handler(HTTPException)(framework_error)
    for outage in MAY_BE_AWAY:
        app.exception_handler(outage)(away)
    app.exception_handler(Exception)(broken)


class _Guard:
    """Refuses what another site sent, and puts the strict headers on every answer. Plain ASGI: streams stay streams."""

    def __init__(self, app: ASGIApp, most_bytes: int, is_known: Callable[[Request], bool]) -> None:
        self.app, self.most_bytes, self.is_known = app, most_bytes, is_known

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope, receive)
        if is_call(request):
            scope["query_string"] = _given(scope["query_string"])
        try:
            app = await self._app_for(request)
        except MAY_BE_AWAY as error:
            app = await away(request, error)

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                make_strict(MutableHeaders(scope=message), request, message["status"])
            await send(message)

        await app(scope, receive, sent)
        note_address(request)  # last: who it was is known by now

    async def _app_for(self, request: Request) -> ASGIApp:
        if request.method not in ("GET", "HEAD", "OPTIONS") and not is_from_here(request):
            return await refused(request, FromElsewhere())
        is_nobody = _may_be_more_than(request, _OF_STRANGERS) and not await run_in_threadpool(self.is_known, request)
        request.state.is_nobody = is_nobody
        most = _OF_STRANGERS if is_nobody else self.most_bytes
        if _says_more_than(request, most):
            if is_nobody:
                note_much_of_nobody(request)
            return too_much(request)  # the limiter would answer in plain text; what says no length is stopped by it on the way
        return RequestBodyLimitMiddleware(NoBlankPairs(self.app), max_body_size=most)  # one limit and no other inside it: of two the inner counts


def _given(query: bytes) -> bytes:
    """The parameters of a call that say something: an empty one is as good as none, whatever its kind is."""
    return b"&".join(one for one in query.split(b"&") if one.partition(b"=")[2])


def _may_be_more_than(request: Request, most_bytes: int) -> bool:
    return request.headers.get("transfer-encoding") is not None or _says_more_than(request, most_bytes)


def _says_more_than(request: Request, most_bytes: int) -> bool:
    length = request.headers.get("content-length", "")
    return length.isascii() and length.isdigit() and (len(length) > 15 or int(length) > most_bytes)

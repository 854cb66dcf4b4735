"""What the framework refuses by itself, in words of ours: no such page, a way that it does not take, a body that it can't read."""

from typing import cast

from fastapi import Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from app.errors import CRAFTED, Reason
from app.web.answers import answer, is_call
from app.web.crafted import note_much_of_nobody
from app.web.outages import MAY_BE_AWAY, away

_HTTP = {  # what, why, now
    404: ("Not found.", "There is nothing at {path}.", "Search for it, or scan its code."),
    405: ("This can't be done here.", "{path} does not take {method}.", "Begin at the first page, or see the calls at /api."),
    413: ("Too much was sent.", "It is larger than this server takes in.", "Send it in parts, or ask the administrator to raise the limit."),
}
_UNREAD: tuple[tuple[type[Exception], tuple[str, str]], ...] = (  # by what the framework met in a body: why, now
    (UnicodeDecodeError, ("It is not text in UTF-8.", "Send it in UTF-8.")),
    (RecursionError, ("It is nested too deeply.", "Send it as the document at /api has it.")),
    (ValueError, ("It has a number with thousands of digits.", "Correct the number.")),
)
_METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")  # a program may get wrong which; the others are tried on servers
_TOO_LONG = ("A field is longer than 1 MB.", "Shorten it, or send it as a file.")
_UNREAD_FORMS = {  # by how the framework's own words of a form begin: why, now
    "Missing boundary": ("Its parts have no boundary between them.", "Send it as multipart/form-data with boundary=... in its Content-Type."),
    "Invalid multipart": ("Its parts can't be told from each other.", "Put the boundary of its Content-Type before each part, and after the last."),
    "The Content-Disposition": ("A part of it has no name.", "Give each part the name of its field."),
    "Part exceeded": _TOO_LONG,
    "Field exceeded": _TOO_LONG,
    "Too many": ("It has more than 1,000 fields or files.", "Send it in several calls."),
}
_NO_MORE = ("It can't be read.", "Send it as the document at /api has it.")


async def framework_error(request: Request, error: Exception) -> Response:
    """Nobody asked who calls: who is signed in shall keep the menu on a page that is not there, and what weighs is noted with who it was."""
    wrong = cast(HTTPException, error)
    crafted = _is_crafted(request, wrong)
    if crafted or not is_call(request):
        try:
            await run_in_threadpool(request.app.state.is_known, request)
        except MAY_BE_AWAY as gone:
            return await away(request, gone)
    if wrong.status_code == 413 and request.state.is_nobody:
        note_much_of_nobody(request)
    elif crafted:
        request.app.state.note_tried(request, CRAFTED)
    if wrong.status_code == 400:
        return answer(request, 400, "The input is not understood.", [_unread(wrong)])
    what, why, now = _HTTP.get(wrong.status_code, (str(wrong.detail), str(wrong.detail), "See the calls at /api."))
    kind = "unknown_code" if wrong.status_code == 404 else "bad_input"
    if wrong.status_code == 404 and b"%2f" in request.scope.get("raw_path", b"").lower():
        now = "A number with a slash can't stand in an address: "
        now += "ask /api/v1/things?code=... for its code, and use that." if is_call(request) else "search for it."
    reason = Reason(kind, why.format(path=request.url.path[:200], method=request.method), now)
    return answer(request, wrong.status_code, what, [reason], headers=wrong.headers)


def _is_crafted(request: Request, error: HTTPException) -> bool:
    """Text in another encoding is a ValueError as well, and anyone's mistake."""
    met = error.__cause__
    nested_or_long = isinstance(met, RecursionError | ValueError) and not isinstance(met, UnicodeDecodeError)
    return nested_or_long or (error.status_code == 405 and request.method not in _METHODS)


def too_much(request: Request) -> Response:
    what, why, now = _HTTP[413]
    return answer(request, 413, what, [Reason("bad_input", why, now)])


def _unread(error: HTTPException) -> Reason:
    """Of a body that the framework couldn't read it tells no more than that; of a form why, in its own words."""
    met = [words for kind, words in _UNREAD if isinstance(error.__cause__, kind)]
    told = [words for begin, words in _UNREAD_FORMS.items() if str(error.detail).startswith(begin)]
    return Reason("bad_input", *(*met, *told, _NO_MORE)[0], where="body")

"""What is away for a while, and a mistake of ours, as answers: neither is a refusal."""

import logging
from dataclasses import replace

from fastapi import Request
from fastapi.responses import Response
from sqlalchemy.exc import DBAPIError, TimeoutError

from app.outages import AGAIN, Outage, outage_of
from app.web.answers import answer_outage
from app.web.headers import make_strict

MAY_BE_AWAY = (DBAPIError, TimeoutError, OSError, MemoryError, RuntimeError)
_COME_AGAIN_SECONDS = "2"
_LONGEST = 200  # characters of an address
_MISTAKE = Outage("Something went wrong.", "The program made a mistake; nothing was changed.", "Try again; tell the administrator if it stays.")
_log = logging.getLogger("reelroot")


async def away(request: Request, error: Exception) -> Response:
    """What heals by itself or by other hands: 503 and when to come again, one line in the log."""
    outage = outage_of(error)
    if outage is None:
        raise error
    met = str(getattr(error, "orig", error)).strip().partition("\n")[0]
    _log.warning("%s %s: %s (%s)", request.method, _in_a_line(request.scope["path"][:_LONGEST]), outage.what, _in_a_line(met))
    answer = answer_outage(request, 503, replace(outage, now=f"{outage.now} {AGAIN}"))
    answer.headers["Retry-After"] = _COME_AGAIN_SECONDS
    return answer


def _in_a_line(text: str) -> str:
    """An address may have line ends, and signs that drive a terminal: who reads a log shall see them as signs."""
    return "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in text)


async def broken(request: Request, error: Exception) -> Response:
    """A mistake of ours: it is logged, and no trace of it leaves the house."""
    answer = answer_outage(request, 500, _MISTAKE)
    make_strict(answer.headers, request, 500)  # this answer does not pass the guard
    return answer

"""What is away for a while, and a mistake of ours, as answers: neither is a refusal."""

import logging
from dataclasses import replace

from fastapi import Request
from fastapi.responses import Response

from app.outages import AGAIN, Outage, outage_of
from app.web.answers import answer_outage
from app.web.headers import make_strict

_COME_AGAIN_SECONDS = "2"
_MISTAKE = Outage("Something went wrong.", "The program made a mistake; nothing was changed.", "Try again; tell the administrator if it stays.")
_log = logging.getLogger("reelroot")


async def away(request: Request, error: Exception) -> Response:
    """What heals by itself or by other hands: 503 and when to come again, one line in the log."""
    outage = outage_of(error)
    if outage is None:
        raise error
    _log.warning("%s %s: %s (%s)", request.method, request.url.path, outage.what, str(getattr(error, "orig", error)).strip().partition("\n")[0])
    answer = answer_outage(request, 503, replace(outage, now=f"{outage.now} {AGAIN}"))
    answer.headers["Retry-After"] = _COME_AGAIN_SECONDS
    return answer


async def broken(request: Request, error: Exception) -> Response:
    """A mistake of ours: it is logged, and no trace of it leaves the house."""
    answer = answer_outage(request, 500, _MISTAKE)
    make_strict(answer.headers, request, 500)  # this answer does not pass the guard
    return answer

"""What an act said, told once on the page that follows it. An address carries it, with a mark of the session that it was said to.

A link in a letter could put any words into our mouth otherwise: over plain HTTP browsers say nothing of what led to a page. Where the
session changes on the way, only these sentences are told.
"""

import hmac
import re

from fastapi import Request

from app.web.told_addresses import parts_of

TAKE_CARE = "Take care. "  # begins a sentence that is shown as one to take care of
# a form that ends its own session, as a new password does, may have been sent twice by one double click: then the first of them counts
LOST = (
    f"{TAKE_CARE}What you sent was not recorded, for you were not signed in any more. Sign in, and enter it again. "
    "If you had sent it twice, the first time counts, a new password too: look before you enter it again."
)
BADGE_IS = "Your badge code is {code}. Write it down, and sign in with it."
STATIONS_ARE_WITH = "Your stations are with {code} now."
TAKES_OVER = "{code} takes over."

OF_WHAT_IS_SAID = ("said", "mark")  # parameters that any page may have

_LONGEST = 300
_BADGE = "E-[0-9A-Z-]{1,20}"
_TO_ANYONE = re.compile("|".join(re.escape(words).replace(r"\{code\}", _BADGE) for words in (LOST, BADGE_IS, STATIONS_ARE_WITH, TAKES_OVER)))


def saying(request: Request, said: str) -> dict[str, str]:
    """The parameters of an address whose page says it."""
    said = said[:_LONGEST]
    return ({"said": said} | ({} if _TO_ANYONE.fullmatch(said) else {"mark": _mark(request, said)})) if said else {}


def said_to(request: Request) -> str:
    """What the page of this address says."""
    said, mark = request.query_params.get("said", ""), request.query_params.get("mark", "")
    if _TO_ANYONE.fullmatch(said):
        return said if _came_from_here(request) else ""
    expected = _mark(request, said)
    return said if expected and hmac.compare_digest(expected.encode(), mark.encode()) else ""


def _mark(request: Request, said: str) -> str:
    token = str(getattr(request.state, "form_token", ""))  # of the session: only its own pages have it
    return hmac.new(token.encode(), said.encode("utf-8", "surrogatepass"), "sha256").hexdigest()[:32] if token and said else ""


def _came_from_here(request: Request) -> bool:
    """As far as the browser says it."""
    came_from = parts_of(request.headers.get("referer", ""))
    is_ours = came_from is not None and came_from.netloc in ("", request.headers.get("host", ""))
    return is_ours and request.headers.get("sec-fetch-site", "same-origin") == "same-origin"

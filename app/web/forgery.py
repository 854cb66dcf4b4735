"""Request forgery: whose page sent this, and whose form it is."""

import secrets

from fastapi import Request

from app.errors import BadInput, NotAllowed, Reason
from app.web.told_addresses import parts_of


class FromElsewhere(NotAllowed):
    """Another site sent it."""

    event = "from_elsewhere"

    def __init__(self) -> None:
        super().__init__("This came from another site.", Reason("duty", "The origin is not this server.", "Open the page here."))


class Stale(BadInput):
    """A form that another session was given."""

    event = "from_elsewhere"

    def __init__(self) -> None:
        super().__init__("This form is stale.", Reason("bad_input", "It belongs to another session.", "Open the page again.", "form_token"))


def is_from_here(request: Request) -> bool:
    """A browser's write must come from this very host. A machine sends a bearer token and no cookie."""
    if request.headers.get("authorization", "").lower().startswith("bearer "):
        return True
    if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = request.headers.get("origin")
    if origin is None:
        return not request.cookies  # browsers send Origin on every POST; a client without cookies can forge nothing
    whose = parts_of(origin)
    if whose is None:
        return False
    if request.url.scheme == "https" and whose.scheme != "https":
        return False  # what stands between could have written that page; behind a proxy that says nothing of HTTPS it is the other way round
    return whose.netloc == request.headers.get("host", "")


def check_form(request: Request, token: str | None) -> None:
    """The form's own token must be that of the session."""
    expected = getattr(request.state, "form_token", "")
    if not expected or not secrets.compare_digest(expected.encode(), (token or "").encode()):
        raise Stale

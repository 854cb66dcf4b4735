"""The strict headers that every answer has."""

from fastapi import Request
from starlette.datastructures import MutableHeaders

HEADERS = {
    "Content-Security-Policy": "default-src 'self'; img-src 'self' data:; object-src 'none'; "
    "frame-ancestors 'none'; base-uri 'none'; form-action 'self'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


def make_strict(headers: MutableHeaders, request: Request, status: int) -> None:
    for name, value in HEADERS.items():
        headers.setdefault(name, value)
    if request.url.scheme == "https":
        headers.setdefault("Strict-Transport-Security", "max-age=31536000; includeSubDomains")
    is_file = request.url.path.startswith("/static/") and status < 400  # what is told of one that is missing is a page of who is signed in
    headers.setdefault("Cache-Control", "max-age=3600" if is_file else "no-store")

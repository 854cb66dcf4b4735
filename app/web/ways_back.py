"""Where a browser goes on after something else was asked of it: always to a page of this server."""

from urllib.parse import urlsplit

from fastapi import Request


def page_left(request: Request) -> str:
    """Where to go on after signing in: the page that was asked for, or the one whose form was sent."""
    if request.method == "GET":
        return here_only(request.url.path + (f"?{request.url.query}" if request.url.query else ""))
    left = urlsplit(request.headers.get("referer", ""))
    return here_only(left.path + (f"?{left.query}" if left.query else "")) if left.netloc == request.headers.get("host") else "/"


def here_only(path: str) -> str:
    """A path of this server, or the first page: `//host` and `/\\host` lead a browser elsewhere."""
    is_here = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if is_here else "/"

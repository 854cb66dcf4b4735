"""Where a browser goes on after something else was asked of it: always to a page of this server."""

from fastapi import Request

from app.web.told_addresses import parts_of


def page_left(request: Request) -> str:
    """Where to go on after signing in: the page that was asked for, or the one whose form was sent."""
    if request.method == "GET":
        return here_only(request.url.path + (f"?{request.url.query}" if request.url.query else ""))
    left = parts_of(request.headers.get("referer", ""))
    if left is None or left.netloc != request.headers.get("host"):
        return "/"
    return here_only(left.path + (f"?{left.query}" if left.query else ""))


def here_only(path: str) -> str:
    """A path of this server, or the first page: `//host` and `/\\host` lead a browser elsewhere."""
    is_here = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if is_here else "/"

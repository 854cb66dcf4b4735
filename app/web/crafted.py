"""What no browser, terminal or machine sends of itself: it is answered like any other, and counted, for somebody tries what gives way.

What a person may type, a scanner read or a program get wrong is not among it, or it would hide what weighs.
"""

import re

from fastapi import Request

from app.errors import CRAFTED

_BETWEEN = re.compile(r"[/\\]")


def note_address(request: Request) -> None:
    """A zero byte, or steps out of a folder: browsers take such steps themselves, before they send."""
    path: str = request.scope["path"]
    if "\0" in path or b"%00" in request.scope["query_string"] or (".." in path and ".." in _BETWEEN.split(path)):
        request.app.state.note_tried(request, CRAFTED)


def note_much_of_nobody(request: Request) -> None:
    """More than is read of a stranger. Whose session ended meanwhile sends the cookie still: that is no stranger's try."""
    if request.headers.get("authorization"):
        request.app.state.note_tried(request, "unknown_token")
    elif not request.cookies:
        request.app.state.note_tried(request, CRAFTED)

"""Numbers and codes as they stand in a sentence."""

import re

from markupsafe import Markup, escape

_CODE = re.compile(r"\b[A-Z][0-9A-Z]*-[0-9A-Z-]+\b")


def counted(n: int, word: str) -> str:
    """ "1 panel", "1,200 panels": a number never stands beside the wrong plural."""
    return f"{n:,} {word}{'' if n == 1 else 's'}"


def coded(text: str) -> Markup:
    """Text whose codes do not break at their hyphens when a line ends: half a code is read as another one."""
    return Markup(_CODE.sub(r'<span class="code">\g<0></span>', str(escape(text))))

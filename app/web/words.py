"""Numbers, codes and places as they stand in a sentence."""

import re

from markupsafe import Markup, escape

_FIELD = re.compile(r"(?!(body|query|path)\.)[a-z_]+(\.[\w-]+)*")
_CODE = re.compile(r"\b(?:[A-Z][0-9A-Z]*-[0-9A-Z-]+|[0-9]{4}-[0-9]{2}-[0-9]{2})\b")
_WHOLE = 20  # characters: ours have no more than 12; a part number that is longer breaks, or it would run over what stands beside it


def counted(n: int, word: str) -> str:
    """ "1 panel", "1,200 panels": a number never stands beside the wrong plural."""
    return f"{n:,} {word}{'' if n == 1 else 's'}"


def coded(text: str) -> Markup:
    """Text whose codes and dates do not break at their hyphens when a line ends: half a code is read as another one."""
    return Markup(_CODE.sub(lambda found: f'<span class="code">{found[0]}</span>' if len(found[0]) <= _WHOLE else found[0], str(escape(text))))


def place(where: str) -> str:
    """Of a refusal, for a page: a line, a column. Of a field of ours calls alone know the name: a form has labels, and a scan no fields."""
    return "" if _FIELD.fullmatch(where) else where

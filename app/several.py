"""Several codes typed into one field, apart by blanks or commas. Another's number that has such itself stands in double quotes, its own doubled."""

import re
from collections.abc import Iterable

_ONE = re.compile(r'"(?:[^"]|"")+"(?:@[^\s,]*)?|[^\s,]+')  # an exposure's code may have a span of its own behind it
_QUOTED = re.compile(r'^"((?:[^"]|"")+)"(.*)$', re.DOTALL)


def codes_in(*texts: str) -> list[str]:
    return [_QUOTED.sub(_unquoted, one) for text in texts for one in _ONE.findall(text)]


def as_typed(codes: Iterable[str]) -> str:
    """As `codes_in` reads them again."""
    return " ".join('"{}"'.format(code.replace('"', '""')) if re.search(r'[\s,]|^"', code) else code for code in codes)


def _unquoted(one: re.Match[str]) -> str:
    return one[1].replace('""', '"') + one[2]

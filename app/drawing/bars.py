"""Amounts as bars, one under another, each with its name and number beside it."""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

_ROW, _NAME, _LONG, _ALL = 28, 190, 360, 720  # a bar's row, where bars begin, the longest, the picture's width


@dataclass(frozen=True)
class Amount:
    """`look` is a class of the stylesheet; what it tells stands in the name or the note as well."""

    name: str
    value: int
    note: str
    look: str = ""


def bars(amounts: Sequence[Amount], title: str, name: str) -> str:
    """SVG. `name`: of its title and description in the page; unique there."""
    most = max((one.value for one in amounts), default=0)
    says = "; ".join(f"{one.name}: {one.value:,}, {one.note}" for one in amounts)
    height = len(amounts) * _ROW + 6
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="chart" viewBox="0 0 {_ALL} {height}" width="{_ALL}" height="{height}" role="img"'
        f' aria-labelledby="{name}-title" aria-describedby="{name}-says"><title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-says">{escape(says)}</desc>{"".join(_bar(n, one, most) for n, one in enumerate(amounts))}</svg>'
    )


def _bar(n: int, one: Amount, most: int) -> str:
    y = 4 + n * _ROW
    length = one.value / most * _LONG if most else 0.0
    name = one.name if len(one.name) <= 24 else one.name[:23] + "…"
    return (
        f'<text class="end" x="{_NAME - 8}" y="{y + 15}">{escape(name)}</text>'
        f'<rect class="amount {one.look}" x="{_NAME}" y="{y}" width="{max(length, 1):.1f}" height="20"/>'
        f'<text x="{_NAME + length + 8:.1f}" y="{y + 15}">{one.value:,} · {escape(one.note)}</text>'
    )

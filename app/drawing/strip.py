"""A route as a carrier tape: one pocket a step, sprocket holes along the edge, time windows as brackets above.

Each pocket is a picture of its own, so that the tape breaks anywhere when the page is narrow. The same stands in words with it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Literal

State = Literal["done", "open", "at risk", "in work", "next", "held", "to come"]
PITCH, HEIGHT, TOP, SIDE = 84, 112, 46, 46  # of the picture's own units: pocket to pocket, the whole, a pocket's upper edge, its side
_LEFT, _MIDDLE = (PITCH - SIDE) / 2, PITCH / 2
_SAYS = {"open": "done, its judgement is open", "at risk": "done, gone on at risk while its judgement is open"}


@dataclass(frozen=True)
class Pocket:
    """One step. `times`: how often it was done. `note`: what else there is to say, as "15 of 24 panels". `share`: how much of it is done."""

    number: int
    name: str
    state: State
    times: int = 0
    note: str = ""
    share: float = 0.0


@dataclass(frozen=True)
class Bracket:
    """A time window that runs, from pocket to pocket by number. `left`: the share of its time that is left, 1 to 0."""

    first: int
    last: int
    left: float


@dataclass(frozen=True)
class Drawn:
    """A pocket ready for the page: the picture with its title, and the words beneath it."""

    svg: str
    number: int
    name: str
    state: State
    words: str
    note: str


def strip(pockets: list[Pocket], brackets: Sequence[Bracket] = ()) -> list[Drawn]:
    """The tape, pocket by pocket."""
    return [Drawn(_picture(pocket, brackets), pocket.number, pocket.name, pocket.state, in_words(pocket), _beneath(pocket)) for pocket in pockets]


def _beneath(pocket: Pocket) -> str:
    """The note; and which time it is, where the picture has no room for it."""
    time = f"{ordinal(pocket.times)} time" if pocket.times > 1 and pocket.state != "done" else ""
    return ", ".join(filter(None, (time, pocket.note)))


def in_words(pocket: Pocket) -> str:
    """ "done, 2nd time"; "held"; "in work, 15 of 24 panels"."""
    again = f", {ordinal(pocket.times)} time" if pocket.times > 1 else ""
    return _SAYS.get(pocket.state, pocket.state) + again + (f", {pocket.note}" if pocket.note else "")


def ordinal(n: int) -> str:
    """2nd, 3rd, 11th."""
    ending = "th" if n % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


def _picture(pocket: Pocket, brackets: Sequence[Bracket]) -> str:
    title = f"{pocket.number}, {pocket.name}: {in_words(pocket)}"
    spans = [bracket for bracket in brackets if bracket.first <= pocket.number <= bracket.last]
    parts = [*_film(), *(part for bracket in spans for part in _bracket(pocket.number, bracket)), *_pocket(pocket)]
    size = f'viewBox="0 0 {PITCH} {HEIGHT}" width="{PITCH}" height="{HEIGHT}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img"><title>{escape(title)}</title>{"".join(parts)}</svg>'


def _film() -> Iterator[str]:
    yield f'<path class="film" d="M0 22h{PITCH}v{HEIGHT - 26}H0z"/>'
    for x in (PITCH / 4, PITCH * 3 / 4):
        yield f'<circle class="hole" cx="{x:g}" cy="33" r="5"/>'


def _pocket(pocket: Pocket) -> Iterator[str]:
    kind = pocket.state.replace(" ", "-")
    yield f'<rect class="pocket {kind}" x="{_LEFT:g}" y="{TOP}" width="{SIDE}" height="{SIDE}" rx="4"/>'
    middle = TOP + SIDE / 2
    if pocket.state in ("done", "open", "at risk"):  # a part: a square body, one corner cut to show which way round
        hollow = " hollow" if pocket.state != "done" else ""
        again = " again" if pocket.times > 1 else ""
        yield f'<path class="part{hollow}{again}" d="M{_LEFT + 9:g} {TOP + 8}h20l9 9v21h-29z"/>'
    if pocket.state == "at risk":
        yield f'<path class="risk" d="M{_MIDDLE:g} {middle - 12:g}l12 20h-24z"/><path class="riskbar" d="M{_MIDDLE:g} {middle - 4:g}v5m0 3v2"/>'
    elif pocket.state == "open":
        yield f'<text class="again" x="{_MIDDLE:g}" y="{middle + 6:g}">?</text>'
    elif pocket.state == "in work":  # a part that fills up from below
        yield f'<path class="begun" d="M{_LEFT + 9:g} {TOP + 8}h20l9 9v21h-29z"/><path class="arrow" d="{_filled(pocket.share)}"/>'
    elif pocket.state == "next":
        yield f'<path class="arrow" d="M{_MIDDLE - 9:g} {middle - 8:g}l18 8-18 8z"/>'
    elif pocket.state == "held":
        yield f'<path class="stop" d="M{_MIDDLE - 6:g} {middle - 15:g}h12l9 9v12l-9 9h-12l-9-9v-12z"/>'
        yield f'<path class="stopbar" d="M{_MIDDLE - 7:g} {middle:g}h14"/>'
    if pocket.times > 1 and pocket.state == "done":  # a colour never speaks alone
        yield f'<text class="again" x="{_MIDDLE - 1:g}" y="{middle + 5:g}">{ordinal(pocket.times)}</text>'


def _filled(share: float) -> str:
    """The lower `share` of a part 30 high, whose upper right corner is cut by 9. Begun is never empty, unfinished never full."""
    empty = 30 - min(26.0, max(4.0, 30 * share))
    cut = max(0.0, 9 - empty)
    return f"M{_LEFT + 9:g} {TOP + 8 + empty:g}h{29 - cut:g}l{cut:g} {cut:g}v{30 - empty - cut:g}h-29z"


def _bracket(number: int, bracket: Bracket) -> Iterator[str]:
    """This pocket's piece of the bracket. What has run off is thin, so that the thick part shrinks towards the end."""
    level = "over" if bracket.left <= 0 else "care"
    begin = _MIDDLE if number == bracket.first else 0.0
    end = _MIDDLE if number == bracket.last else float(PITCH)
    yield f'<path class="window {level} off" d="M{begin:g} 9H{end:g}"/>'
    if number in (bracket.first, bracket.last):
        yield f'<path class="window {level}" d="M{_MIDDLE:g} 18V8"/>'
    length = (bracket.last - bracket.first) * PITCH
    gone = (number - bracket.first) * PITCH - _MIDDLE + begin  # of the bracket, where this piece begins
    thick = begin + max(0.0, length * (1 - max(0.0, bracket.left)) - gone)
    if thick < end:
        yield f'<path class="window {level} left" d="M{thick:g} 9H{end:g}"/>'

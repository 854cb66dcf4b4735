"""What became of what, stage by stage from left to right: bars as high as their amounts, ribbons between them, each bar a link.

A ribbon takes its share of a bar by its amount. Ribbons that pass a stage by are led through a gap of it, so that they cross no bar.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from html import escape

PITCH, BAR, TOP = 238, 14, 46  # stage to stage, a bar's width, the upper edge of the bars
_SLOT, _GAP = 34, 6  # what two lines of text need, and what lies between two bars
_TALLEST, _ALL = 120.0, 460.0  # the highest bar; all bars of a stage
_CODE_LETTERS, _WORD_LETTERS = 27, 34  # that fit beside a bar: 7.3 and 5.9 units each


@dataclass(frozen=True)
class Bar:
    """One thing, or a group of them. `least` is how much of `amount` is certain. `note` stands under the name."""

    key: str
    stage: int
    name: str
    note: str
    link: str
    amount: int
    least: int = 0
    kind: str = "one"  # one, group, rest (what a page of a stage leaves out), subject
    is_stopped: bool = False
    says: str = ""  # the whole of it in words


@dataclass(frozen=True)
class Ribbon:
    source: str
    target: str
    amount: int


@dataclass(frozen=True)
class Stage:
    name: str
    note: str = ""
    link: str = ""  # closes what is open


@dataclass(frozen=True)
class Drawn:
    """The picture, and the keys of its bars in the order in which it shows them: stage by stage, downwards."""

    svg: str
    order: tuple[str, ...]


@dataclass
class _Box:
    """A bar, or the gap through which ribbons pass a stage by, with its place."""

    key: str
    stage: int
    amount: int
    bar: Bar | None = None
    y: float = 0.0
    height: float = 0.0
    into: list["_Piece"] = field(default_factory=list)
    out: list["_Piece"] = field(default_factory=list)

    @property
    def slot(self) -> float:
        return max(self.height, _SLOT) if self.bar else self.height

    @property
    def middle(self) -> float:
        return self.y + self.height / 2


@dataclass
class _Piece:
    """A ribbon between two neighbouring stages."""

    source: _Box
    target: _Box
    amount: int
    says: str
    is_certain: bool


def flow_picture(stages: Sequence[Stage], bars: Sequence[Bar], ribbons: Iterable[Ribbon], title: str, description: str, name: str = "flow") -> Drawn:
    """As wide as its stages need: the page scrolls it sideways. `name`: of its title and description in the page."""
    columns = _columns(stages, bars, ribbons)
    _order(columns)
    _place(columns)
    width = len(stages) * PITCH + 8
    height = max((box.y + box.slot for column in columns for box in column), default=TOP) + 12
    parts = [*_heads(stages), *_ribbons(columns), *_bars(columns)]
    order = tuple(box.key for column in columns for box in column if box.bar)
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="flow" viewBox="0 0 {width} {height:.0f}" width="{width}" height="{height:.0f}"'
        f' role="group" aria-labelledby="{name}-title" aria-describedby="{name}-says"><title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-says">{escape(description)}</desc>{"".join(parts)}</svg>'
    )
    return Drawn(svg, order)


def shortened(text: str, letters: int) -> str:
    """The beginning and the end: codes differ at the end."""
    if len(text) <= letters:
        return text
    tail = letters // 3
    return f"{text[: letters - tail - 1]}…{text[-tail:]}"


def _cut(words: str) -> str:
    return words if len(words) <= _WORD_LETTERS else words[: _WORD_LETTERS - 1] + "…"


def _columns(stages: Sequence[Stage], bars: Sequence[Bar], ribbons: Iterable[Ribbon]) -> list[list[_Box]]:
    columns: list[list[_Box]] = [[] for _ in stages]
    boxes = {bar.key: _Box(bar.key, bar.stage, bar.amount, bar) for bar in bars}
    gaps: dict[tuple[str, int], _Box] = {}
    pieces: dict[tuple[str, int, str, int], _Piece] = {}
    for ribbon in sorted(ribbons, key=lambda one: (one.source, one.target)):
        source, target = boxes[ribbon.source], boxes[ribbon.target]
        before = source
        for stage in range(source.stage + 1, target.stage):
            gap = gaps.setdefault((source.key, stage), _Box(source.key, stage, 0))
            gap.amount = min(gap.amount + ribbon.amount, max(source.amount, ribbon.amount))
            _join(pieces, before, gap, ribbon)
            before = gap
        _join(pieces, before, target, ribbon)
    for box in [*gaps.values(), *boxes.values()]:
        columns[box.stage].append(box)
    return columns


def _join(pieces: dict[tuple[str, int, str, int], _Piece], source: _Box, target: _Box, ribbon: Ribbon) -> None:
    """One piece for all ribbons of a bar that pass the same gaps."""
    key = (source.key, source.stage, target.key, target.stage)
    if key in pieces:
        pieces[key].amount += ribbon.amount
        return
    origin = source.bar or _first(source)
    to = target.bar.name if target.bar else "further stages"
    is_certain = bool(origin.least) and (target.bar is None or target.bar.kind == "subject" or bool(target.bar.least))
    piece = _Piece(source, target, ribbon.amount, f"{origin.name} to {to}", is_certain)
    pieces[key] = piece
    source.out.append(piece)
    target.into.append(piece)


def _first(gap: _Box) -> Bar:
    box = gap
    while box.bar is None:
        box = box.into[0].source
    return box.bar


def _order(columns: list[list[_Box]]) -> None:
    """Each stage by the mean place of its neighbours, to and fro: few crossings."""
    for column in columns:
        column.sort(key=lambda box: (box.bar is not None, -box.amount, box.key))
    for sweep in range(4):
        for column in columns if sweep % 2 == 0 else reversed(columns):
            place = {id(box): n / max(1, len(c) - 1) for c in columns for n, box in enumerate(c)}
            near = {id(box): _mean([place[id(other)] for other in _neighbours(box, sweep % 2 == 0)], place[id(box)]) for box in column}
            column.sort(key=lambda box: (_is_rest(box), near[id(box)]))


def _neighbours(box: _Box, upstream: bool) -> list[_Box]:
    return [piece.source for piece in box.into] if upstream else [piece.target for piece in box.out]


def _is_rest(box: _Box) -> bool:
    return box.bar is not None and box.bar.kind == "rest"


def _mean(values: list[float], otherwise: float) -> float:
    return sum(values) / len(values) if values else otherwise


def _place(columns: list[list[_Box]]) -> None:
    most = max((box.amount for column in columns for box in column), default=0)
    sums = max((sum(box.amount for box in column) for column in columns), default=0)
    scale = min(_TALLEST / most, _ALL / sums) if most else 0.0
    for column in columns:
        for box in column:
            box.height = max(4.0 if box.bar else 2.0, box.amount * scale)
        _stack(column)
    for sweep in range(4):
        for column in columns if sweep % 2 == 0 else reversed(columns):
            _settle(column, sweep % 2 == 0)
    _lift(columns)


def _stack(column: list[_Box]) -> None:
    y = float(TOP)
    for box in column:
        box.y = y
        y += box.slot + _GAP


def _settle(column: list[_Box], upstream: bool) -> None:
    """Each box as near to the middle of its neighbours as their order and room allow: least squares, by pooling those that collide."""
    pools: list[tuple[float, float, list[_Box]]] = []  # (sum of wishes, weight, boxes), wishes less the room of those above
    above = 0.0
    for box in column:
        near = _neighbours(box, upstream)
        weights = sum(other.amount + 1 for other in near)
        wish = sum(other.middle * (other.amount + 1) for other in near) / weights - box.height / 2 if near else box.y
        pools.append((wish - above, 1.0, [box]))
        above += box.slot + _GAP
        while len(pools) > 1 and pools[-2][0] / pools[-2][1] > pools[-1][0] / pools[-1][1]:
            (a, m, some), (b, n, more) = pools[-2:]
            pools[-2:] = [(a + b, m + n, some + more)]
    above = 0.0
    for total, weight, boxes in pools:
        for box in boxes:
            box.y = total / weight + above
            above += box.slot + _GAP


def _lift(columns: list[list[_Box]]) -> None:
    """All up or down together, so that the highest begins under the headings."""
    by = TOP - min((box.y for column in columns for box in column), default=TOP)
    for column in columns:
        for box in column:
            box.y += by


def _heads(stages: Sequence[Stage]) -> Iterator[str]:
    for n, stage in enumerate(stages):
        x = 4 + n * PITCH
        yield f'<text class="stage" x="{x}" y="16">{escape(stage.name)}</text>'
        if stage.note:
            note = f'<text class="words" x="{x}" y="33">{escape(_cut(stage.note))}</text>'
            yield f'<a href="{escape(stage.link)}">{note}</a>' if stage.link else note


def _ribbons(columns: list[list[_Box]]) -> Iterator[str]:
    for column in columns:
        for box in column:
            box.out.sort(key=lambda piece: piece.target.y)
            box.into.sort(key=lambda piece: piece.source.y)
    ends: defaultdict[int, list[float]] = defaultdict(list)
    for column in columns:
        for box in column:
            for pieces in (box.out, box.into):
                for piece, top, bottom in _shared(box, pieces):
                    ends[id(piece)] += [top, bottom]
    for column in columns:
        for box in column:
            for piece in box.out:
                a, b, c, d = ends[id(piece)] if box.stage < piece.target.stage else (0.0, 0.0, 0.0, 0.0)
                yield _ribbon(piece, a, b, c, d)
            if box.bar is None:
                x = 4 + box.stage * PITCH
                kind = "ribbon sure" if all(piece.is_certain for piece in box.into) else "ribbon"
                yield f'<path class="{kind}" d="M{x} {box.y:.1f}h{BAR}v{box.height:.1f}h-{BAR}z"/>'


def _shared(box: _Box, pieces: list[_Piece]) -> Iterator[tuple[_Piece, float, float]]:
    """What each ribbon has of a box's height."""
    all_ = sum(piece.amount for piece in pieces)
    unit = box.height / max(all_, box.amount, 1)
    y = box.y
    for piece in pieces:
        yield piece, y, y + piece.amount * unit
        y += piece.amount * unit


def _ribbon(piece: _Piece, top: float, bottom: float, to_top: float, to_bottom: float) -> str:
    x, to = 4 + piece.source.stage * PITCH + BAR, 4 + piece.target.stage * PITCH
    middle = (x + to) / 2
    bottom, to_bottom = max(bottom, top + 1), max(to_bottom, to_top + 1)
    shape = (
        f"M{x} {top:.1f}C{middle:g} {top:.1f} {middle:g} {to_top:.1f} {to} {to_top:.1f}"
        f"V{to_bottom:.1f}C{middle:g} {to_bottom:.1f} {middle:g} {bottom:.1f} {x} {bottom:.1f}z"
    )
    kind = "ribbon sure" if piece.is_certain else "ribbon"
    return f'<path class="{kind}" d="{shape}"><title>{escape(piece.says)}: up to {piece.amount:,}</title></path>'


def _bars(columns: list[list[_Box]]) -> Iterator[str]:
    for column in columns:
        for box in column:
            if box.bar is not None:
                yield _bar(box, box.bar)


def _bar(box: _Box, bar: Bar) -> str:
    x, y = 4 + bar.stage * PITCH, box.y
    kind = " ".join(["bar", bar.kind, *(["sure"] if bar.least else []), *(["stopped"] if bar.is_stopped else [])])
    shapes = [f'<rect class="{kind}" x="{x}" y="{y:.1f}" width="{BAR}" height="{box.height:.1f}"/>']
    if bar.kind == "group":  # a second edge: several things behind one another
        shapes.append(f'<path class="edge" d="M{x + BAR + 2.5} {y:.1f}v{box.height:.1f}"/>')
    if bar.is_stopped:
        s, t = x + BAR / 2, y + box.height / 2
        shapes.append(f'<path class="octagon" d="M{s - 3:g} {t - 7:.1f}h6l4 4v6l-4 4h-6l-4-4v-6z"/><path class="stopbar" d="M{s - 4:g} {t:.1f}h8"/>')
    text = y + max(0.0, (box.height - _SLOT) / 2)
    hit = f'<rect class="hit" x="{x}" y="{y:.1f}" width="{PITCH - 10}" height="{box.slot:.1f}"/>'
    name, note = shortened(bar.name, _CODE_LETTERS), _cut(bar.note)
    words = f'<text class="name {bar.kind}" x="{x + BAR + 6}" y="{text + 13:.1f}">{escape(name)}</text>'
    words += f'<text class="words" x="{x + BAR + 6}" y="{text + 28:.1f}">{escape(note)}</text>' if note else ""
    title = f"<title>{escape(bar.says or f'{bar.name}, {bar.note}')}</title>"
    return f'<a href="{escape(bar.link)}">{title}{hit}{"".join(shapes)}{words}</a>' if bar.link else f"<g>{title}{''.join(shapes)}{words}</g>"

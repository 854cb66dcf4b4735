"""The flow picture of a trace: its stages, what is grouped in them, and what is open. The state is in the address.

A stage shows up to a dozen things. More are grouped by what they have in common (part, lot, bin, place); a group opens to its members,
a dozen at a time by code. Where the ways between two stages would still be a thicket, the fuller stage is grouped as well.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from app.drawing.flow import Bar, Drawn, Ribbon, Stage, flow_picture
from app.genealogy.item_rows import ItemRow
from app.genealogy.trace import Trace, WayRow
from app.web.words import counted

MOST = 12  # things of a stage that are shown one by one
_THICKET = 48  # ways between two stages that an eye still follows
_NAMES = {
    "run": "Run", "wafer": "Wafers", "batch": "Materials", "panel": "Panels", "lot": "Lots", "loose": "Loose lots", "sample": "Samples",
    "pack": "Packs", "customer": "Customers",
}  # fmt: skip
_MANY = {
    "wafer": "wafers", "batch": "batches", "panel": "panels", "lot": "lots", "loose": "loose lots", "sample": "samples", "pack": "packs",
    "customer": "customers", "run": "runs",
}  # fmt: skip
_ADDS_UP = ("panel", "pack", "sample")  # no unit is in two of them


@dataclass(frozen=True)
class Opened:
    """What is open: by stage, the group; the member after which it goes on; the group at which the stage begins."""

    group: dict[str, str] = field(default_factory=dict)
    after: dict[str, str] = field(default_factory=dict)
    begin: dict[str, str] = field(default_factory=dict)

    @classmethod
    def read(cls, group: Iterable[str] = (), after: Iterable[str] = (), begin: Iterable[str] = ()) -> "Opened":
        """From the address: each is `stage:what`."""
        return cls(*({stage: what for one in many for stage, colon, what in [one.partition(":")] if colon} for many in (group, after, begin)))

    def query(self) -> list[tuple[str, str]]:
        named = (("open", self.group), ("after", self.after), ("begin", self.begin))
        return [(name, f"{stage}:{what}") for name, many in named for stage, what in many.items()]

    def turned(self, stage: str, group: str | None = None, after: str | None = None, begin: str | None = None) -> "Opened":
        """With this stage opened differently; the others stay as they are."""

        def put(many: dict[str, str], what: str | None) -> dict[str, str]:
            rest = {name: one for name, one in many.items() if name != stage}
            return rest if what is None else rest | {stage: what}

        return Opened(put(self.group, group), put(self.after, after), put(self.begin, begin))


@dataclass(frozen=True)
class Shown:
    """A bar in words, for the table beneath: what goes on from it to where."""

    stage: str
    name: str
    link: str
    note: str
    least: int
    greatest: int
    goes_to: tuple[tuple[str, str, int], ...]  # (stage, name, greatest)


@dataclass(frozen=True)
class FlowPicture:
    svg: str
    rows: tuple[Shown, ...]
    left_out: int  # things of the trace that nothing of the subject passed through on the recorded ways


@dataclass(frozen=True)
class _Thing:
    code: str
    kind: str
    stage: str
    group: str
    words: str
    least: int
    greatest: int
    is_stopped: bool


def flow_of(trace: Trace, opened: Opened, link_of: Callable[[str], str], link_to: Callable[[Opened], str]) -> FlowPicture:
    """`link_of`: the page of a code. `link_to`: this page with something else open."""
    ways = [*trace.ways, *_to_customers(trace)]
    things = _things(trace, ways)
    stages = _stages(things.values())
    bars, of = _fold(trace, stages, ways, opened, link_of, link_to)
    amounts = {bar.key: bar.amount for bar in bars}
    stage_of = {bar.key: bar.stage for bar in bars}
    added: defaultdict[tuple[str, str], int] = defaultdict(int)
    for way in ways:
        if way.source in of and way.target in of and stage_of[of[way.source]] < stage_of[of[way.target]]:
            added[of[way.source], of[way.target]] += way.greatest
    ribbons = [Ribbon(a, b, min(n, amounts[a], amounts[b])) for (a, b), n in added.items()]
    heads = [_head(key, n_of, opened, link_to) for key, n_of in ((key, len(stages[key])) for key in stages)]
    title = f"Flow {'from' if trace.direction == 'forward' else 'into'} {trace.subject.code}"
    drawn = flow_picture(heads, bars, ribbons, title, _description(trace, stages))
    every = sum(map(len, (trace.wafers, trace.batches, trace.panels, trace.lots, trace.samples, trace.packs)))
    left_out = every - sum(1 for thing in things.values() if thing.kind not in ("run", "customer"))
    return FlowPicture(drawn.svg, tuple(_rows(drawn, bars, ribbons, list(stages))), max(0, left_out))


def _to_customers(trace: Trace) -> Iterator[WayRow]:
    for pack in trace.packs:
        if pack.customer and trace.direction == "forward" and pack.greatest:
            yield WayRow(pack.code, f"customer {pack.customer}", pack.greatest)


def _things(trace: Trace, ways: Sequence[WayRow]) -> dict[str, _Thing]:
    """What stands in the picture: all that a way leads from or to, and the subject."""
    ins: defaultdict[str, int] = defaultdict(int)
    outs: defaultdict[str, int] = defaultdict(int)
    for way in ways:
        outs[way.source] += way.greatest
        ins[way.target] += way.greatest
    total = trace.subject.units if trace.direction == "back" else None
    lot_of = {way.source: way.target for way in ways if way.target[:1] == "L"}
    rows = {row.code: row for many in (trace.wafers, trace.batches, trace.panels, trace.lots, trace.samples, trace.packs) for row in many}
    rows.setdefault(trace.subject.code, trace.subject)
    depth = _depths(rows, ways)
    certain = _certain_in_lots(rows, ways)
    found: dict[str, _Thing] = {}
    for code, row in rows.items():
        passed = max(ins[code], outs[code])
        if not passed and code != trace.subject.code and row.kind != "panel":
            continue
        limits = [passed or row.greatest, row.greatest or passed, total or passed or row.greatest]
        greatest = total or passed if code == trace.subject.code else min(limits)
        kind = _kind(row)
        stage = f"{kind}{depth[code]}" if kind in ("loose", "pack") else kind
        least = greatest if code == trace.subject.code and total else min(max(row.least, certain.get(code, 0)), greatest)
        found[code] = _Thing(code, kind, stage, _group(row, kind, lot_of), _without_form(row), least, greatest, bool(row.stopped_by))
    for code in [code for code in ins if code.startswith("customer ")]:
        name = code.removeprefix("customer ")
        least = sum(pack.least for pack in trace.packs if pack.customer == name)
        words = counted(trace.customers[name], "pack")
        found[code] = _Thing(code, "customer", "customer", name, words, min(least, ins[code]), ins[code], False)
    return found


def _certain_in_lots(rows: dict[str, ItemRow], ways: Sequence[WayRow]) -> dict[str, int]:
    """What of panels is certain is certain of the lot that held them, where each went with one lot alone."""
    lots: defaultdict[str, list[str]] = defaultdict(list)
    for way in ways:
        if way.source in rows and rows[way.source].kind == "panel":
            lots[way.source].append(way.target)
    found: defaultdict[str, int] = defaultdict(int)
    for panel, its in lots.items():
        if len(its) == 1:
            found[its[0]] += rows[panel].least
    return found


def _kind(row: ItemRow) -> str:
    if row.kind == "lot":
        return "loose" if row.words.startswith("loose") else "lot"
    return "run" if row.kind in ("run", "line") else row.kind


def _without_form(row: ItemRow) -> str:
    """The stage says already whether a lot is of panels or loose."""
    return row.words.partition(" ")[2] if row.kind == "lot" else row.words


def _depths(rows: dict[str, ItemRow], ways: Sequence[WayRow]) -> dict[str, int]:
    """How many of its own kind something passed before it: loose lots and packs stand in as many stages as they need."""
    kinds = {code: _kind(row) for code, row in rows.items()}
    before: defaultdict[str, list[str]] = defaultdict(list)
    for way in ways:
        if kinds.get(way.source) == kinds.get(way.target):
            before[way.target].append(way.source)
    found: dict[str, int] = {}

    def depth(code: str, on_the_way: frozenset[str]) -> int:
        if code not in found:
            found[code] = max((depth(one, on_the_way | {code}) + 1 for one in before[code] if one not in on_the_way), default=0)
        return found[code]

    return {code: depth(code, frozenset({code})) for code in rows}


def _group(row: ItemRow, kind: str, lot_of: dict[str, str]) -> str:
    if kind == "panel":
        return lot_of.get(row.code) or row.where
    if kind == "lot":
        return "panel lots"
    return (row.customer or row.where) if kind == "pack" else _without_form(row) or "before test"


def _stages(things: Iterable[_Thing]) -> dict[str, list[_Thing]]:
    """Stage -> its things, biggest first; in the order of the factory."""
    found: defaultdict[str, list[_Thing]] = defaultdict(list)
    for thing in things:
        found[thing.stage].append(thing)
    order = list(_NAMES)
    stages = sorted(found, key=lambda stage: (order.index(stage.rstrip("0123456789")), int("0" + stage.lstrip("abcdefghijklmnopqrstuvwxyz"))))
    return {stage: sorted(found[stage], key=lambda thing: (-thing.greatest, thing.code)) for stage in stages}


def _fold(
    trace: Trace, stages: dict[str, list[_Thing]], ways: Sequence[WayRow], opened: Opened,
    link_of: Callable[[str], str], link_to: Callable[[Opened], str],
) -> tuple[list[Bar], dict[str, str]]:  # fmt: skip
    """The bars, and code -> the key of the bar that it is in."""
    grouped = {stage for stage, things in stages.items() if len(things) > MOST or stage in opened.group}
    while True:
        folded = {
            stage: list(_shown(n, stage, things, stage in grouped, opened, trace, link_of, link_to))
            for n, (stage, things) in enumerate(stages.items())
        }
        of = {thing.code: bar.key for stage in folded.values() for bar, members in stage for thing in members}
        fuller = _thicket(stages, {stage: len(bars) for stage, bars in folded.items()}, ways, of, grouped)
        if fuller is None:
            return [bar for bars in folded.values() for bar, _ in bars], of
        grouped.add(fuller)


def _thicket(
    stages: dict[str, list[_Thing]], shown: dict[str, int], ways: Sequence[WayRow], of: dict[str, str], grouped: set[str]
) -> str | None:
    """The stage to group next: the fuller end of the stages that too many ways join."""
    stage_of = {thing.code: stage for stage, things in stages.items() for thing in things}
    pairs: defaultdict[tuple[str, str], set[tuple[str, str]]] = defaultdict(set)
    for way in ways:
        if way.source in of and way.target in of:
            pairs[stage_of[way.source], stage_of[way.target]].add((of[way.source], of[way.target]))
    for ends, between in sorted(pairs.items(), key=lambda one: -len(one[1])):
        open_to = [stage for stage in ends if stage not in grouped and len({thing.group for thing in stages[stage]}) < shown[stage]]
        if len(between) > _THICKET and open_to:
            return max(open_to, key=lambda stage: shown[stage])
    return None


def _shown(
    n: int, stage: str, things: list[_Thing], is_grouped: bool, opened: Opened, trace: Trace,
    link_of: Callable[[str], str], link_to: Callable[[Opened], str],
) -> Iterator[tuple[Bar, list[_Thing]]]:  # fmt: skip
    if not is_grouped:
        for thing in things:
            yield _one(n, thing, trace, link_of), [thing]
        return
    groups: defaultdict[str, list[_Thing]] = defaultdict(list)
    for thing in things:
        groups[thing.group].append(thing)
    names = sorted(groups, key=lambda name: (-sum(thing.greatest for thing in groups[name]), name))
    first = names.index(opened.begin[stage]) if opened.begin.get(stage) in groups else 0
    for name in names[first : first + MOST]:
        members = groups[name]
        if len(members) == 1:
            yield _one(n, members[0], trace, link_of), members
        elif opened.group.get(stage) == name:
            yield from _members(n, stage, name, members, opened, trace, link_of, link_to)
        else:
            link = link_to(opened.turned(stage, name, None, names[first] if first else None))
            yield _many(n, f"{stage}:{name}", "group", _count(members), name, members, trace, link), members
    others = [thing for name in [*names[:first], *names[first + MOST :]] for thing in groups[name]]
    if others:
        following = names[first + MOST] if first + MOST < len(names) else None
        words = f"show {'the next' if following else 'the first'}"
        link = link_to(opened.turned(stage, None, None, following))
        yield _many(n, f"{stage}:", "rest", f"{_count(others)} more", words, others, trace, link), others


def _members(
    n: int, stage: str, name: str, members: list[_Thing], opened: Opened, trace: Trace,
    link_of: Callable[[str], str], link_to: Callable[[Opened], str],
) -> Iterator[tuple[Bar, list[_Thing]]]:  # fmt: skip
    """A dozen members of an open group, by code, and the rest as one."""
    by_code = sorted(members, key=lambda thing: thing.code)
    page = [thing for thing in by_code if thing.code > opened.after.get(stage, "")][:MOST] or by_code[:MOST]
    for thing in page:
        yield _one(n, thing, trace, link_of), [thing]
    rest = [thing for thing in by_code if thing not in page]
    if rest:
        following = page[-1].code if page[-1] is not by_code[-1] else None
        link = link_to(opened.turned(stage, name, following, opened.begin.get(stage)))
        words = f"show {'the next' if following else 'the first'} of {name}"
        yield _many(n, f"{stage}:{name}", "rest", f"{_count(rest)} more", words, rest, trace, link), rest


def _one(n: int, thing: _Thing, trace: Trace, link_of: Callable[[str], str]) -> Bar:
    kind = "subject" if thing.code == trace.subject.code else "one"
    amount = in_words(thing.least, thing.greatest)
    note = " · ".join(word for word in ("held" if thing.is_stopped else "", amount, thing.words) if word)
    name = thing.group if thing.kind == "customer" else thing.code
    return Bar(thing.code, n, name, note, link_of(thing.code), thing.greatest, thing.least, kind, thing.is_stopped, f"{name}: {note}")


def _many(n: int, key: str, kind: str, name: str, what: str, members: list[_Thing], trace: Trace, link: str) -> Bar:
    total = sum(thing.greatest for thing in members)
    greatest = min(total, trace.subject.units or total)
    leasts = [thing.least for thing in members]
    least = min(sum(leasts) if members[0].kind in _ADDS_UP else max(leasts), greatest)
    held = sum(thing.is_stopped for thing in members)
    amount = in_words(least, greatest)
    note = " · ".join(word for word in (f"{held} held" if held else "", *([what, amount] if kind == "rest" else [amount, what])) if word)
    return Bar(key, n, name, note, link, greatest, least, kind, held > 0, f"{name}: {note}")


def _count(members: list[_Thing]) -> str:
    return f"{len(members):,} {_MANY[members[0].kind]}"


def in_words(least: int, greatest: int) -> str:
    """What must and can be: "1,500", "200 to 1,500", "up to 1,500"."""
    if least == greatest:
        return f"{greatest:,}"
    return f"{least:,} to {greatest:,}" if least else f"up to {greatest:,}"


def _head(stage: str, count: int, opened: Opened, link_to: Callable[[Opened], str]) -> Stage:
    kind = stage.rstrip("0123456789")
    name = f"{_NAMES[kind]} {count:,}"
    if stage in opened.group:
        return Stage(name, f"close {opened.group[stage]}", link_to(opened.turned(stage)))
    return Stage(name)


def _description(trace: Trace, stages: dict[str, list[_Thing]]) -> str:
    said = ", ".join(_count(things) for things in stages.values())
    way = "went into" if trace.direction == "forward" else "comes from"
    return f"What {trace.subject.code} {way}, from left to right: {said}. The same stands in the table beneath."


def _named(bar: Bar) -> str:
    """By the table alone one must know which group it is."""
    group = bar.key.partition(":")[2] if bar.kind in ("group", "rest") else ""
    return f"{bar.name} of {group}" if group else bar.name


def _rows(drawn: Drawn, bars: list[Bar], ribbons: list[Ribbon], stages: list[str]) -> Iterator[Shown]:
    by_key = {bar.key: bar for bar in bars}
    names = [_NAMES[stage.rstrip("0123456789")] for stage in stages]
    place = {key: n for n, key in enumerate(drawn.order)}
    out: defaultdict[str, list[Ribbon]] = defaultdict(list)
    for ribbon in sorted(ribbons, key=lambda one: place[one.target]):
        out[ribbon.source].append(ribbon)
    for key in drawn.order:
        bar = by_key[key]
        to = tuple((names[by_key[one.target].stage], _named(by_key[one.target]), one.amount) for one in out[key])
        yield Shown(names[bar.stage], _named(bar), bar.link, bar.note, bar.least, bar.amount, to)


"""What an order asks of material, held against what units were made with: its wire was chosen when they were bonded, maybe for nobody's order."""

from collections import defaultdict
from itertools import groupby
from operator import itemgetter

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Order
from app.errors import Reason, few
from app.ledger import walk
from app.ledger.used import uses_of
from app.naming.resolve import codes_of


def made_with_others(session: Session, above: walk.Up, order: Order) -> list[Reason]:
    """Batches in the loose lots or packs that `above` is of, surely or perhaps, from lines that had none of what the order asks of their kind.

    As at a start, another part of the kind is fine beside one that is asked: a step may need a thick wire as well as the order's thin one.
    """
    asked: defaultdict[str, list[str]] = defaultdict(list)
    for material in order.materials:
        asked[material.kind].append(material.part)
    if not asked:
        return []
    lines = walk.lines_above(session, above)
    uses = [(line, batch, part) for line, batch, part in uses_of(session, [line.line for line in lines]) if part is not None]
    parts = catalogue.with_ids(session, sorted({part for *_, part in uses}))
    had: defaultdict[tuple[int, str], list[tuple[int, str]]] = defaultdict(list)
    for line, batch, part in uses:
        had[line, parts[part].body.kind].append((batch, parts[part].name))
    others = {
        (kind, name, batch)
        for (_, kind), some in had.items()
        if kind in asked and not any(name in asked[kind] for _, name in some)
        for batch, name in some
    }
    codes = codes_of(session, "batch", [batch for *_, batch in others])
    reasons = []
    for (kind, name), batches in groupby(sorted(others), key=itemgetter(0, 1)):
        why = f"Order {order.number} asks for {kind} {' or '.join(asked[kind])}; {few(codes[batch] for *_, batch in batches)} in it is {name}."
        reasons.append(Reason("order_differs", why, "Take units that were made with what it asks for."))
    return reasons

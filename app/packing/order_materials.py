"""What an order asks of material, held against what units were made with: its wire was chosen when they were bonded, maybe for nobody's order."""

from collections import defaultdict
from collections.abc import Sequence

from sqlalchemy.orm import Session

from app.catalogue import queries as catalogue
from app.catalogue.definitions import Order
from app.errors import Reason, few
from app.ledger import walk
from app.ledger.used import uses_of
from app.naming.resolve import codes_of


def made_with_others(session: Session, items: Sequence[int], order: Order) -> list[Reason]:
    """Batches in loose lots or packs, surely or perhaps, of a kind of which the order asks for other parts."""
    asked: defaultdict[str, list[str]] = defaultdict(list)
    for material in order.materials:
        asked[material.kind].append(material.part)
    if not asked:
        return []
    lines = walk.lines_above(session, walk.up(session, items))
    part_of = {batch: part for _, batch, part in uses_of(session, [line.line for line in lines]) if part is not None}
    parts = catalogue.with_ids(session, sorted(set(part_of.values())))
    found: defaultdict[tuple[str, str], list[int]] = defaultdict(list)
    for batch, part in sorted(part_of.items()):
        kind, name = parts[part].body.kind, parts[part].name
        if kind in asked and name not in asked[kind]:
            found[kind, name].append(batch)
    codes = codes_of(session, "batch", [batch for some in found.values() for batch in some])
    reasons = []
    for (kind, name), batches in found.items():
        why = f"Order {order.number} asks for {kind} {' or '.join(asked[kind])}; {few(codes[one] for one in batches)} in it is {name}."
        reasons.append(Reason("order_differs", why, "Take units that were made with what it asks for."))
    return reasons

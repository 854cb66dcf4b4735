"""Where things are, for those who read it: in a trace, an exposure, a lot's page. An act asks `moves.place_of`, which knows moves alone.

A panel lot is where its panels are. A panel whose units became loose is nowhere: it reads as singulated, and so does a lot that ended so.
"""

from collections.abc import Iterable, Mapping

from sqlalchemy.orm import Session

from app.floor.marks import good_units
from app.floor.moves import Latest, Place, latest_moves
from app.ledger.sets import panels_of_sets
from app.listed import listed, tuples

SINGULATED = Place("singulated")


class Whereabouts:
    """Of things by their kind. `singulated`: panels of which who asks has seen it already. A handful of statements, however many things."""

    def __init__(self, session: Session, things: Mapping[str, Iterable[int]], singulated: Iterable[int] = ()) -> None:
        held = {lot: (one, is_spent) for lot, one, is_spent in tuples(session, _HELD_LAST, lots=things.get("lot", ()))}
        members = panels_of_sets(session, {one for one, is_spent in held.values() if not is_spent})
        self._panels = {lot: members[one] for lot, (one, is_spent) in held.items() if not is_spent}
        self._gone = {*singulated, *(lot for lot, (_, is_spent) in held.items() if is_spent)}
        panels = {*things.get("panel", ()), *(panel for some in self._panels.values() for panel in some)} - self._gone
        self._gone.update(panel for (panel,) in tuples(session, _SINGULATED, panels=panels))
        self.moves = latest_moves(session, panels.union(*things.values()) - self._gone)
        self._places = _moved_to(session, self.moves)

    def place(self, thing: int) -> Place:
        """Of anything but a panel lot that has panels."""
        return SINGULATED if thing in self._gone else self._places.get(thing, _FLOOR)

    def told(self, thing: int) -> str:
        """In words; of a panel lot all places where some of its panels are."""
        if thing in self._gone:
            return SINGULATED.kind
        if thing in self._panels:
            return ", ".join(sorted({self.told(panel) for panel in self._panels[thing]}))
        return str(self._places[thing]) if thing in self._places else _FLOOR.kind


def place_of_lot(session: Session, lot: int) -> str:
    return Whereabouts(session, {"lot": [lot]}).told(lot)


def _moved_to(session: Session, latest: Mapping[int, Latest]) -> dict[int, Place]:
    """What broke at an outside firm stays there: a panel that lost its last good unit there reads as scrapped. One that had none before only
    went along with its lot."""
    away = [item for item, one in latest.items() if one.place.kind == "outside"]
    worse = [panel for (panel,) in tuples(session, _WORSE_SINCE, panels=away)]
    spent = [panel for panel, units in good_units(session, worse).items() if not units]
    places = {item: one.place for item, one in latest.items()}
    return places | {panel: Place("scrapped", places[panel].name) for panel in spent}


_FLOOR = Place()
# a row a panel lot: the set that it holds, or held last; and whether it holds none because these were singulated
_HELD_LAST = listed(
    """
    select h.lot, h."set", exists (
        select 1 from member m cross join flow f cross join lot l
        where m."set" = h."set" and f.parent = m.panel and f.kind = 'cells' and f.e = h.closed_e and l.item = f.child
    )
    from lot_holding h where h.lot in :lots and h.e = (select max(x.e) from lot_holding x where x.lot = h.lot)
    """,
    "lots",
)
_SINGULATED = listed(
    "select f.parent from flow f cross join lot l where f.parent in :panels and f.kind = 'cells' and l.item = f.child", "panels"
)
_WORSE_SINCE = listed(  # panels that lost units since it was last said where they are
    """
    select p.item
    from (
        select m.item, max(m.e) as e from move m
        where m.item in :panels and not exists (select 1 from move_correction c where c.move = m.id) group by m.item
    ) p
    where exists (select 1 from cell_mark k where k.panel = p.item and k.closed_e is null and k.e > p.e)
       or exists (
            select 1 from count_entry n
            where n.item = p.item and n.closed_e is null and n.kind in ('scrapped', 'destroyed', 'difference') and n.e > p.e
       )
    """,
    "panels",
)

"""What the board reads by lots and sets is what each panel tells by itself: on random histories, act by act, with lots put aside meanwhile."""

from collections import Counter
from functools import partial
from random import Random

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from app.board.open_rows import alike, last_places, spent_panels
from app.board.parts import open_parts
from app.db import House
from app.errors import Refused
from app.floor.bitmaps import cells_of, count
from app.floor.marking import mark_cells
from app.floor.marks import good_cells
from app.floor.moves import move_item, place_of
from app.floor.progress import progress
from app.holds.stopped import stops_on
from app.ledger.items import Panel
from app.ledger.runs import Line
from app.ledger.sets import LotHolding, Member, panels_of_lot
from tests.oracle.histories import random_history
from tests.oracle.player import Profile
from tests.replay.catalogue import load_catalogue
from tests.replay.driver import Replay


@pytest.mark.parametrize("seed", [10, 18])
def test_the_board_says_of_all_panels_what_each_says_itself(house: House, seed: int) -> None:
    replay, random = Replay(house, random_history(seed, Profile(lots=3, panels=5, cell_acts=36, loose_acts=2, pack_acts=1))), Random(seed)
    replay.stations = load_catalogue(replay, replay.history.setting)
    seen: Counter[str] = Counter()
    for n, action in enumerate(replay.history.actions):
        replay.tick = action.at
        replay.play(action)
        if n % 4 == 0:
            seen += _looked_at(house)
        if n % 8 == 0 and (lots := _lots(house)):
            seen += _put_aside(replay, random.choice(lots))
    for lot in _lots(house):
        _spoil(replay, lot)
    seen += _looked_at(house)
    assert all(seen[what] for what in ("in pieces", "stopped", "elsewhere", "spent")), seen


def _looked_at(house: House) -> Counter[str]:
    """How much of what there was to see."""
    with house.reading() as by_scan, house.walking() as session:
        lot_of = {panel: lot for panel, lot in by_scan.execute(_OPEN)}
        travelled = _travelled(by_scan, list(lot_of))
        good = {panel: count(cells) for panel, cells in good_cells(by_scan, lot_of).items()}
        spent = {panel for panel in lot_of if not good[panel]}
        assert spent_panels(session, None) == spent
        classes = Counter((lot, travelled[panel]) for panel, lot in lot_of.items() if panel not in spent)
        assert Counter({(lot, sets): n for lot, sets, n in alike(session, None, spent)}) == classes
        elsewhere = _elsewhere(by_scan, {panel: lot for panel, lot in lot_of.items() if panel not in spent})
        assert {lot: place for lot, place in last_places(session, spent).items() if lot in lot_of.values()} == elsewhere
        stand, stops = progress(by_scan, list(lot_of)), stops_on(by_scan, list(lot_of))
        waiting = [part for part in open_parts(session).parts if part.panels and not part.running]
        told = Counter[tuple[int, str | None, tuple[int, ...]]]()
        for part in waiting:
            told[part.lot.item, part.step, tuple(sorted(stop.hold for stop in part.stops))] += part.panels
        runs = {panel for panel in lot_of if _is_running(by_scan, travelled[panel])}
        free = set(lot_of) - spent - runs
        assert told == Counter((lot_of[one], stand[one].next_step, tuple(sorted(stop.hold for stop in stops.get(one, ())))) for one in free)
    in_pieces = len(classes) - len({lot for lot, _ in classes})
    return Counter({"in pieces": in_pieces, "spent": len(spent), "elsewhere": len(elsewhere), "stopped": len(stops)})


_OPEN = select(Member.panel, LotHolding.lot).join(LotHolding, LotHolding.set == Member.set).where(LotHolding.closed_e.is_(None))


def _lots(house: House) -> list[int]:
    with house.reading() as session:
        return sorted(session.scalars(select(LotHolding.lot).where(LotHolding.closed_e.is_(None))))


def _travelled(session: Session, panels: list[int]) -> dict[int, frozenset[int]]:
    found: dict[int, frozenset[int]] = dict.fromkeys(panels, frozenset())
    for panel, one in session.execute(select(Member.panel, Member.set).where(Member.panel.in_(panels))):
        found[panel] |= {one}
    return found


def _is_running(session: Session, sets: frozenset[int]) -> bool:
    return session.scalar(select(Line.id).where(Line.set.in_(sets), Line.closed_e.is_(None)).limit(1)) is not None


def _elsewhere(session: Session, lot_of: dict[int, int]) -> dict[int, str]:
    """Lots whose panels, the spent left out, are all in one place that is not the floor."""
    places = place_of(session, lot_of)
    found = {lot: {str(places[panel]) for panel in lot_of if lot_of[panel] == lot} for lot in lot_of.values()}
    return {lot: where for lot, (where, *others) in found.items() if not others and where != "floor"}


def _put_aside(replay: Replay, lot: int) -> Counter[str]:
    """It goes to stock, the board is looked at, and it comes back. What is in work stays."""
    try:
        replay.do("move_item", lambda s, by: move_item(s, by, lot, "stock", "rack 4"))
    except Refused:
        return Counter()
    seen = _looked_at(replay.house)
    replay.do("move_item", lambda s, by: move_item(s, by, lot, "floor"))
    return seen


def _spoil(replay: Replay, lot: int) -> None:
    """Its first panel, a cell after the other: the marks together take all of it."""
    with replay.house.reading() as session:
        panel = panels_of_lot(session, lot)[0]
        it, good = session.get_one(Panel, panel), good_cells(session, [panel])[panel]
        cells = cells_of(good, it.columns)
    for cell in cells:
        replay.do("mark_cells", partial(mark_cells, panel=panel, cells=[cell], reason="bent wire"))

"""Panels whose heat ledger is short: an adhesive on them had less equivalent time, at the coldest sensor, than its recipe asks.

An adhesive that no cure has reached yet is not short: its cure is still to come. One whose cure has no logger file is: nothing is added for
a gap. The recipe, its set point and its least equivalent minutes are those of `ovens/panel_heat.py`.
"""

from collections.abc import Iterable

from sqlalchemy.orm import Session

from app.errors import bad_input
from app.naming.resolve import codes_of
from app.ovens.panel_heat import AdhesiveHeat, heat_of_panels

MOST = 20_000  # panels at once: two days of a large plant
_AT_ONCE = 2000


def panels_short_of_heat(session: Session, panels: Iterable[int]) -> set[int]:
    """Of these panels. More than MOST are refused, for each ledger reads the traces of all its cures."""
    wanted = sorted(set(panels))
    if len(wanted) > MOST:
        raise bad_input("That is too much to read at once.", "since", f"It is {len(wanted):,} panels; {MOST:,} are read.", "Narrow the span.")
    short: set[int] = set()
    for start in range(0, len(wanted), _AT_ONCE):
        some = wanted[start : start + _AT_ONCE]
        codes = {code for same in heat_of_panels(session, some) if any(map(is_short, same.adhesives)) for code in same.panels}
        short |= {panel for panel, code in codes_of(session, "panel", some).items() if code in codes}
    return short


def is_short(one: AdhesiveHeat) -> bool:
    return bool(one.short and one.heat and one.heat.rounds)

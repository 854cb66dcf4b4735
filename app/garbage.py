"""How often Python looks for rings of dead objects."""

import gc
from functools import cache

_WHILE_LOADING, _NEW_OBJECTS = 5_000_000, 30_000


def look_later() -> None:
    """The rooms make half a million objects as they load, and no garbage."""
    gc.set_threshold(_WHILE_LOADING)


@cache  # once after each: what a later house or app finds is garbage of those before it too, and would stay for ever
def look_seldom(after: str) -> None:
    """What was there before stays, so nobody needs to look through it again.

    A large answer is half a million small rows; by default each 700 new ones make Python look, and it took 4 of every 10 ms of such a trace.
    To look more seldom than so gains nothing, and what waits meanwhile, some sixty objects an act, made the memory of a server grow for longer.
    """
    gc.freeze()
    gc.set_threshold(_NEW_OBJECTS, 20, 20)

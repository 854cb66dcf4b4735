"""How often Python looks for rings of dead objects."""

import gc
from functools import cache

_WHILE_LOADING, _NEW_OBJECTS = 5_000_000, 200_000


def look_later() -> None:
    """The rooms make half a million objects as they load, and no garbage."""
    gc.set_threshold(_WHILE_LOADING)


def look_seldom() -> None:
    """What was there before stays, so nobody needs to look through it again.

    A large answer is half a million small rows; by default each 700 new ones make Python look, and it took 4 of every 10 ms of such a trace.
    """
    gc.freeze()
    gc.set_threshold(_NEW_OBJECTS, 20, 20)


look_seldom_once = cache(look_seldom)  # with the first installation that is opened; later ones have garbage before them

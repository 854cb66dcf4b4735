"""How often Python looks for rings of dead objects."""

import gc

_NEW_OBJECTS = 200_000


def look_seldom() -> None:
    """A large answer is half a million small rows; by default each 700 new ones make Python look, and it took 4 of every 10 ms of such a trace."""
    gc.set_threshold(_NEW_OBJECTS, 20, 20)


def spare_what_is_loaded() -> None:
    """What was there before the first answer stays, so nobody needs to look through it again."""
    gc.freeze()

"""How often Python looks for rings of dead objects."""

import gc

_NEW_OBJECTS = 200_000


def collect_seldom() -> None:
    """A large answer is half a million small rows; by default each 700 new ones make Python look, and it took 4 of every 10 ms of such a trace."""
    gc.freeze()  # what is loaded stays
    gc.set_threshold(_NEW_OBJECTS, 20, 20)

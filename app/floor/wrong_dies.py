"""Dies that the rows of the record use wrongly: each row's own share, so that the shares add up to the wafer's. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from app.floor.packed_dies import die_coordinates, unpack_many
from app.receiving.die_map import DieMap


class DieUse(NamedTuple):
    """Dies that a row of an entry says are on cells, or lost."""

    e: int
    run: int
    dies: bytes  # packed
    lost: bool


@dataclass(frozen=True)
class WrongDies:
    """`failing`: on a cell though the map fails them; `not_on_map`: picked where it has no die; `again`: on a cell after a use before."""

    failing: int = 0
    not_on_map: int = 0
    again: int = 0

    @property
    def total(self) -> int:
        return self.failing + self.not_on_map + self.again

    def __add__(self, other: "WrongDies") -> "WrongDies":
        return WrongDies(self.failing + other.failing, self.not_on_map + other.not_on_map, self.again + other.again)


def wrong_dies(die_map: DieMap, uses: Sequence[DieUse]) -> list[WrongDies]:
    """Of each row; they come in the order of their entries. The map says whether a die's first use is wrong; every later placing of it is."""
    numbers, counts = unpack_many([use.dies for use in uses])
    row = np.repeat(np.arange(len(uses)), counts)
    lost = np.repeat(np.array([use.lost for use in uses], dtype=bool), counts)
    first = np.zeros(len(numbers), dtype=bool)
    first[np.unique(numbers, return_index=True)[1]] = True
    index = die_map.index_of(*die_coordinates(numbers))
    exists = np.where(index < 0, False, die_map.exists()[index])
    passes = np.where(index < 0, False, die_map.passes()[index])
    kinds = (first & exists & ~passes & ~lost, first & ~exists, ~first & ~lost)
    return [WrongDies(*map(int, each)) for each in zip(*(np.bincount(row[kind], minlength=len(uses)) for kind in kinds), strict=True)]

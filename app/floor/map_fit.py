"""Do the picks fit the map as it is, or a shifted, turned or mirrored version of it better?

A bonder that started at the wrong corner, or a wafer mounted turned, picks good dies by a map that is not under its needle:
the log's coordinates then hit failing dies and places without a die as often as chance has them.
The model (our choice): if a version of the map is the true one, every pick hits a passing die of it, except a share
MISS of picks that miss for other reasons, one pick independent of another. So a version with h hits and m misses has the log
likelihood h ln(1 - MISS) + m ln(MISS), and one more hit than the map as it is speaks for it by ln((1 - MISS) / MISS), a factor of 99.
The map is doubted when the best of the VERSIONS others is RATIO times as likely as the map as it is, times their
number, since the best of many is likelier by chance alone. That takes three hits more; from LEAST picks on.
Versions: eight ways to lay the map (four quarter turns, each also mirrored left to right), its lowest corner staying the lowest
corner, each then moved by up to three dies along x and y.
"""

from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.receiving.die_map import DieMap

LEAST = 20
REACH = 3
MISS = 0.01
RATIO = 1000.0
VERSIONS = 8 * (2 * REACH + 1) ** 2 - 1
_PER_HIT = log((1 - MISS) / MISS)
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Version:
    """The map mirrored (x turned round) or not, then turned by quarter turns, then moved by dx and dy dies."""

    mirrored: bool
    quarter_turns: int
    dx: int
    dy: int

    @property
    def words(self) -> str:
        said = ["mirrored"] if self.mirrored else []
        said += [f"turned by {90 * self.quarter_turns} degrees"] if self.quarter_turns else []
        said += [f"moved by {self.dx} along x and {self.dy} along y"] if self.dx or self.dy else []
        return ", ".join(said) or "as it is"


AS_IT_IS = Version(False, 0, 0, 0)


@dataclass(frozen=True)
class Fit:
    """How well picks fit: hits on passing dies under the map as it is and under the best version."""

    picks: int
    hits: int
    best: Version
    best_hits: int

    @property
    def log_likelihood_ratio(self) -> float:
        """Natural logarithm; how much the best version is likelier than the map as it is."""
        return (self.best_hits - self.hits) * _PER_HIT

    @property
    def is_doubted(self) -> bool:
        """Does the log fit another version so much better that the lot must be held?"""
        return self.picks >= LEAST and self.log_likelihood_ratio > log(RATIO) + log(VERSIONS)

    @property
    def words(self) -> str:
        if not self.is_doubted:
            return f"{self.hits} of {self.picks} picks hit passing dies of the map as it is."
        return (
            f"{self.hits} of {self.picks} picks hit passing dies of the map as it is, but {self.best_hits} of the map {self.best.words}: "
            f"likelier by a factor of 10 to the power of {self.log_likelihood_ratio / log(10):.0f}."
        )


def fit_map(die_map: DieMap, x: ArrayLike, y: ArrayLike) -> Fit:
    """The best version for these picks; the map as it is where none is better. The same die picked twice counts once."""
    passes = die_map.passes().reshape(die_map.grid.shape)
    picks = np.unique(np.c_[np.asarray(y, dtype=np.int64) - die_map.y_min, np.asarray(x, dtype=np.int64) - die_map.x_min].reshape(-1, 2), axis=0)
    size: int = max(passes.shape)
    near = ((picks >= -REACH) & (picks < size + REACH)).all(axis=1)
    picked = np.zeros((size + 2 * REACH, size + 2 * REACH), dtype=bool)  # the others hit nothing in any version
    picked[tuple((picks[near] + REACH).T)] = True
    hits = _hits(passes, picked, REACH, REACH)
    best, best_hits = AS_IT_IS, hits
    if hits < len(picks):
        best, best_hits = max(_all_versions(passes, picked), key=lambda found: (found[1], _nearness(found[0])))
    if best_hits <= hits:
        best, best_hits = AS_IT_IS, hits
    return Fit(len(picks), hits, best, best_hits)


def _all_versions(passes: Flags, picked: Flags) -> list[tuple[Version, int]]:
    found = []
    for mirrored in (False, True):
        for turns in range(4):
            laid = np.ascontiguousarray(np.rot90(passes[:, ::-1] if mirrored else passes, turns))
            for dy in range(-REACH, REACH + 1):
                for dx in range(-REACH, REACH + 1):
                    found.append((Version(mirrored, turns, dx, dy), _hits(laid, picked, REACH + dy, REACH + dx)))
    return found


def _hits(laid: Flags, picked: Flags, row: int, column: int) -> int:
    """Picks on passing dies where the map's lowest corner lies at this row and column of the picks."""
    rows, columns = laid.shape
    return int(np.count_nonzero(laid & picked[row : row + rows, column : column + columns]))


def _nearness(version: Version) -> tuple[int, ...]:
    """Of equally good versions the plainest."""
    return -version.mirrored, -(version.quarter_turns > 0), -abs(version.dx) - abs(version.dy)

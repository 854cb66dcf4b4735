"""The dies of a placement in compact bytes, in cell order, and bitmaps of dies.

A die has a *number*, y * 65536 + x, which needs no map to be read back: a corrected map moves no die, and a die that the map
does not have keeps its coordinates. Coordinates go from -32767 to 32767 (FARTHEST).
Packed, all little-endian: how many dies (uint32), how many long steps (uint32), the first number (int32); for every long step
its place (uint32) and length (int32, wrapping); then for every further die the step from the one before (int8; 0 at a long
step). A bonder walks along rows, so nearly all steps take one byte; a panel of 400 dies takes some 430 bytes. Many are
unpacked at once: no loop goes over dies.
A bitmap of dies goes by the index of `die_map.py`, lowest bit first.
"""

import struct
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from app.receiving.die_map import DieMap

_HEAD = struct.Struct("<IIi")
_HEADS = np.dtype([("count", "<u4"), ("longs", "<u4"), ("first", "<i4")])
_LONG = np.dtype([("place", "<u4"), ("step", "<i4")])
Numbers = NDArray[np.int64]


def die_numbers(x: ArrayLike, y: ArrayLike) -> Numbers:
    return np.asarray(y, dtype=np.int64) * 65536 + np.asarray(x, dtype=np.int64)


def die_coordinates(numbers: ArrayLike) -> tuple[Numbers, Numbers]:
    """x and y of each number."""
    number = np.asarray(numbers, dtype=np.int64)
    shifted = number + 32768
    x: Numbers = (shifted & 65535) - 32768
    return x, shifted >> 16


def pack_dies(numbers: ArrayLike) -> bytes:
    """Die numbers in cell order, packed."""
    number = np.asarray(numbers, dtype=np.int64)
    if not len(number):
        return _HEAD.pack(0, 0, 0)
    steps = np.diff(number)
    far = np.flatnonzero(np.abs(steps) > 127)
    long = np.zeros(len(far), dtype=_LONG)
    long["place"] = far
    long["step"] = steps[far].astype(np.uint32).view(np.int32)
    near = steps.copy()
    near[far] = 0
    return _HEAD.pack(len(number), len(far), int(number[0])) + long.tobytes() + near.astype(np.int8).tobytes()


def unpack_dies(packed: bytes) -> Numbers:
    return unpack_many([packed])[0]


def unpack_many(packed: Sequence[bytes]) -> tuple[Numbers, Numbers]:
    """The die numbers of many placements one after the other, and how many each has."""
    numbers, count = _unpacked(packed)
    return numbers.astype(np.int64), count


def unpack_coordinates(packed: Sequence[bytes]) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
    """x and y of the dies of many placements one after the other: the lower and the upper half of their numbers, so in no time."""
    numbers, _ = _unpacked(packed)
    x = numbers.astype(np.int16)
    return x, ((numbers - x) >> 16).astype(np.int16)


def _unpacked(packed: Sequence[bytes]) -> tuple[NDArray[np.int32], Numbers]:
    if not packed:
        return np.zeros(0, dtype=np.int32), np.zeros(0, dtype=np.int64)
    heads = np.frombuffer(b"".join([each[: _HEAD.size] for each in packed]), dtype=_HEADS)
    count, longs, first = (heads[name].astype(np.int64) for name in ("count", "longs", "first"))
    ends = (_HEAD.size + longs * _LONG.itemsize).tolist()  # of the long steps
    near = b"".join([b"\0" + each[end:] for each, end, n in zip(packed, ends, count.tolist(), strict=True) if n])
    long = np.frombuffer(b"".join([each[_HEAD.size : end] for each, end in zip(packed, ends, strict=True)]), dtype=_LONG)
    begin = np.cumsum(count) - count  # of each placement in the result
    steps = np.frombuffer(near, dtype=np.int8).astype(np.int32)  # of 32 bits, as long steps wrap at, and so does their sum
    steps[np.repeat(begin + 1, longs) + long["place"]] += long["step"]
    total = np.cumsum(steps, dtype=np.int32)
    filled = count > 0
    shift = (first[filled] - total[begin[filled]]).astype(np.int32)
    return total + np.repeat(shift, count[filled]), count


def bitmap_of_dies(die_map: DieMap, numbers: ArrayLike) -> bytes:
    """The bitmap of these dies; those outside the map are passed over."""
    index = die_map.index_of(*die_coordinates(numbers))
    flags = np.zeros(die_map.positions, dtype=bool)
    flags[index[index >= 0]] = True
    return np.packbits(flags, bitorder="little").tobytes()


def flags_of(die_map: DieMap, bitmap: bytes) -> NDArray[np.bool_]:
    """By index; an empty bitmap has no die."""
    if not bitmap:
        return np.zeros(die_map.positions, dtype=bool)
    return np.unpackbits(np.frombuffer(bitmap, dtype=np.uint8), count=die_map.positions, bitorder="little").astype(bool)

"""Whole numbers and float64 as bytes: little-endian, lowest bytes first, as a compressor likes."""

import sys
from array import array
from collections.abc import Iterable, Sequence
from typing import TypeVar

_TYPECODES = {1: "b", 2: "h", 4: "i", 8: "q"}
_Number = TypeVar("_Number", int, float)


def pack_integers(integers: Sequence[int]) -> bytes:
    """Pack integers of at most 64 bits: their width in bytes, then plane after plane.

    A plane holds one byte of each integer: all the lowest ones first, then the next.
    """
    width = _width(integers)
    little = _swapped(array(_TYPECODES[width], integers)).tobytes()
    return bytes((width,)) + b"".join(little[plane::width] for plane in range(width))


def unpack_integers(packed: memoryview, count: int) -> tuple["array[int]", memoryview]:
    """Give back `count` integers, and the rest of `packed` behind them."""
    width = packed[0]
    little = bytearray(count * width)
    for plane in range(width):
        little[plane::width] = packed[1 + plane * count : 1 + (plane + 1) * count]
    integers: array[int] = array(_TYPECODES[width])
    integers.frombytes(little)
    return _swapped(integers), packed[1 + count * width :]


def pack_doubles(values: Iterable[float]) -> bytes:
    """Pack float64 values as they are."""
    return _swapped(array("d", values)).tobytes()


def unpack_doubles(packed: memoryview, count: int) -> tuple["array[float]", memoryview]:
    """Give back `count` values, and the rest of `packed` behind them."""
    values: array[float] = array("d")
    values.frombytes(packed[: 8 * count])
    return _swapped(values), packed[8 * count :]


def _width(integers: Sequence[int]) -> int:
    lowest, highest = min(integers, default=0), max(integers, default=0)
    for width in (1, 2, 4):
        limit = 1 << (8 * width - 1)
        if -limit <= lowest and highest < limit:
            return width
    return 8


def _swapped(numbers: "array[_Number]") -> "array[_Number]":
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers

"""Bounds that keep the core total: what figures it reckons with, and powers that stay finite.

Readings are held within `cabinetwatch.config.quantities.POSSIBLE` before they come here, so that no
square, ratio or exponential of them leaves the range of a float. A function that is also open to
others refuses with a ValueError what lies beyond `LARGEST`: beyond it sums still come out, and are
no longer true.
"""

from __future__ import annotations

from math import isfinite

LARGEST = 1e12
"""No figure of a house comes near it, in SI units; its fourth power is still finite by far."""

SMALLEST = 1e-9
"""What something is divided by lies above it: a time constant in seconds, a power in watts."""


def check(*figures: float) -> None:
    """Refuse figures that can't be reckoned with.

    Raises:
        ValueError: one of them is no number, or beyond `LARGEST` either way.
    """
    for figure in figures:
        if not -LARGEST <= figure <= LARGEST:
            raise ValueError(f"{figure:zg} is no figure to reckon with")


def check_positive(*figures: float) -> None:
    """Refuse figures that nothing can be divided by.

    Raises:
        ValueError: one of them is no number, below `SMALLEST` or beyond `LARGEST`.
    """
    for figure in figures:
        if not SMALLEST <= figure <= LARGEST:
            raise ValueError(f"{figure:zg} is no positive figure to reckon with")


def checked(result: float) -> float:
    """Give a result back that is finite.

    Raises:
        ValueError: the figures that it follows from lead beyond all reckoning.
    """
    if not isfinite(result):
        raise ValueError("the figures given lead beyond all numbers; check them")
    return result


def root(square: float) -> float:
    """Give the square root; 0 for a square that rounding has brought a little below 0.

    Raises:
        ValueError: a square that is no finite number.
    """
    return checked(float(square**0.5)) if square > 0.0 else checked(0.0 * square)

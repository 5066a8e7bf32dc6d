"""A reading: one value of one sensor at one instant, with a quality."""

from enum import IntEnum
from typing import NamedTuple


class Quality(IntEnum):
    """How a reading came, which decides whether it is judged. The numbers stand in the store."""

    LIVE = 0
    """Dated at its arrival; judged at once."""
    TIMED = 1
    """Live with a time of its own; judged once `lateness_s` have passed since that time."""
    RETAINED = 2
    """The broker's copy of a last known value; the present value, but never judged."""
    BACKLOG = 3
    """Delivered in a burst by a resumed session; kept, not judged."""
    LATE = 4
    """Its own time lies more than `lateness_s` back; kept, not judged."""


class Reading(NamedTuple):
    """One value of one sensor at one instant.

    `t` is watch time in ms. For every quality but TIMED, BACKLOG and LATE it is the arrival, and no
    earlier than anything told to the engine before. `value` is in the quantity's SI unit (degC for
    temperatures) without the sensor's `offset`, which belongs to the configuration.
    """

    sensor: str
    t: int
    value: float
    quality: Quality = Quality.LIVE

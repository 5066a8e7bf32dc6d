"""The tiers: values condensed to minutes and to quarters of an hour. Pure.

A bucket holds what fell into one stretch of UTC. Two buckets of the same stretch merge into one
without loss, so that each part of the tiers may be written by itself, and in any order.
"""

from collections.abc import Hashable, Iterable, Iterator, Sequence
from enum import Enum
from typing import Generic, NamedTuple, TypeVar

DAY_MS = 86_400_000
SENSOR_FIGURE = "value"
"""The one figure of a sensor; a device has those that `status` shows."""

# No quantity in SI units gets there; below, a multiple of 0.0001 is a whole number in a float64.
_MOST = 1e11
_DECIMALS = {"_c": 2, "_k": 2, "_w": 2, "_pa": 2, "_rpm": 0}
_OTHER_DECIMALS = 4
_SENSOR_DECIMALS = 3

_Key = TypeVar("_Key", bound=Hashable)


class Tier(Enum):
    """A tier, from fine to coarse."""

    MINUTES = "minutes"
    QUARTERS = "quarters"

    @property
    def width_ms(self) -> int:
        """The width of its buckets."""
        return 60_000 if self is Tier.MINUTES else 900_000


class Bucket(NamedTuple):
    """What so many samples of one figure were in a stretch that begins at `utc_ms`."""

    utc_ms: int
    samples: int
    mean: float
    minimum: float
    maximum: float


class FigureMinute(NamedTuple):
    """The figures of devices in the minute that begins at `utc_ms`, by device and figure."""

    utc_ms: int
    devices: dict[str, dict[str, Bucket]]


class Statistics(NamedTuple):
    """Figures over many buckets.

    `mean` and `percentile_95` are of the buckets' means; the extremes are those of single values,
    with the beginning of the bucket that holds them.
    """

    mean: float
    percentile_95: float
    lowest: float
    lowest_utc_ms: int
    highest: float
    highest_utc_ms: int
    buckets: int


class Gatherer(Generic[_Key]):
    """Condenses single values, of any number of keys, into buckets of one width."""

    def __init__(self, width_ms: int) -> None:
        self._width_ms = width_ms
        self._slots: dict[_Key, dict[int, list[float]]] = {}
        self.size = 0
        """The buckets held."""

    def add(self, key: _Key, utc_ms: int, value: float) -> None:
        """Take a value; one that is no number, or beyond all measure, is passed over."""
        if not -_MOST < value < _MOST:
            return
        start = utc_ms - utc_ms % self._width_ms
        slots = self._slots.get(key)
        if slots is None:
            slots = self._slots[key] = {}
        slot = slots.get(start)
        if slot is None:
            slots[start] = [1, value, value, value]
            self.size += 1
            return
        slot[0] += 1
        slot[1] += value
        if value < slot[2]:
            slot[2] = value
        elif value > slot[3]:
            slot[3] = value

    def __iter__(self) -> Iterator[_Key]:
        """Go through the keys that have any value."""
        return iter(self._slots)

    def buckets(self, key: _Key) -> list[Bucket]:
        """Give the buckets of a key, in order of time."""
        return [
            Bucket(start, int(count), total / count, lowest, highest)
            for start, (count, total, lowest, highest) in sorted(self._slots.get(key, {}).items())
        ]


def condense(buckets: Iterable[Bucket], width_ms: int) -> list[Bucket]:
    """Merge buckets into wider ones, or parts of the same stretch into one; in order of time.

    Args:
        buckets: none wider than `width_ms`, in any order.
        width_ms: a multiple of their widths.
    """
    in_order = sorted(buckets)
    condensed: list[Bucket] = []
    first = 0
    for after in range(1, len(in_order) + 1):
        start = in_order[first].utc_ms // width_ms
        if after == len(in_order) or in_order[after].utc_ms // width_ms != start:
            condensed.append(_merge(in_order[first:after], start * width_ms))
            first = after
    return condensed


def _merge(buckets: Sequence[Bucket], utc_ms: int) -> Bucket:
    if len(buckets) == 1:
        return buckets[0] if buckets[0].utc_ms == utc_ms else buckets[0]._replace(utc_ms=utc_ms)
    samples = sum(bucket.samples for bucket in buckets)
    return Bucket(
        utc_ms,
        samples,
        sum(bucket.mean * bucket.samples for bucket in buckets) / samples,
        min(bucket.minimum for bucket in buckets),
        max(bucket.maximum for bucket in buckets),
    )


def percentile(buckets: Sequence[Bucket], fraction: float) -> float:
    """Give the percentile of the buckets' means, linear between two ranks.

    That is the definition that numpy has by default: method 7 of Hyndman and Fan, Sample Quantiles
    in Statistical Packages, The American Statistician 50 (1996) 361.

    Args:
        buckets: at least one.
        fraction: 0 to 1; 0.95 is the 95th percentile.
    """
    means = sorted(bucket.mean for bucket in buckets)
    rank = fraction * (len(means) - 1)
    below = int(rank)
    above = min(below + 1, len(means) - 1)
    return means[below] + (means[above] - means[below]) * (rank - below)


def statistics(buckets: Sequence[Bucket]) -> Statistics | None:
    """Give the figures over buckets of one width; None when there is none."""
    if not buckets:
        return None
    lowest = min(buckets, key=lambda bucket: bucket.minimum)
    highest = max(buckets, key=lambda bucket: bucket.maximum)
    return Statistics(
        mean=sum(bucket.mean for bucket in buckets) / len(buckets),
        percentile_95=percentile(buckets, 0.95),
        lowest=lowest.minimum,
        lowest_utc_ms=lowest.utc_ms,
        highest=highest.maximum,
        highest_utc_ms=highest.utc_ms,
        buckets=len(buckets),
    )


def decimals_of(figure: str) -> int:
    """Give the decimals with which a figure is kept: finer than any sensor in a cabinet."""
    if figure == SENSOR_FIGURE:
        return _SENSOR_DECIMALS
    unit = figure[figure.rfind("_") :] if "_" in figure else ""
    return _DECIMALS.get(unit, _OTHER_DECIMALS)

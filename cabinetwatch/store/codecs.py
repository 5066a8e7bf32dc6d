"""Readings and their condensed figures as bytes.

All three layouts are compressed by zlib, whose checksum tells damage.

A block of readings:

    header      format, whether each reading has a quality of its own, count of readings, of
                sensors, of sensors kept as raw doubles
    sensors     number of each sensor, decimal ones first
    counts      of the readings of each sensor
    decimals    one byte for each decimal sensor
    order       for each reading, in order of arrival, the index of its sensor
    qualities   one byte for all readings, or one for each
    times       the first, then the differences, in order of arrival
    multiples   values of the decimal sensors, sensor after sensor, in units of 10**-decimals:
                the first, then the differences
    raw values  of the other sensors, sensor after sensor, float64

A value counts as decimal when the division gives back the very same float64, bit for bit.

A block of a tier holds buckets: what fell into one stretch of UTC. Two of the same stretch merge
into one without loss, so that each part of the tiers may be written by itself, and in any order.

    header      format, count of figures, of buckets, bytes of the names
    names       of the figures, UTF-8, with a NUL between two
    decimals    one byte for each figure
    lengths     of each figure's column in bytes
    starts      of the buckets in widths since 1970: the first, then the differences
    columns     figure after figure: counts for every bucket (0: nothing known of it there); then,
                in units of 10**-decimals and for the buckets with a count, the means (the first,
                then the differences), how far the minimum lies below, and the maximum above

The figures of devices in one minute: the bytes of the names, the names as JSON by device, then for
all of them counts, means, how far the minimum lies below, and the maximum above.
"""

import json
import sys
import zlib
from array import array
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from enum import Enum
from functools import partial
from itertools import accumulate, chain, pairwise, repeat
from math import copysign
from operator import truediv
from statistics import quantiles
from struct import Struct
from typing import Any, Generic, NamedTuple, TypeVar, cast

from cabinetwatch.watch.events import Quality, Reading

_TYPECODES = {1: "b", 2: "h", 4: "i", 8: "q"}
_Number = TypeVar("_Number", int, float)


def pack_integers(integers: Sequence[int]) -> bytes:
    """Pack integers of at most 64 bits: their width in bytes, then shuffled by bytes.

    The lowest byte of each comes first, then the next of each: alike bytes lie together, and zlib
    makes little of them.
    """
    lowest, highest = min(integers, default=0), max(integers, default=0)
    bits = max(highest, ~lowest).bit_length() + 1
    width = next((width for width in _TYPECODES if bits <= 8 * width), 8)
    little = _swapped(array(_TYPECODES[width], integers)).tobytes()
    return bytes((width,)) + b"".join(little[place::width] for place in range(width))


def unpack_integers(packed: memoryview, count: int) -> tuple["array[int]", memoryview]:
    """Give back `count` integers, and the rest of `packed` behind them."""
    width, end = packed[0], 1 + count * packed[0]
    integers: array[int] = array(_TYPECODES[width])
    if width == 1:
        integers.frombytes(packed[1:end])
        return integers, packed[end:]
    little = bytearray(count * width)
    for place in range(width):
        little[place::width] = packed[1 + place * count : 1 + (place + 1) * count]
    integers.frombytes(little)
    return _swapped(integers), packed[end:]


def _swapped(numbers: "array[_Number]") -> "array[_Number]":
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers


_BLOCK_HEADER = Struct("<B?III")
_FORMAT = 1
_COMPRESSION = 9

_MOST_DECIMALS = 9
_EXACT_BELOW = 2.0**53  # up to here a float64 holds every whole number
_QUALITIES = {quality.value: quality for quality in Quality}

# Readings are made by the million when a month is replayed. This does what Reading._make does,
# without a Python frame for each of them.
_make_reading = cast("Callable[[type[Reading], tuple[object, ...]], Reading]", tuple.__new__)


def encode_block(readings: Sequence[Reading], number_of: Callable[[str], int]) -> bytes:
    """Pack readings, at least one, in their order.

    Args:
        readings: times within 62 bits, any qualities; values may be any float64.
        number_of: gives the number under which a sensor's name is kept.
    """
    values: dict[str, list[float]] = {}
    for reading in readings:
        values.setdefault(reading.sensor, []).append(reading.value)
    decimals = {sensor: _decimals(column) for sensor, column in values.items()}
    exact = [sensor for sensor in values if decimals[sensor] is not None]
    raw = [sensor for sensor in values if decimals[sensor] is None]
    digits = bytes(decimals[sensor] or 0 for sensor in exact)
    multiples = [
        round(value * 10.0**places)
        for sensor, places in zip(exact, digits, strict=True)
        for value in values[sensor]
    ]
    index = {sensor: position for position, sensor in enumerate(exact + raw)}
    qualities = bytes(reading.quality for reading in readings)
    mixed = len(set(qualities)) > 1
    return zlib.compress(
        _BLOCK_HEADER.pack(_FORMAT, mixed, len(readings), len(index), len(raw))
        + pack_integers([number_of(sensor) for sensor in index])
        + pack_integers([len(values[sensor]) for sensor in index])
        + digits
        + pack_integers([index[reading.sensor] for reading in readings])
        + (qualities if mixed else qualities[:1])
        + pack_integers(_differences([reading.t for reading in readings]))
        + pack_integers(_differences(multiples))
        + _swapped(array("d", chain.from_iterable(values[each] for each in raw))).tobytes(),
        _COMPRESSION,
    )


def decode_block(packed: bytes, names: Mapping[int, str]) -> Iterator[Reading]:
    """Give back the readings of a block in their order.

    Raises:
        ValueError: the bytes are damaged, of a format that this version doesn't know, or of a
            sensor whose number has no name.
    """
    rest = _decompressed(packed, "a block of readings")
    version, mixed, count, sensor_count, raw_count = _BLOCK_HEADER.unpack_from(rest)
    if version != _FORMAT:
        raise ValueError(f"a block of readings has the unknown format {version}")
    exact_count = sensor_count - raw_count
    rest = rest[_BLOCK_HEADER.size :]
    numbers, rest = unpack_integers(rest, sensor_count)
    counts, rest = unpack_integers(rest, sensor_count)
    digits, rest = bytes(rest[:exact_count]), rest[exact_count:]
    order, rest = unpack_integers(rest, count)
    qualities, rest = bytes(rest[: count if mixed else 1]), rest[count if mixed else 1 :]
    times, rest = unpack_integers(rest, count)
    multiples, rest = unpack_integers(rest, sum(counts[:exact_count]))
    raw: array[float] = array("d")
    raw.frombytes(rest[: 8 * sum(counts[exact_count:])])

    scales = chain.from_iterable(map(repeat, map((10.0).__pow__, digits), counts))
    values = [*map(truediv, accumulate(multiples), scales), *_swapped(raw)]
    if unknown := [number for number in numbers if number not in names]:
        raise ValueError(f"a block of readings names the unknown sensor number {unknown[0]}")
    sensors = [names[number] for number in numbers]
    return map(
        _make_reading,
        repeat(Reading),
        zip(
            map(sensors.__getitem__, order),
            accumulate(times),
            _in_order_of_arrival(values, counts, order),
            map(_QUALITIES.__getitem__, qualities) if mixed else repeat(_QUALITIES[qualities[0]]),
            strict=False,  # a quality for all repeats without end
        ),
    )


def _decompressed(packed: bytes, what: str) -> memoryview:
    try:
        return memoryview(zlib.decompress(packed))
    except zlib.error as error:
        raise ValueError(f"{what} is damaged ({error})") from error


def _in_order_of_arrival(
    values: Sequence[float], counts: Iterable[int], order: Iterable[int]
) -> Iterator[float]:
    """Deal out the values, which lie sensor after sensor, as the readings came in."""
    ends = accumulate(counts, initial=0)
    columns = [iter(values[start:end]) for start, end in pairwise(ends)]
    return map(next, map(columns.__getitem__, order))


def _decimals(values: Iterable[float]) -> int | None:
    """Find the number of decimals that gives back all these values exactly, if there is one."""
    for decimals in range(_MOST_DECIMALS + 1):
        if all(_is_exact(value, 10.0**decimals) for value in values):
            return decimals
    return None


def _is_exact(value: float, scale: float) -> bool:
    scaled = value * scale
    if not -_EXACT_BELOW < scaled < _EXACT_BELOW:
        return False  # too big, infinite, or no number
    return round(scaled) / scale == value and (value != 0.0 or copysign(1.0, value) > 0.0)


def _differences(integers: Sequence[int]) -> list[int]:
    return [*integers[:1], *(after - before for before, after in pairwise(integers))]


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


class FigureSampler:
    """Gathers the figures that are numbers; a minute is told once it is over."""

    def __init__(self) -> None:
        self._minute_utc_ms = 0
        self._gathered: Gatherer[tuple[str, str]] = Gatherer(Tier.MINUTES.width_ms)

    def sample(self, utc_ms: int, devices: Mapping[str, Mapping[str, Any]]) -> list[FigureMinute]:
        """Take the figures of an instant; give the minute that ended with it, if one did.

        Args:
            utc_ms: the instant; one out of order, after a step of the clock, begins a minute anew.
            devices: the published figures of each; what is unknown (None) is left out, and yes or
                no counts as 1 or 0.
        """
        minute_utc_ms = utc_ms - utc_ms % Tier.MINUTES.width_ms
        over = self.rest() if minute_utc_ms != self._minute_utc_ms else []
        self._minute_utc_ms = minute_utc_ms
        for device, figures in devices.items():
            for figure, value in figures.items():
                if isinstance(value, int | float):
                    self._gathered.add((device, figure), utc_ms, float(value))
        return over

    def rest(self) -> list[FigureMinute]:
        """Give what there is of the present minute, and begin anew."""
        devices: dict[str, dict[str, Any]] = {}
        for device, figure in self._gathered:
            (bucket,) = self._gathered.buckets((device, figure))
            devices.setdefault(device, {})[figure] = bucket
        self._gathered = Gatherer(Tier.MINUTES.width_ms)
        return [FigureMinute(self._minute_utc_ms, devices)] if devices else []


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


def statistics(buckets: Sequence[Bucket]) -> Statistics | None:
    """Give the figures over buckets of one width; None when there is none."""
    if not buckets:
        return None
    lowest = min(buckets, key=lambda bucket: bucket.minimum)
    highest = max(buckets, key=lambda bucket: bucket.maximum)
    return Statistics(
        mean=sum(bucket.mean for bucket in buckets) / len(buckets),
        percentile_95=_percentile_95([bucket.mean for bucket in buckets]),
        lowest=lowest.minimum,
        lowest_utc_ms=lowest.utc_ms,
        highest=highest.maximum,
        highest_utc_ms=highest.utc_ms,
        buckets=len(buckets),
    )


def _percentile_95(means: Sequence[float]) -> float:
    """Give the 95th percentile, linear between two ranks: the nineteenth of twenty parts' ends.

    That is the definition that numpy has by default: method 7 of Hyndman and Fan, Sample Quantiles
    in Statistical Packages, The American Statistician 50 (1996) 361.
    """
    return quantiles(means, n=20, method="inclusive")[-1] if len(means) > 1 else means[0]


def decimals_of(figure: str) -> int:
    """Give the decimals with which a figure is kept: finer than any sensor in a cabinet."""
    if figure == SENSOR_FIGURE:
        return _SENSOR_DECIMALS
    unit = figure[figure.rfind("_") :] if "_" in figure else ""
    return _DECIMALS.get(unit, _OTHER_DECIMALS)


_TIER_HEADER = Struct("<BHIH")


def encode_tier_block(figures: Mapping[str, Sequence[Bucket]], width_ms: int) -> bytes:
    """Pack the buckets of a subject's figures, each in order of time and without a double."""
    starts = sorted({bucket.utc_ms // width_ms for column in figures.values() for bucket in column})
    columns = [_encode_column(name, column, starts, width_ms) for name, column in figures.items()]
    names = "\0".join(figures).encode()
    return zlib.compress(
        _TIER_HEADER.pack(_FORMAT, len(figures), len(starts), len(names))
        + names
        + bytes(decimals_of(name) for name in figures)
        + pack_integers([len(column) for column in columns])
        + pack_integers(_differences(starts))
        + b"".join(columns),
        _COMPRESSION,
    )


class TierBlock:
    """A packed block, opened; its columns are unpacked only when they are asked for."""

    def __init__(self, packed: bytes, width_ms: int) -> None:
        """Open what `encode_tier_block` made.

        Raises:
            ValueError: the bytes are damaged, or of a format that this version doesn't know.
        """
        rest = _decompressed(packed, "a block of a tier")
        version, count, self._bucket_count, name_bytes = _TIER_HEADER.unpack_from(rest)
        if version != _FORMAT:
            raise ValueError(f"a block of a tier has the unknown format {version}")
        rest = rest[_TIER_HEADER.size :]
        names, rest = bytes(rest[:name_bytes]), rest[name_bytes:]
        self.figures: list[str] = names.decode().split("\0")
        self._decimals, rest = bytes(rest[:count]), rest[count:]
        lengths, rest = unpack_integers(rest, count)
        starts, self._columns = unpack_integers(rest, self._bucket_count)
        self._starts = [start * width_ms for start in accumulate(starts)]
        self._ends = list(accumulate(lengths, initial=0))

    def buckets(self, figure: str) -> list[Bucket]:
        """Give the buckets of a figure, in order of time; none if it has no such figure."""
        if figure not in self.figures:
            return []
        index = self.figures.index(figure)
        column = self._columns[self._ends[index] : self._ends[index + 1]]
        scale = 10.0 ** self._decimals[index]
        counts, column = unpack_integers(column, self._bucket_count)
        starts = [start for start, count in zip(self._starts, counts, strict=True) if count]
        steps, column = unpack_integers(column, len(starts))
        below, column = unpack_integers(column, len(starts))
        above, _ = unpack_integers(column, len(starts))
        means = list(accumulate(steps))
        fields = zip(
            starts,
            filter(None, counts),
            [mean / scale for mean in means],
            [(mean - under) / scale for mean, under in zip(means, below, strict=True)],
            [(mean + over) / scale for mean, over in zip(means, above, strict=True)],
            strict=True,
        )
        # What Bucket(...) does in the end, without a call of Python's for each: a quarter of a year
        # has thousands of them.
        return list(map(partial(tuple.__new__, Bucket), fields))


def _encode_column(
    name: str, column: Sequence[Bucket], starts: Sequence[int], width_ms: int
) -> bytes:
    counts = {bucket.utc_ms // width_ms: bucket.samples for bucket in column}
    means, below, above = _multiples((name, bucket) for bucket in column)
    return (
        pack_integers([counts.get(start, 0) for start in starts])
        + pack_integers(_differences(means))
        + pack_integers(below)
        + pack_integers(above)
    )


def _multiples(buckets: Iterable[tuple[str, Bucket]]) -> tuple[list[int], list[int], list[int]]:
    """Give means, and how far the extremes lie below and above, in units of their decimals."""
    means, below, above = [], [], []
    for figure, bucket in buckets:
        scale = 10.0 ** decimals_of(figure)
        mean = round(bucket.mean * scale)
        means.append(mean)
        below.append(mean - round(bucket.minimum * scale))
        above.append(round(bucket.maximum * scale) - mean)
    return means, below, above


_NAMES_LENGTH = Struct("<I")


def encode_figures(minute: FigureMinute) -> bytes:
    """Pack the figures of a minute."""
    names = {device: list(figures) for device, figures in minute.devices.items()}
    buckets = [each for figures in minute.devices.values() for each in figures.items()]
    columns = [bucket.samples for _, bucket in buckets], *_multiples(buckets)
    packed_names = json.dumps(names).encode()
    return zlib.compress(
        _NAMES_LENGTH.pack(len(packed_names))
        + packed_names
        + b"".join(pack_integers(column) for column in columns),
        _COMPRESSION,
    )


def decode_figures(utc_ms: int, packed: bytes) -> FigureMinute:
    """Give back the figures of the minute that begins at `utc_ms`.

    Raises:
        Exception: one of UNREADABLE, where the bytes are damaged.
    """
    rest = memoryview(zlib.decompress(packed))
    (length,) = _NAMES_LENGTH.unpack_from(rest)
    names = json.loads(bytes(rest[_NAMES_LENGTH.size : _NAMES_LENGTH.size + length]))
    rest = rest[_NAMES_LENGTH.size + length :]
    columns = []
    for _ in range(4):
        column, rest = unpack_integers(rest, sum(map(len, names.values())))
        columns.append(column)
    numbers = zip(*columns, strict=True)

    def bucket(figure: str) -> Bucket:
        samples, mean, below, above = next(numbers)
        scale = 10.0 ** decimals_of(figure)
        low, high = (mean - below) / scale, (mean + above) / scale
        return Bucket(utc_ms, samples, mean / scale, low, high)

    devices = {
        device: {figure: bucket(figure) for figure in figures} for device, figures in names.items()
    }
    return FigureMinute(utc_ms, devices)

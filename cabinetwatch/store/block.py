"""The block: readings of one stretch, column by column, packed into a few bytes each.

Layout, compressed by zlib, whose checksum tells a damaged block:

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
"""

import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import accumulate, chain, pairwise, repeat
from math import copysign
from operator import truediv
from struct import Struct
from typing import cast

from cabinetwatch.store.planes import pack_doubles, pack_integers, unpack_doubles, unpack_integers
from cabinetwatch.watch.reading import Quality, Reading

_HEADER = Struct("<B?III")
_FORMAT = 1
_COMPRESSION = 9

_MOST_DECIMALS = 9
_EXACT_BELOW = 2.0**53  # up to here a float64 holds every whole number
_QUALITIES = {quality.value: quality for quality in Quality}

# Readings are made by the million when a month is replayed. This does what Reading._make does,
# without a Python frame for each of them.
_make_reading = cast("Callable[[type[Reading], tuple[object, ...]], Reading]", tuple.__new__)


def encode(readings: Sequence[Reading], number_of: Callable[[str], int]) -> bytes:
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
        _HEADER.pack(_FORMAT, mixed, len(readings), len(index), len(raw))
        + pack_integers([number_of(sensor) for sensor in index])
        + pack_integers([len(values[sensor]) for sensor in index])
        + digits
        + pack_integers([index[reading.sensor] for reading in readings])
        + (qualities if mixed else qualities[:1])
        + pack_integers(_differences([reading.t for reading in readings]))
        + pack_integers(_differences(multiples))
        + pack_doubles(chain.from_iterable(values[sensor] for sensor in raw)),
        _COMPRESSION,
    )


def decode(packed: bytes, names: Mapping[int, str]) -> Iterator[Reading]:
    """Give back the readings of a block in their order.

    Args:
        packed: what `encode` made.
        names: the name of each sensor by its number.

    Raises:
        ValueError: the bytes are damaged, or of a format that this version doesn't know.
    """
    try:
        rest = memoryview(zlib.decompress(packed))
    except zlib.error as error:
        raise ValueError(f"a block of readings is damaged ({error})") from error
    version, mixed, count, sensor_count, raw_count = _HEADER.unpack_from(rest)
    if version != _FORMAT:
        raise ValueError(f"a block of readings has the unknown format {version}")
    exact_count = sensor_count - raw_count
    rest = rest[_HEADER.size :]
    numbers, rest = unpack_integers(rest, sensor_count)
    counts, rest = unpack_integers(rest, sensor_count)
    digits, rest = bytes(rest[:exact_count]), rest[exact_count:]
    order, rest = unpack_integers(rest, count)
    qualities, rest = bytes(rest[: count if mixed else 1]), rest[count if mixed else 1 :]
    times, rest = unpack_integers(rest, count)
    multiples, rest = unpack_integers(rest, sum(counts[:exact_count]))
    raw, _ = unpack_doubles(rest, sum(counts[exact_count:]))

    scales = chain.from_iterable(map(repeat, map((10.0).__pow__, digits), counts))
    values = [*map(truediv, accumulate(multiples), scales), *raw]
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

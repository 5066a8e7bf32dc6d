"""Condensing committed readings to minutes: for the tiers, and for who reads before they are told.

The devices' minutes come ready from the engine's thread; they wait in rows of their own.
"""

import json
import logging
import zlib
from collections.abc import Sequence
from struct import Struct
from typing import Any, NamedTuple

from sqlalchemy import Connection, Row, func, insert, select

from cabinetwatch.store.block import decode
from cabinetwatch.store.corrections import offsets_from
from cabinetwatch.store.inputs import sensor_names
from cabinetwatch.store.place import UNREADABLE
from cabinetwatch.store.planes import pack_integers, unpack_integers
from cabinetwatch.store.renames import read_renames
from cabinetwatch.store.schema import block, figure_minute
from cabinetwatch.store.tiers import Bucket, FigureMinute, Gatherer, Tier, decimals_of
from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch.reading import Quality

_NAMES = Struct("<I")

_log = logging.getLogger(__name__)

_BLOCKS_AT_ONCE = 64
_READINGS_AT_ONCE = 16_384
"""What is unpacked in one go: less than a tenth of a second."""


class Minutes:
    """The minutes of all readings after some input, gathered a bounded number at a time."""

    def __init__(self, after_seq: int) -> None:
        self.seq = after_seq
        """The last input gathered."""
        self.t: int | None = None
        """The largest watch time known when it was written; None before anything is gathered."""
        self.span_ms = 0
        """From the largest watch time known with the first block to that with the last."""
        self.gathered: Gatherer[str] = Gatherer(Tier.MINUTES.width_ms)

    def gather(self, connection: Connection) -> bool:
        """Take in the next readings; say whether there was any.

        A block that is damaged is left out and told: all that came after must still be condensed.
        """
        rows = connection.execute(
            select(block)
            .where(block.c.first_seq > self.seq)
            .order_by(block.c.first_seq)
            .limit(_BLOCKS_AT_ONCE)
        ).all()
        names, renames = sensor_names(connection), read_renames(connection)
        offsets = offsets_from(connection, self.seq)
        count = 0
        for row in rows:
            self._take(row, renames.names(names, row.first_seq), offsets.at(row.first_seq))
            self.seq = row.first_seq + row.length - 1
            self.span_ms += 0 if self.t is None else row.known_t_ms - self.t
            self.t = row.known_t_ms
            count += row.length
            if count >= _READINGS_AT_ONCE:
                break
        return bool(rows)

    def _take(self, row: Row[Any], names: dict[int, str], offsets: Any) -> None:
        offset_ms, add = row.offset_ms, self.gathered.add
        try:
            readings = decode(row.data, names)
        except ValueError as error:
            _log.error("the readings from number %d on are in no tier: %s", row.first_seq, error)
            return
        for sensor, t, value, quality in readings:
            # The broker's copy of an old value was measured at another time.
            if quality is not Quality.RETAINED:
                add(sensor, t + offset_ms, value + offsets.get(sensor, 0.0))


def write_figures(connection: Connection, t: int, minutes: Sequence[FigureMinute]) -> None:
    """Add minutes of devices, to wait for the next round of upkeep."""
    if not minutes:
        return
    rows = [
        {"t_ms": t, "utc_ms": minute.utc_ms, "data": _pack(minute.devices)} for minute in minutes
    ]
    connection.execute(insert(figure_minute), rows)


class WaitingFigures(NamedTuple):
    """The minutes of devices that wait, with the number of the newest row and its watch time."""

    minutes: list[FigureMinute]
    number: int
    t: int


def waiting_figures(connection: Connection) -> WaitingFigures:
    """Give the minutes of devices that are not in the tiers yet, oldest first.

    One that is damaged is left out and told: all the others must still get there.
    """
    rows = connection.execute(select(figure_minute).order_by(figure_minute.c.number)).all()
    minutes = []
    for row in rows:
        try:
            minutes.append(FigureMinute(row.utc_ms, _unpack(row.utc_ms, row.data)))
        except UNREADABLE as error:
            _log.error("the devices' figures of %s are lost: %s", to_rfc3339(row.utc_ms), error)
    return WaitingFigures(minutes, rows[-1].number if rows else 0, rows[-1].t_ms if rows else 0)


def waiting_mark(connection: Connection) -> tuple[int, ...]:
    """Give what is another as soon as other minutes of devices wait."""
    table = figure_minute.c
    # The numbers begin anew once all rows are gone; the watch time of the newest never comes again.
    newest = select(func.count(), func.max(table.number), func.max(table.t_ms))
    return tuple(each or 0 for each in connection.execute(newest).one())


def _pack(devices: dict[str, dict[str, Bucket]]) -> bytes:
    """Pack the figures of a minute: their names as JSON, then number after number, by columns."""
    names = json.dumps({device: list(figures) for device, figures in devices.items()}).encode()
    buckets = [
        (10.0 ** decimals_of(figure), bucket)
        for figures in devices.values()
        for figure, bucket in figures.items()
    ]
    means = [round(bucket.mean * scale) for scale, bucket in buckets]
    columns = (
        [bucket.samples for _, bucket in buckets],
        means,
        [
            mean - round(each.minimum * scale)
            for mean, (scale, each) in zip(means, buckets, strict=True)
        ],
        [
            round(each.maximum * scale) - mean
            for mean, (scale, each) in zip(means, buckets, strict=True)
        ],
    )
    packed = b"".join(pack_integers(column) for column in columns)
    return zlib.compress(_NAMES.pack(len(names)) + names + packed, 9)


def _unpack(utc_ms: int, data: bytes) -> dict[str, dict[str, Bucket]]:
    rest = memoryview(zlib.decompress(data))
    (length,) = _NAMES.unpack_from(rest)
    names = json.loads(bytes(rest[_NAMES.size : _NAMES.size + length]))
    rest = rest[_NAMES.size + length :]
    count = sum(len(figures) for figures in names.values())
    columns = []
    for _ in range(4):
        column, rest = unpack_integers(rest, count)
        columns.append(column)
    numbers = zip(*columns, strict=True)
    return {
        device: {figure: _bucket(utc_ms, figure, next(numbers)) for figure in figures}
        for device, figures in names.items()
    }


def _bucket(utc_ms: int, figure: str, numbers: tuple[int, ...]) -> Bucket:
    samples, mean, below, above = numbers
    scale = 10.0 ** decimals_of(figure)
    return Bucket(utc_ms, samples, mean / scale, (mean - below) / scale, (mean + above) / scale)

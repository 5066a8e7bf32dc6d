"""The tiers: committed readings condensed to minutes and quarter-hours, and read back.

The devices' minutes come ready from the engine's thread; they wait in rows of their own.

A part and the mark of how far the tiers have come are one transaction, so that each reading is in
them exactly once whatever happens in between.

What is not in the tiers yet is condensed on the spot, so that a reader sees all that is committed.
"""

import json
import logging
import time
import zlib
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby, islice
from operator import itemgetter, lt
from struct import Struct
from typing import Any, NamedTuple

from sqlalchemy import Connection, Row, Table, delete, func, insert, select, update
from sqlalchemy.dialects import sqlite

from cabinetwatch.clock import to_rfc3339
from cabinetwatch.store import schema
from cabinetwatch.store.codecs import (
    DAY_MS,
    SENSOR_FIGURE,
    Bucket,
    FigureMinute,
    Gatherer,
    Tier,
    TierBlock,
    condense,
    decimals_of,
    decode_block,
    encode_tier_block,
    pack_integers,
    unpack_integers,
)
from cabinetwatch.store.database import Database
from cabinetwatch.store.inputs import Renames, offsets_from, read_renames, sensor_names
from cabinetwatch.store.place import UNREADABLE
from cabinetwatch.store.schema import block, figure_minute
from cabinetwatch.watch.events import Quality

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
            readings = decode_block(row.data, names)
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


TABLES = {Tier.MINUTES: schema.minute_block, Tier.QUARTERS: schema.quarter_block}

_MOST_MINUTES = 20_000
"""Held in memory before they are written: a few MB."""
_LONGEST_SPAN_MS = DAY_MS // 4
"""Written together are only parts of one age, so that they are let go in time."""
_SUBJECTS_AT_ONCE = 8
_STEP_S = 0.1
"""A step merges no further subject after so long: others want to write."""

Figures = dict[str, list[Bucket]]


def derived_seq(connection: Connection) -> int:
    """Give the last input whose reading is in the tiers."""
    return connection.scalar(select(schema.upkeep.c.derived_seq)) or 0


def pruned_seq(connection: Connection) -> int:
    """Give the last input whose reading was pruned; 0 when none was."""
    return connection.scalar(select(schema.upkeep.c.pruned_seq)) or 0


def mark(connection: Connection, **marks: int) -> None:
    """Move the upkeep's marks."""
    row = sqlite.insert(schema.upkeep).values({"id": 1, "derived_seq": 0, "pruned_seq": 0} | marks)
    connection.execute(row.on_conflict_do_update(index_elements=["id"], set_=marks))


def derive(database: Database) -> Iterator[None]:
    """Bring the tiers up to the newest commit, in bounded steps."""
    with database.reading() as connection:
        minutes = Minutes(derived_seq(connection))
    more = True
    while more:
        with database.reading() as connection:
            more = minutes.gather(connection)
        enough = minutes.gathered.size > _MOST_MINUTES or minutes.span_ms > _LONGEST_SPAN_MS
        if enough or not more:
            _write(database, minutes)
            minutes = Minutes(minutes.seq)
        yield


def merge_days(database: Database, before_day: int) -> Iterator[None]:
    """Make one block a subject of each day of UTC before `before_day`; a few of them a step.

    Neighbours share the pages on which their parts lie: merged together, each is written once.
    """
    for tier, table in TABLES.items():
        in_parts = (
            select(table.c.subject, table.c.day)
            .where(table.c.is_part, table.c.day < before_day)
            .group_by(table.c.day, table.c.subject)
            .limit(_SUBJECTS_AT_ONCE)
        )
        more = True
        while more:
            with database.writing() as connection:
                until = time.monotonic() + _STEP_S
                rows = connection.execute(in_parts).all()
                for row in rows:
                    _merge_day(connection, tier, row.subject, row.day)
                    if time.monotonic() > until:
                        break
                more = bool(rows)
            yield


def _write(database: Database, minutes: Minutes) -> None:
    """Write what was gathered, and the devices' minutes that wait, as parts."""
    with database.writing() as connection:
        waiting = waiting_figures(connection)
        if minutes.t is None and not waiting.minutes:
            return
        t = max(minutes.t or 0, waiting.t)
        told: dict[str, Figures] = {}
        for minute in waiting.minutes:
            for device, figures in minute.devices.items():
                for figure, bucket in figures.items():
                    told.setdefault(device, {}).setdefault(figure, []).append(bucket)
        for sensor in minutes.gathered:
            told.setdefault(sensor, {})[SENSOR_FIGURE] = minutes.gathered.buckets(sensor)
        for subject in sorted(told):
            for day, figures_of_day in _by_day(told[subject]):
                _write_part(connection, subject, day, t, figures_of_day)
        table = schema.figure_minute
        connection.execute(delete(table).where(table.c.number <= waiting.number))
        mark(connection, derived_seq=minutes.seq)


def _write_part(
    connection: Connection, subject: str, day: int, t: int, figures: Mapping[str, list[Bucket]]
) -> None:
    row = {"subject": subject, "day": day, "t_ms": t, "is_part": True}
    for tier, table in TABLES.items():
        columns = {name: condense(column, tier.width_ms) for name, column in figures.items()}
        data = encode_tier_block(columns, tier.width_ms)
        connection.execute(insert(table).values(**row, data=data))


def _by_day(columns: Figures) -> list[tuple[int, Figures]]:
    days: dict[int, Figures] = {}
    for figure, column in columns.items():
        for day, buckets in groupby(column, lambda bucket: bucket.utc_ms // DAY_MS):
            days.setdefault(day, {}).setdefault(figure, []).extend(buckets)
    return sorted(days.items())


def _merge_day(connection: Connection, tier: Tier, subject: str, day: int) -> None:
    """Replace all rows of a subject's day by one."""
    table = TABLES[tier]
    of_day = table.c.subject == subject, table.c.day == day
    rows = connection.execute(select(table).where(*of_day).order_by(table.c.number)).all()
    try:
        blocks = [TierBlock(row.data, tier.width_ms) for row in rows]
    except ValueError as error:
        _log.error("the %s of %s on day %d stay in parts: %s", tier.value, subject, day, error)
        connection.execute(update(table).where(*of_day).values(is_part=False))
        return
    figures = {figure: merged(blocks, figure, tier) for figure in figures_in(blocks)}
    connection.execute(delete(table).where(*of_day))
    whole = {"subject": subject, "day": day, "t_ms": max(row.t_ms for row in rows)}
    data = encode_tier_block(figures, tier.width_ms)
    connection.execute(insert(table).values(**whole, is_part=False, data=data))


def figures_in(blocks: Iterable[TierBlock]) -> list[str]:
    """Give the figures that any of the blocks has, in the order of their first appearance."""
    return list(dict.fromkeys(figure for block in blocks for figure in block.figures))


def merged(blocks: Iterable[TierBlock], figure: str, tier: Tier) -> list[Bucket]:
    """Give a figure's buckets over all the blocks, in order of time and without a double."""
    found = [bucket for block in blocks for bucket in block.buckets(figure)]
    # Days that are merged already, the most by far, come in order and without a double.
    starts = [bucket.utc_ms for bucket in found]
    if all(map(lt, starts, islice(starts, 1, None))):
        return found
    return condense(found, tier.width_ms)


_LATELY = 8
"""The newest blocks of a subject in which its figures are looked for."""


class Series(NamedTuple):
    """A figure over time: buckets of `step_ms`, read from `tier`; where nothing is known, none."""

    tier: Tier
    step_ms: int
    buckets: list[Bucket]


class TierReader:
    """Answers questions about the tiers; remembers what it condensed of the newest readings."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._tail = _Tail()

    def series(
        self, subject: str, figure: str, from_utc_ms: int, to_utc_ms: int, points: int
    ) -> Series:
        """Give about `points` buckets over an interval.

        Args:
            subject: a sensor, whose one figure is "value", or a device.
            figure: its public name.
            from_utc_ms: the first instant.
            to_utc_ms: the instant after the last.
            points: how many buckets are wanted at most; at least 1.
        """
        span_ms = max(1, to_utc_ms - from_utc_ms)
        tier = Tier.MINUTES
        if _step(span_ms, points, tier) >= Tier.QUARTERS.width_ms or not self._has_minutes(
            subject, from_utc_ms
        ):
            tier = Tier.QUARTERS
        step_ms = _step(span_ms, points, tier)
        buckets = self.buckets(subject, figure, tier, from_utc_ms, to_utc_ms)
        return Series(tier, step_ms, condense(buckets, step_ms))

    def buckets(
        self, subject: str, figure: str, tier: Tier, from_utc_ms: int, to_utc_ms: int
    ) -> list[Bucket]:
        """Give the buckets of a tier that begin in an interval, in order of time."""
        return self.columns(subject, (figure,), tier, from_utc_ms, to_utc_ms)[figure]

    def columns(
        self, subject: str, figures: Sequence[str], tier: Tier, from_utc_ms: int, to_utc_ms: int
    ) -> dict[str, list[Bucket]]:
        """Give the buckets of several figures: their blocks are opened only once."""
        table = TABLES[tier]
        rows = (
            select(table.c.data)
            .where(
                table.c.subject == subject,
                table.c.day >= from_utc_ms // DAY_MS,
                table.c.day <= to_utc_ms // DAY_MS,
            )
            .order_by(table.c.day, table.c.number)
        )
        with self._database.reading() as connection:
            blocks = [TierBlock(data, tier.width_ms) for data in connection.scalars(rows)]
            tails = {figure: self._tail.buckets(connection, subject, figure) for figure in figures}
        found = {}
        for figure, tail in tails.items():
            column = merged(blocks, figure, tier)
            if tail:
                column = condense([*column, *condense(tail, tier.width_ms)], tier.width_ms)
            first, after = (
                bisect_left(column, utc_ms, key=itemgetter(0))
                for utc_ms in (from_utc_ms, to_utc_ms)
            )
            found[figure] = column[first:after]
        return found

    def figures_of(self, subject: str) -> list[str]:
        """Give the figures that a subject has had lately, sorted; none for an unknown one."""
        table = TABLES[Tier.MINUTES]
        newest = (
            select(table.c.data)
            .where(table.c.subject == subject)
            .order_by(table.c.day.desc(), table.c.number.desc())
            .limit(_LATELY)
        )
        with self._database.reading() as connection:
            data = connection.scalars(newest).all()
            figures = set(figures_in(TierBlock(each, Tier.MINUTES.width_ms) for each in data))
            figures |= self._tail.figures(connection, subject)
        return sorted(figures)

    def _has_minutes(self, subject: str, utc_ms: int) -> bool:
        """Whether the minutes reach back to an instant as far as the quarters do."""
        with self._database.reading() as connection:
            minutes = _first_day(connection, TABLES[Tier.MINUTES], subject)
            quarters = _first_day(connection, TABLES[Tier.QUARTERS], subject)
        if quarters is None:
            return True
        return minutes is not None and minutes <= max(quarters, utc_ms // DAY_MS)


class _Tail:
    """What is committed and not in the tiers yet."""

    def __init__(self) -> None:
        self._derived_seq = 0
        self._renames = Renames()
        self._minutes = Minutes(0)
        self._waiting: list[FigureMinute] = []
        self._waiting_mark: tuple[int, ...] = ()

    def buckets(self, connection: Connection, subject: str, figure: str) -> list[Bucket]:
        """Give the minutes of a figure, in no order and maybe in parts."""
        if figure == SENSOR_FIGURE:
            self._refresh(connection)
            return self._minutes.gathered.buckets(subject)
        return [
            minute.devices[subject][figure]
            for minute in self._waiting_now(connection)
            if figure in minute.devices.get(subject, {})
        ]

    def figures(self, connection: Connection, subject: str) -> set[str]:
        """Give the figures that a subject has here."""
        self._refresh(connection)
        waiting = self._waiting_now(connection)
        told = {figure for minute in waiting for figure in minute.devices.get(subject, {})}
        return told | ({SENSOR_FIGURE} if self._minutes.gathered.buckets(subject) else set())

    def _waiting_now(self, connection: Connection) -> list[FigureMinute]:
        """Give the devices' minutes that wait; an hour of them takes long to unpack."""
        mark = waiting_mark(connection)
        if mark != self._waiting_mark:
            self._waiting, self._waiting_mark = waiting_figures(connection).minutes, mark
        return self._waiting

    def _refresh(self, connection: Connection) -> None:
        """Go on where the last look ended, unless the tiers have come further, or names changed."""
        derived, renames = derived_seq(connection), read_renames(connection)
        if derived != self._derived_seq or renames != self._renames:
            self._derived_seq, self._renames = derived, renames
            self._minutes = Minutes(derived)
        while self._minutes.gather(connection):
            pass


def _first_day(connection: Connection, table: Table, subject: str) -> int | None:
    day: int | None = connection.scalar(
        select(func.min(table.c.day)).where(table.c.subject == subject)
    )
    return day


def _step(span_ms: int, points: int, tier: Tier) -> int:
    """Give the narrowest step in whole widths of the tier with no more than `points` of them."""
    widths = -(-span_ms // (tier.width_ms * max(1, points)))
    return max(1, widths) * tier.width_ms

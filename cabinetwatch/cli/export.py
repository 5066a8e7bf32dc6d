"""`cabinetwatch export`: every reading in the store, corrected, to standard output."""

import argparse
import csv
import json
import sys
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple, TextIO

from cabinetwatch.cli.instants import add_interval, check_interval
from cabinetwatch.config import Config, find_config_file
from cabinetwatch.errors import UsageError
from cabinetwatch.service.importing import corrected
from cabinetwatch.store.corrections import offsets_throughout
from cabinetwatch.store.store import Store
from cabinetwatch.store.tiers import DAY_MS, SENSOR_FIGURE, Tier
from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch.configuration import load
from cabinetwatch.watch.entry import EntryKind
from cabinetwatch.watch.reading import Quality

_RAW = "raw"


class Exported(NamedTuple):
    """One line of the export; `value` in the quantity's SI unit, the sensor's offset applied.

    Where single readings are gone, `value` is the mean of the minute, or quarter of an hour, that
    begins at `utc_ms`; it has no quality.
    """

    utc_ms: int
    sensor: str
    value: float
    quality: Quality | None
    tier: str = _RAW


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "--format",
        choices=("csv", "jsonl"),
        default="csv",
        help="csv: time,sensor,value; jsonl: the same and the quality, an object a line; both with "
        "the tier where minutes stand for readings that are gone (default: csv)",
    )
    add_interval(
        parser,
        from_help="from this time on (RFC 3339, such as 2026-07-01T12:00:00Z)",
        to_help="up to before this time",
    )
    parser.add_argument(
        "--sensor",
        dest="sensors",
        metavar="ID",
        action="append",
        default=[],
        help="only this sensor; may be given more than once",
    )


def run(args: argparse.Namespace) -> int:
    """Write the readings, in the order in which they arrived.

    Returns:
        0.

    Raises:
        ConfigError: the configuration is faulty.
        StoreError: the store can't be read.
        UsageError: an unknown sensor, or an interval that ends before it begins.
    """
    check_interval(args)
    config = load(find_config_file(args.config))
    with Store.open(config.store.url, read_only=True) as store:
        _check_sensors(args.sensors, config, store)
        lines = exported(store, config, frozenset(args.sensors), args.from_utc_ms, args.to_utc_ms)
        gone_ms = store.raw_gone_before()
        condensed = gone_ms is not None and (args.from_utc_ms or 0) < gone_ms
        _WRITERS[args.format](lines, sys.stdout, condensed)
    return 0


def exported(
    store: Store,
    config: Config,
    sensors: frozenset[str],
    from_utc_ms: int | None,
    to_utc_ms: int | None,
) -> Iterator[Exported]:
    """Give the readings of some sensors (none named: of all), corrected.

    Where the readings are gone come the minutes, and quarter-hours where those are gone too. A
    reading is corrected by the offset that was in force when it came, as the journal tells it;
    one from before any configuration in the journal by that of `config`.
    """
    gone_ms = store.raw_gone_before()
    if gone_ms is not None:
        until_ms = gone_ms if to_utc_ms is None else min(gone_ms, to_utc_ms)
        yield from _condensed(store, sensors or frozenset(store.sensors()), from_utc_ms, until_ms)
        from_utc_ms = gone_ms if from_utc_ms is None else max(gone_ms, from_utc_ms)
    yield from _single(store, config, sensors, from_utc_ms, to_utc_ms)


def _single(
    store: Store,
    config: Config,
    sensors: frozenset[str],
    from_utc_ms: int | None,
    to_utc_ms: int | None,
) -> Iterator[Exported]:
    offsets = offsets_throughout(store.entries(EntryKind.CONFIG), config)
    for stretch in store.stretches(from_utc_ms, to_utc_ms):
        in_force = offsets.at(stretch.first_seq)
        for reading in stretch.readings:
            utc_ms = reading.t + stretch.offset_ms
            if sensors and reading.sensor not in sensors:
                continue
            if from_utc_ms is not None and utc_ms < from_utc_ms:
                continue
            if to_utc_ms is not None and utc_ms >= to_utc_ms:
                continue
            value = corrected(reading.value, in_force.get(reading.sensor, 0.0))
            yield Exported(utc_ms, reading.sensor, value, reading.quality)


def _condensed(
    store: Store, sensors: frozenset[str], from_utc_ms: int | None, to_utc_ms: int
) -> Iterator[Exported]:
    """Give minutes, or where a day has none quarter-hours, day after day and in order of time."""
    oldest_ms = store.room().oldest_quarters_utc_ms
    if oldest_ms is None:
        return
    start_ms = oldest_ms if from_utc_ms is None else max(oldest_ms, from_utc_ms)
    for day in range(start_ms // DAY_MS, -(-to_utc_ms // DAY_MS)):
        begin_ms, end_ms = max(day * DAY_MS, start_ms), min((day + 1) * DAY_MS, to_utc_ms)
        lines = []
        for sensor in sensors:
            for tier in Tier:
                buckets = store.buckets(sensor, SENSOR_FIGURE, tier, begin_ms, end_ms)
                lines += [
                    Exported(bucket.utc_ms, sensor, bucket.mean, None, tier.value)
                    for bucket in buckets
                ]
                if buckets:
                    break
        yield from sorted(lines, key=lambda line: (line.utc_ms, line.sensor))


def _check_sensors(wanted: list[str], config: Config, store: Store) -> None:
    known = {*config.sensors, *store.sensors()}
    for sensor in wanted:
        if sensor not in known:
            raise UsageError(
                f'--sensor: there is no sensor "{sensor}" in the configuration or the store; '
                f"known are {', '.join(sorted(known)) or 'none'}"
            )


def _write_csv(lines: Iterator[Exported], out: TextIO, condensed: bool) -> None:
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("time", "sensor", "value", *(("tier",) if condensed else ())))
    for line in lines:
        tier = (line.tier,) if condensed else ()
        writer.writerow((to_rfc3339(line.utc_ms), line.sensor, repr(line.value), *tier))


def _write_jsonl(lines: Iterator[Exported], out: TextIO, condensed: bool) -> None:
    for line in lines:
        fields: dict[str, Any] = {
            "time": to_rfc3339(line.utc_ms),
            "sensor": line.sensor,
            "value": line.value,
            "quality": None if line.quality is None else line.quality.name.lower(),
        }
        if condensed:
            fields["tier"] = line.tier
        out.write(json.dumps(fields) + "\n")


# Takes also whether some lines stand for readings that are gone: only then is there a tier to tell.
_WRITERS: dict[str, Callable[[Iterator[Exported], TextIO, bool], None]] = {
    "csv": _write_csv,
    "jsonl": _write_jsonl,
}

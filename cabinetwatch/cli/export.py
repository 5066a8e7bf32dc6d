"""`cabinetwatch export`: every raw reading in the store, corrected, to standard output."""

import argparse
import csv
import json
import sys
from collections.abc import Callable, Iterator
from typing import NamedTuple, TextIO

from cabinetwatch.cli.instants import add_interval, check_interval
from cabinetwatch.config import Config, find_config_file
from cabinetwatch.errors import UsageError
from cabinetwatch.service.importing import corrected
from cabinetwatch.service.offsets import OffsetsInForce
from cabinetwatch.store.store import Store
from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch.configuration import load
from cabinetwatch.watch.reading import Quality


class Exported(NamedTuple):
    """One line of the export; `value` in the quantity's SI unit, the sensor's offset applied."""

    utc_ms: int
    sensor: str
    value: float
    quality: Quality


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "--format",
        choices=("csv", "jsonl"),
        default="csv",
        help="csv: time,sensor,value; jsonl: the same and the quality, an object a line "
        "(default: csv)",
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
        _WRITERS[args.format](lines, sys.stdout)
    return 0


def exported(
    store: Store,
    config: Config,
    sensors: frozenset[str],
    from_utc_ms: int | None,
    to_utc_ms: int | None,
) -> Iterator[Exported]:
    """Give the readings of some sensors (none named: of all), corrected.

    A reading is corrected by the offset that was in force when it came, as the journal tells it;
    one from before any configuration in the journal by that of `config`.
    """
    offsets = OffsetsInForce(store, config)
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


def _check_sensors(wanted: list[str], config: Config, store: Store) -> None:
    known = {*config.sensors, *store.sensors()}
    for sensor in wanted:
        if sensor not in known:
            raise UsageError(
                f'--sensor: there is no sensor "{sensor}" in the configuration or the store; '
                f"known are {', '.join(sorted(known)) or 'none'}"
            )


def _write_csv(lines: Iterator[Exported], out: TextIO) -> None:
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("time", "sensor", "value"))
    for line in lines:
        writer.writerow((to_rfc3339(line.utc_ms), line.sensor, repr(line.value)))


def _write_jsonl(lines: Iterator[Exported], out: TextIO) -> None:
    for line in lines:
        fields = {
            "time": to_rfc3339(line.utc_ms),
            "sensor": line.sensor,
            "value": line.value,
            "quality": line.quality.name.lower(),
        }
        out.write(json.dumps(fields) + "\n")


_WRITERS: dict[str, Callable[[Iterator[Exported], TextIO], None]] = {
    "csv": _write_csv,
    "jsonl": _write_jsonl,
}

"""Data in and out, and its upkeep: import, export, backup, restore, prune."""

import argparse
import csv
import json
import sys
from collections.abc import Callable, Iterator
from itertools import chain, islice
from pathlib import Path
from typing import Any, NamedTuple, TextIO

from cabinetwatch.cli.act import ask
from cabinetwatch.cli.terminal import LeftOut, add_interval, check_interval, say
from cabinetwatch.clock import SystemClock, WatchTime, to_rfc3339
from cabinetwatch.config import Config, find_config_file
from cabinetwatch.mqtt import recording
from cabinetwatch.service.offline import Imported, corrected, import_readings
from cabinetwatch.service.startup import open_or_make
from cabinetwatch.service.store_loop import PRUNE, megabytes, thorough_round
from cabinetwatch.store.backup import Restored, back_up, restore
from cabinetwatch.store.codecs import DAY_MS, SENSOR_FIGURE, Tier
from cabinetwatch.store.database import find_watch
from cabinetwatch.store.inputs import OffsetsInForce
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Keeping, Now
from cabinetwatch.text import StoreError, UsageError, counted
from cabinetwatch.watch import configuration
from cabinetwatch.watch.configuration import load
from cabinetwatch.watch.events import EntryKind, Quality


def configure_import(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument(
        "file",
        type=Path,
        metavar="FILE",
        help="CSV (time,sensor,value; values are taken as corrected), the JSON Lines of export, or"
        " a recording",
    )


def run_import(args: argparse.Namespace) -> int:
    """Take the file in; what can't be read is told by its line and left out.

    Raises:
        ConfigError: the configuration is faulty.
        StoreError: the watch is running with this store, or it can't be written.
        UsageError: the file can't be read, or is of no known kind, or no line in it is right.
    """
    config = configuration.load(find_config_file(args.config))
    left_out = LeftOut(args.file)
    readings = recording.read_table(args.file, config.sensors, left_out.tell)
    # The file is opened by who asks: in the folder of the store root may be another user.
    readings = chain(list(islice(readings, 1)), readings)
    with open_or_make(config.store.url) as store:
        journaled = store.entries(EntryKind.CONFIG)
        offsets = OffsetsInForce(journaled, config.as_json()).at(store.last_seq() + 1)
        now_utc_ms = SystemClock().utc_ms()
        imported = import_readings(store, readings, offsets, now_utc_ms, left_out.tell)
    left_out.close()
    if left_out.lines and not (imported.taken or imported.known or imported.too_old):
        raise UsageError(f"{args.file}: no line could be taken, and nothing has changed")
    say(_summary(imported, len(left_out.lines)))
    return 0


def _summary(imported: Imported, left_out: int) -> str:
    parts = [f"{counted(imported.taken, 'reading')} taken"]
    if imported.known:
        parts.append(f"{imported.known} left out, because the store has them already")
    if imported.too_old and imported.gone_before is not None:
        since = to_rfc3339(imported.gone_before)
        parts.append(
            f"{imported.too_old} left out, because of the time before {since} the store keeps"
            " minutes only, in which they would count twice"
        )
    if left_out:
        parts.append(f"{counted(left_out, 'line')} left out, for what is wrong")
    return "; ".join(parts) + "."


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


def configure_export(parser: argparse.ArgumentParser) -> None:
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


def run_export(args: argparse.Namespace) -> int:
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
    offsets = OffsetsInForce(store.entries(EntryKind.CONFIG), config.as_json())
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


def configure_backup(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument(
        "file", metavar="FILE", type=Path, help="the copy; it may be used as a store"
    )
    parser.add_argument("--force", action="store_true", help="replace FILE if it is there already")


def run_backup(args: argparse.Namespace) -> int:
    """Copy and verify.

    Raises:
        ConfigError: the configuration is faulty.
        StoreError: there is no store, FILE is there or can't be written, or does not check out.
    """
    config = configuration.load(find_config_file(args.config))
    backup = back_up(config.store.path, args.file, replace=args.force)
    say(
        f"{args.file}: {megabytes(backup.bytes)}, opened and checked; "
        f"{backup.readings} single readings are in it."
    )
    return 0


def configure_restore(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("file", metavar="FILE", type=Path, help="what `backup` wrote; it is kept")
    parser.epilog = (
        "Stop the watch first. The store that is there is kept under a dated name beside it, with "
        "its log; do not copy a backup over the store yourself: the log left there would spoil it."
    )


def run_restore(args: argparse.Namespace) -> int:
    """Check the backup and put it in place.

    Raises:
        ConfigError: the configuration is faulty.
        StoreError: a watch runs, FILE is no sound backup, or it can't be put there.
    """
    config = configuration.load(find_config_file(args.config))
    path = config.store.path
    watch = find_watch(path)
    if watch is not None:
        process = "" if watch.process is None else f" (process {watch.process})"
        raise StoreError(
            f"A watch is running on the store {path}{process}; stop it first, with"
            " `systemctl stop cabinetwatch`, or Ctrl-C where it runs"
        )
    now_utc_ms = SystemClock().utc_ms()
    done = restore(args.file, path, now_utc_ms)
    say(f"{args.file} is in place as {path}; it was checked first, and `run` goes on with it.")
    say(_missing(done, now_utc_ms))
    if done.aside is not None:
        say(f"The store that was there is kept as {done.aside}.")
    return 0


def _missing(done: Restored, now_utc_ms: int) -> str:
    """Say what the backup does not have."""
    if done.newest_utc_ms is None:
        return "The backup holds no readings: everything up to now is missing in it."
    since = to_rfc3339(done.newest_utc_ms)
    if done.before_utc_ms is None:
        until = to_rfc3339(now_utc_ms)
        return f"What was measured and told from {since} to now ({until}) is missing in it."
    if done.before_utc_ms <= done.newest_utc_ms:
        return f"Nothing is missing: the store that was there had nothing after {since} either."
    until = to_rfc3339(done.before_utc_ms)
    return f"What was measured and told from {since} to {until} is missing in it."


_ANSWER_WITHIN_S = 900.0
"""A running watch prunes in small steps and goes on watching in between: that takes its time."""


def configure_prune(parser: argparse.ArgumentParser) -> None:
    """Say what is pruned; there are no options."""
    parser.epilog = (
        "The keeping times stand in [store]. The watch prunes by itself; this does it now, and "
        "gives all free space in the file back to the disk."
    )


def run_prune(args: argparse.Namespace) -> int:
    """Prune, by the watch if it runs.

    Raises:
        ConfigError: the configuration is faulty.
        StoreError: there is no store, or it can't be written.
    """
    config = configuration.load(find_config_file(args.config))
    with Store.open(config.store.url, read_only=True) as store:
        if find_watch(store.path) is not None:
            return ask(store, {"command": PRUNE}, within_s=_ANSWER_WITHIN_S)
    print(_prune(config))
    return 0


def _prune(config: Config) -> str:
    """Prune without a watch; give the sentence on what came of it."""
    with Store.open(config.store.url) as store:
        watch = WatchTime(SystemClock(), store.last_t())
        now_t = watch.now_ms()
        steps = thorough_round(store, Now(now_t, watch.utc_ms(now_t)), Keeping.of(config.store))
        while True:
            try:
                next(steps)
            except StopIteration as end:
                return str(end.value)

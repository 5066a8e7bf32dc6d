"""Data in, out and through the engine, and its upkeep.

import, export, replay, backup, restore, prune.
"""

import argparse
import csv
import json
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import chain, islice
from typing import NamedTuple

from cabinetwatch.cli.look import ask
from cabinetwatch.cli.terminal import LeftOut, say
from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.config import Config
from cabinetwatch.mqtt import recording
from cabinetwatch.service.offline import (
    Change,
    Imported,
    changed_restore,
    corrected,
    import_readings,
    imported_inputs,
    recording_inputs,
)
from cabinetwatch.service.startup import open_or_make
from cabinetwatch.service.store_loop import PRUNE, megabytes, thorough_round
from cabinetwatch.store.backup import Restored, back_up, restore
from cabinetwatch.store.codecs import DAY_MS, SENSOR_FIGURE, Tier
from cabinetwatch.store.database import find_watch
from cabinetwatch.store.inputs import OffsetsInForce
from cabinetwatch.store.replay import Replayer, from_oldest_reading
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Keeping, Now
from cabinetwatch.text import StoreError, UsageError, counted, local_time, to_rfc3339
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading, Transition


def import_file(args: argparse.Namespace) -> int:
    """Take a file in; what can't be read is reported by its line and left out."""
    config: Config = args.config
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
    say(_summary(imported, len(left_out.lines), config.site.timezone))
    return 0


def _summary(imported: Imported, left_out: int, timezone: str) -> str:
    parts = [f"{counted(imported.taken, 'reading')} taken"]
    if imported.known:
        parts.append(f"{imported.known} left out, because the store has them already")
    if imported.too_old and imported.gone_before is not None:
        since = local_time(imported.gone_before, timezone)
        parts.append(
            f"{imported.too_old} left out, because of the time before {since} the store keeps"
            " minutes only, in which they would count twice"
        )
    if left_out:
        parts.append(f"{counted(left_out, 'line')} left out, for what is wrong")
    return "; ".join(parts) + "."


class Exported(NamedTuple):
    """One line of the export; `value` in the quantity's SI unit, the sensor's offset applied.

    Where single readings are gone, `value` is the mean of the minute, or quarter of an hour, that
    begins at `utc_ms`; it has no quality.
    """

    utc_ms: int
    sensor: str
    value: float
    quality: Quality | None
    tier: str = "raw"


def export(args: argparse.Namespace) -> int:
    """Write the readings, in the order in which they arrived."""
    config: Config = args.config
    with Store.open(config.store.url, read_only=True) as store:
        known = {*config.sensors, *store.sensors()}
        for sensor in args.sensors:
            if sensor not in known:
                raise UsageError(
                    f'--sensor: there is no sensor "{sensor}" in the configuration or the store; '
                    f"known are {', '.join(sorted(known)) or 'none'}"
                )
        lines = _exported(store, config, frozenset(args.sensors), args.from_utc_ms, args.to_utc_ms)
        gone_ms = store.raw_gone_before()
        # Only then some lines stand for readings that are gone, and there is a tier to tell.
        condensed = gone_ms is not None and (args.from_utc_ms or 0) < gone_ms
        (_write_csv if args.format == "csv" else _write_jsonl)(lines, condensed)
    return 0


def _exported(
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
    offsets = OffsetsInForce(store.entries(EntryKind.CONFIG), config.as_json())
    for seq, reading, utc_ms in store.numbered(sensors or None, from_utc_ms, to_utc_ms):
        value = corrected(reading.value, offsets.at(seq).get(reading.sensor, 0.0))
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


def _write_csv(lines: Iterator[Exported], condensed: bool) -> None:
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(("time", "sensor", "value", *(("tier",) if condensed else ())))
    for line in lines:
        tier = (line.tier,) if condensed else ()
        writer.writerow((to_rfc3339(line.utc_ms), line.sensor, repr(line.value), *tier))


def _write_jsonl(lines: Iterator[Exported], condensed: bool) -> None:
    for line in lines:
        fields = {
            "time": to_rfc3339(line.utc_ms),
            "sensor": line.sensor,
            "value": line.value,
            "quality": None if line.quality is None else line.quality.name.lower(),
        }
        if condensed:
            fields["tier"] = line.tier
        sys.stdout.write(json.dumps(fields) + "\n")


_MOST_LISTED = 20
_MOST_PROBLEMS_TOLD = 10


def replay(args: argparse.Namespace) -> int:
    """Write one JSON object a line for each transition; show what --set changes if asked to."""
    if args.compare and not args.changes:
        raise UsageError("--compare shows what --set changes; give at least one --set KEY=VALUE")
    told = []
    for transition in _replayed(args, args.changes):
        told.append(transition)
        sys.stdout.write(json.dumps(transition.public()) + "\n")
    if not told:
        say("No alarm moved in what was replayed.", sys.stderr)
    if args.compare:
        for line in _difference(list(_replayed(args, [])), told, args.config.site.timezone):
            say(line, sys.stderr)
    return 0


def _replayed(args: argparse.Namespace, changes: Sequence[Change]) -> Iterator[Transition]:
    """Judge the whole record; give what is asked for of it."""
    source = _stored if args.recording is None else _recorded
    for each in source(args, changes):
        after = args.from_utc_ms is None or each.utc_ms >= args.from_utc_ms
        if after and (args.to_utc_ms is None or each.utc_ms < args.to_utc_ms):
            yield each


def _stored(args: argparse.Namespace, changes: Sequence[Change]) -> Iterator[Transition]:
    with Store.open(args.config.store.url, read_only=True) as store:
        if not store.entries(EntryKind.START):
            # No watch has written it: the imported readings are judged as a recording is.
            engine = Engine(_changed(args.config, changes))
            yield from Replayer(engine).run(imported_inputs(store.readings()))
            yield from engine.advance(engine.now)
            return
        inputs: Iterator[Reading | Entry] = (item for _, item in store.inputs())
        gone_before = store.raw_gone_before()
        if gone_before is not None:
            say(
                f"Single readings from before {local_time(gone_before, args.config.site.timezone)}"
                " were pruned: the replay begins there, and an alarm that was active then is raised"
                " anew.",
                sys.stderr,
            )
            inputs = from_oldest_reading(store.inputs())
        renames = store.renames()
        replayer = Replayer(restore=changed_restore(changes, renames), renames=renames)
        yield from replayer.run(inputs)
        last_t = store.last_t()
        if replayer.engine is not None and last_t is not None:
            yield from replayer.engine.advance(last_t)


def _recorded(args: argparse.Namespace, changes: Sequence[Change]) -> Iterator[Transition]:
    config = _changed(args.config, changes)
    problems = messages = 0

    def tell(sentence: str) -> None:
        nonlocal problems
        problems += 1
        if problems <= _MOST_PROBLEMS_TOLD:
            say(sentence, sys.stderr)

    def messages_counted() -> Iterator[recording.Recorded]:
        nonlocal messages
        for message in recording.read_recording(args.recording, tell):
            messages += 1
            yield message

    engine = Engine(config)
    yield from Replayer(engine).run(recording_inputs(messages_counted(), config, tell))
    yield from engine.advance(engine.now)
    if problems > _MOST_PROBLEMS_TOLD:
        more = problems - _MOST_PROBLEMS_TOLD
        say(f"{more} more messages could not be read.", sys.stderr)
    if not messages:
        raise UsageError(
            f"{args.recording}: there is no message in it; give what cabinetwatch record writes"
        )


def _changed(config: Config, changes: Sequence[Change]) -> Config:
    return changed_restore(changes)(config.as_json()) if changes else config


def _difference(
    before: Sequence[Transition], after: Sequence[Transition], timezone: str
) -> Iterator[str]:
    """Tell in lines what was raised before and after a change of settings.

    Raises are counted by subject and condition; those that only one side has are listed.
    """
    raised_before, raised_after = (
        [(t.utc_ms, t.subject, t.condition) for t in each if t.is_raise] for each in (before, after)
    )
    if raised_before == raised_after and len(before) == len(after):
        yield "The change makes no difference on this record."
        return
    yield f"Alarms raised: {len(raised_before)} with the settings as they were,"
    yield f"               {len(raised_after)} with the change."
    counts_before, counts_after = (
        Counter(each[1:] for each in raised) for raised in (raised_before, raised_after)
    )
    for key in sorted(counts_before.keys() | counts_after.keys()):
        yield f"  {key[0]} {key[1]}: {counts_before[key]} -> {counts_after[key]}"
    for heading, these, those in (
        ("Only with the settings as they were:", raised_before, set(raised_after)),
        ("Only with the change:", raised_after, set(raised_before)),
    ):
        only = [each for each in these if each not in those]
        if only:
            yield heading
        for utc_ms, subject, condition in only[:_MOST_LISTED]:
            yield f"  {local_time(utc_ms, timezone)} {subject} {condition}"
        if len(only) > _MOST_LISTED:
            yield f"  and {len(only) - _MOST_LISTED} more"


def backup(args: argparse.Namespace) -> int:
    """Copy and verify."""
    done = back_up(args.config.store.path, args.file, replace=args.force)
    say(
        f"{args.file}: {megabytes(done.bytes)}, opened and checked; "
        f"{done.readings} single readings are in it."
    )
    return 0


def restore_backup(args: argparse.Namespace) -> int:
    """Check a backup and put it in place."""
    path = args.config.store.path
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
    say(_missing(done, now_utc_ms, args.config.site.timezone))
    if done.aside is not None:
        say(f"The store that was there is kept as {done.aside}.")
    for each in done.removed:
        say(f"{each}, which an earlier restore had kept, was old and is gone.")
    return 0


def _missing(done: Restored, now_utc_ms: int, timezone: str) -> str:
    """Say what the backup does not have."""
    if done.newest_utc_ms is None:
        return "The backup holds no readings: everything up to now is missing in it."
    since = local_time(done.newest_utc_ms, timezone)
    if done.before_utc_ms is None:
        until = local_time(now_utc_ms, timezone)
        return f"What was measured and reported from {since} to now ({until}) is missing in it."
    if done.before_utc_ms <= done.newest_utc_ms:
        return f"Nothing is missing: the store that was there had nothing after {since} either."
    until = local_time(done.before_utc_ms, timezone)
    return f"What was measured and reported from {since} to {until} is missing in it."


_ANSWER_WITHIN_S = 900.0
"""A running watch prunes in small steps and goes on watching in between: that takes its time."""


def prune(args: argparse.Namespace) -> int:
    """Prune, by the watch if it runs."""
    table = args.config.store
    with Store.open(table.url, read_only=True) as store:
        if find_watch(store.path) is not None:
            return ask(store, {"command": PRUNE}, within_s=_ANSWER_WITHIN_S)
    with Store.open(table.url) as store:
        watch = WatchTime(SystemClock(), store.last_t())
        now_t = watch.now_ms()
        steps = thorough_round(store, Now(now_t, watch.utc_ms(now_t)), Keeping.of(table))
        while True:
            try:
                next(steps)
            except StopIteration as end:
                print(end.value)
                return 0

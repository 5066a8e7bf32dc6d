"""`cabinetwatch replay`: the engine over a recording or the store, with other settings."""

import argparse
import json
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from cabinetwatch.cli.terminal import add_interval, check_interval, say
from cabinetwatch.clock import to_rfc3339
from cabinetwatch.config import find_config_file
from cabinetwatch.config.model import Config
from cabinetwatch.mqtt import recording
from cabinetwatch.mqtt.recording import Recorded
from cabinetwatch.service.offline import (
    Change,
    changed_restore,
    imported_inputs,
    parse_change,
    recording_inputs,
)
from cabinetwatch.store.replay import Replayer, from_oldest_reading
from cabinetwatch.store.store import Store
from cabinetwatch.text import UsageError
from cabinetwatch.watch import configuration
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind, Reading, Transition

_MOST_LISTED = 20


def describe_difference(before: Sequence[Transition], after: Sequence[Transition]) -> Iterator[str]:
    """Tell in lines what was raised before and after a change of settings.

    Raises are counted by subject and condition; those that only one side has are listed.
    """
    raised_before, raised_after = _raises(before), _raises(after)
    counts_before, counts_after = _count(raised_before), _count(raised_after)
    if raised_before == raised_after and len(before) == len(after):
        yield "The change makes no difference on this record."
        return
    yield f"Alarms raised: {len(raised_before)} with the settings as they were,"
    yield f"               {len(raised_after)} with the change."
    for subject, condition in sorted(counts_before.keys() | counts_after.keys()):
        key = (subject, condition)
        yield f"  {subject} {condition}: {counts_before[key]} -> {counts_after[key]}"
    yield from _listed("Only with the settings as they were:", raised_before, raised_after)
    yield from _listed("Only with the change:", raised_after, raised_before)


def _raises(transitions: Sequence[Transition]) -> list[tuple[int, str, str]]:
    return [(t.utc_ms, t.subject, t.condition) for t in transitions if t.is_raise]


def _count(raised: Sequence[tuple[int, str, str]]) -> Counter[tuple[str, str]]:
    return Counter((subject, condition) for _, subject, condition in raised)


def _listed(
    heading: str, these: Sequence[tuple[int, str, str]], those: Sequence[tuple[int, str, str]]
) -> Iterator[str]:
    known = set(those)
    only = [each for each in these if each not in known]
    if not only:
        return
    yield heading
    for utc_ms, subject, condition in only[:_MOST_LISTED]:
        yield f"  {to_rfc3339(utc_ms)} {subject} {condition}"
    if len(only) > _MOST_LISTED:
        yield f"  and {len(only) - _MOST_LISTED} more"


_MOST_PROBLEMS_TOLD = 10


def configure_replay(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument(
        "recording",
        nargs="?",
        type=Path,
        metavar="RECORDING",
        help="a recording; without one, everything in the store",
    )
    add_interval(parser, from_help="tell only from here on", to_help="up to before this time")
    parser.add_argument(
        "--set",
        dest="changes",
        action="append",
        default=[],
        type=parse_change,
        metavar="KEY=VALUE",
        help="try another setting, such as devices.nas.max_rise_k=22; may be given again",
    )
    parser.add_argument(
        "--compare",
        action="store_true",
        help="show on standard error what --set changes against the settings as they were",
    )


def run_replay(args: argparse.Namespace) -> int:
    """Write one JSON object a line for each transition."""
    check_interval(args)
    if args.compare and not args.changes:
        raise UsageError("--compare shows what --set changes; give at least one --set KEY=VALUE")
    source = _recorded if args.recording is not None else _stored
    told = []
    for transition in source(args, args.changes):
        if _wanted(transition, args):
            told.append(transition)
            sys.stdout.write(json.dumps(transition.public()) + "\n")
    if not told:
        say("No alarm moved in what was replayed.", sys.stderr)
    if args.compare:
        before = [each for each in source(args, []) if _wanted(each, args)]
        for line in describe_difference(before, told):
            say(line, sys.stderr)
    return 0


def _wanted(transition: Transition, args: argparse.Namespace) -> bool:
    after = args.from_utc_ms is None or transition.utc_ms >= args.from_utc_ms
    return after and (args.to_utc_ms is None or transition.utc_ms < args.to_utc_ms)


def _stored(args: argparse.Namespace, changes: Sequence[Change]) -> Iterator[Transition]:
    config = configuration.load(find_config_file(args.config))
    with Store.open(config.store.url, read_only=True) as store:
        if not store.entries(EntryKind.START):
            yield from _imported(store, _changed(config, changes))
            return
        renames = store.renames()
        replayer = Replayer(restore=changed_restore(changes, renames), renames=renames)
        yield from replayer.run(_inputs(store))
        last_t = store.last_t()
        if replayer.engine is not None and last_t is not None:
            yield from replayer.engine.advance(last_t)


def _imported(store: Store, config: Config) -> Iterator[Transition]:
    """Judge a store that no watch has written as a recording: it holds imported readings alone."""
    engine = Engine(config)
    yield from Replayer(engine).run(imported_inputs(store.readings()))
    yield from engine.advance(engine.now)


def _inputs(store: Store) -> Iterator[Reading | Entry]:
    """Give what the store holds of what the engine was told; say so when its beginning is gone."""
    gone_before = store.raw_gone_before()
    if gone_before is None:
        return (item for _, item in store.inputs())
    say(
        f"Single readings from before {to_rfc3339(gone_before)} were pruned: the replay begins"
        " there, and an alarm that stood then is raised anew.",
        sys.stderr,
    )
    return from_oldest_reading(store.inputs())


def _recorded(args: argparse.Namespace, changes: Sequence[Change]) -> Iterator[Transition]:
    config = _changed(configuration.load(find_config_file(args.config)), changes)
    problems = _Problems()
    engine = Engine(config)
    messages = _Messages(recording.read_recording(args.recording, problems.tell))
    yield from Replayer(engine).run(recording_inputs(messages, config, problems.tell))
    yield from engine.advance(engine.now)
    problems.close()
    if not messages.count:
        raise UsageError(
            f"{args.recording}: there is no message in it; give what cabinetwatch record writes"
        )


def _changed(config: Config, changes: Sequence[Change]) -> Config:
    return changed_restore(changes)(config.as_json()) if changes else config


class _Messages:
    """Counts the messages of a recording as they are read."""

    def __init__(self, messages: Iterator[Recorded]) -> None:
        self._messages = messages
        self.count = 0

    def __iter__(self) -> Iterator[Recorded]:
        for message in self._messages:
            self.count += 1
            yield message


class _Problems:
    """Tells the first few lines that can't be read, and counts the rest."""

    def __init__(self) -> None:
        self._count = 0

    def tell(self, sentence: str) -> None:
        self._count += 1
        if self._count <= _MOST_PROBLEMS_TOLD:
            say(sentence, sys.stderr)

    def close(self) -> None:
        more = self._count - _MOST_PROBLEMS_TOLD
        if more > 0:
            say(f"{more} more messages could not be read.", sys.stderr)

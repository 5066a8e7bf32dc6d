"""`cabinetwatch record FILE`: write what arrives to a recording."""

import argparse
import sys
import time
from pathlib import Path

from cabinetwatch.cli.hearing import Visit, add_span, checked_filters, span_s
from cabinetwatch.cli.output import say
from cabinetwatch.config import Config, find_config_file
from cabinetwatch.intake.recording import Recorded, Recorder
from cabinetwatch.text import counted
from cabinetwatch.watch import configuration

_FLUSH_EVERY_S = 1.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument(
        "file", metavar="FILE", type=Path, help="the recording; what it holds already is kept"
    )
    parser.add_argument(
        "--topic",
        dest="topics",
        metavar="FILTER",
        action="append",
        default=[],
        help="record this topic filter instead of the configured sensors' topics; may be repeated",
    )
    add_span(parser)


def run(args: argparse.Namespace) -> int:
    """Record until the time is over, or until Ctrl-C or SIGTERM.

    Returns:
        0, or 1 when the broker never let us in.

    Raises:
        ConfigError: the configuration is faulty.
        UsageError: the file can't be written, or a filter or the time is wrong.
    """
    for_s = span_s(args)
    config = configuration.load(find_config_file(args.config))
    visit = Visit(config, checked_filters(args.topics) or _configured(config), "Record")
    with Recorder(args.file) as recorder:
        _record(visit, recorder, for_s)
        say(f"{counted(recorder.count, 'message')} written to {args.file}.", sys.stderr)
    return 0 if visit.connected else 1


def _configured(config: Config) -> list[str]:
    """Give the sensors' topics; all there are while no sensor is configured."""
    return [sensor.topic for sensor in config.sensors.values()] or ["#"]


def _record(visit: Visit, recorder: Recorder, for_s: float | None) -> None:
    flushed = time.monotonic()
    for message in visit.messages(for_s):
        if message is not None:
            utc_ms = visit.watch.utc_ms(message.t)
            recorder.write(Recorded(utc_ms, message.topic, message.payload, message.retain))
        if time.monotonic() - flushed >= _FLUSH_EVERY_S:
            recorder.flush()
            # A long recording must follow the wall clock when it is set.
            visit.watch.remeasure()
            flushed = time.monotonic()

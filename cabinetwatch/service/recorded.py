"""A recording as the engine's inputs: messages only, on their own time, with the broker there."""

from collections.abc import Callable, Iterable, Iterator

from cabinetwatch.config.model import Config
from cabinetwatch.intake.decode import Decoder
from cabinetwatch.intake.recording import Recorded
from cabinetwatch.watch.entry import Entry, EntryKind
from cabinetwatch.watch.reading import Quality, Reading

LONG_UP_MS = 86_400_000
"""The machine of a recording counts as long up: silence is counted from the first message."""


def recording_inputs(
    messages: Iterable[Recorded], config: Config, on_problem: Callable[[str], None]
) -> Iterator[Reading | Entry]:
    """Give what the engine is told by a recording.

    A bare recording has no journal, so it begins with a start and a connection at its first
    message, and site conditions don't occur in it. A line that is older than one before it counts
    as arrived with that one.

    Args:
        messages: in the order of the file.
        config: says which sensors they feed.
        on_problem: takes a sentence for each message that can't be decoded.
    """
    decoder = Decoder(config.sensors)
    lateness_ms = round(config.site.lateness_s * 1000)
    now: int | None = None
    for message in messages:
        if now is None:
            now = message.utc_ms
            yield from _opening(now)
        now = max(now, message.utc_ms)
        decoded = decoder.decode(message.topic, message.payload, now)
        for problem in decoded.problems:
            on_problem(f"{message.topic}: {problem}")
        for sensor, value, own_utc_ms in decoded.values:
            if message.retain:
                yield Reading(sensor, now, value, Quality.RETAINED)
            elif own_utc_ms is None or own_utc_ms > now:
                yield Reading(sensor, now, value)
            else:
                late = own_utc_ms + lateness_ms <= now
                yield Reading(sensor, own_utc_ms, value, Quality.LATE if late else Quality.TIMED)


def imported_inputs(readings: Iterable[tuple[Reading, int]]) -> Iterator[Reading | Entry]:
    """Give what the engine is told by readings that were imported and that no watch ever heard.

    Args:
        readings: with their UTC, ms; files may have come in any order, and are put in that of time.
    """
    in_order = sorted(readings, key=lambda item: item[1])
    if in_order:
        yield from _opening(in_order[0][1])
    for reading, utc_ms in in_order:
        yield Reading(reading.sensor, utc_ms, reading.value)


def _opening(t: int) -> Iterator[Entry]:
    start = {"offset_ms": 0, "boot_ms": t - LONG_UP_MS, "ran_until_ms": None}
    yield Entry(t, EntryKind.START, start)
    yield Entry(t, EntryKind.CONNECT, {"session_present": False})

"""Taking readings of a file into the store: kept, not judged, and none of them twice."""

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from itertools import islice

from cabinetwatch.intake.tables import FileReading, Problem
from cabinetwatch.store.batch import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.watch.entry import EntryKind
from cabinetwatch.watch.reading import Quality, Reading

_AT_ONCE = 20_000
"""Readings looked up and written together."""

_AHEAD_MS = 60_000
"""Clocks differ; what lies further in the future than this was never measured."""

Key = tuple[str, int, float]
"""Sensor, instant (UTC, ms), value as it is kept."""


@dataclass(slots=True)
class Imported:
    """How many readings were taken, were there already, and are older than all that is left.

    `gone_before` (UTC, ms) says before when single readings were pruned; None when none were.
    """

    taken: int = 0
    known: int = 0
    too_old: int = 0
    gone_before: int | None = None


def import_readings(
    store: Store,
    readings: Iterable[FileReading],
    offsets: Mapping[str, float],
    now_utc_ms: int,
    on_problem: Problem,
) -> Imported:
    """Write readings of a file that the store does not have yet.

    Where single readings were pruned, what the store had can't be told from what it never had: it
    would count twice in the minutes, so all that is so old is left out.

    Args:
        store: open for writing.
        readings: in any order, though the order of their instants is quickest.
        offsets: of the sensors as the store's journal has them in force.
        now_utc_ms: what lies after it is left out.
        on_problem: told of each reading that is left out.

    Raises:
        StoreError: it can't be written; what was taken so far is kept.
    """
    result = Imported(gone_before=store.raw_gone_before())
    offset_ms = store.offset_ms() or 0
    watched = bool(store.entries(EntryKind.START))
    remaining = iter(readings)
    while chunk := list(islice(remaining, _AT_ONCE)):
        wanted: list[Key] = []
        for reading in chunk:
            if reading.utc_ms > now_utc_ms + _AHEAD_MS:
                on_problem(reading.number, "lies in the future")
                continue
            if result.gone_before is not None and reading.utc_ms < result.gone_before:
                result.too_old += 1
                continue
            wanted.append((reading.sensor, reading.utc_ms, _kept(reading, offsets)))
        fresh = _without_known(store, wanted)
        result.taken += len(fresh)
        result.known += len(wanted) - len(fresh)
        if fresh:
            store.commit(_batch(store, fresh, offset_ms, foreign=watched))
    return result


def _batch(store: Store, keys: list[Key], offset_ms: int, *, foreign: bool) -> Batch:
    """Give what is to be written.

    Where a watch has run it goes on from where it was, not from the newest reading of the file:
    what falls due between the two is still to be told.
    """
    inputs = [
        Reading(name, utc_ms - offset_ms, value, Quality.LATE) for name, utc_ms, value in keys
    ]
    advanced_to = max(store.last_t() or 0, *(each.t for each in inputs))
    return Batch(advanced_to, offset_ms, list(inputs), foreign=foreign)


def _without_known(store: Store, wanted: list[Key]) -> list[Key]:
    """Leave out what the store has, as often as it has it: two alike in one instant are two."""
    if not wanted:
        return []
    keys = set(wanted)
    instants = [utc_ms for _, utc_ms, _ in wanted]
    known: Counter[Key] = Counter()
    for reading, utc_ms in store.readings(None, min(instants), max(instants) + 1):
        key = (reading.sensor, utc_ms, reading.value)
        if key in keys:
            known[key] += 1
    fresh = []
    for key in wanted:
        if known[key] > 0:
            known[key] -= 1
        else:
            fresh.append(key)
    return fresh


def _kept(reading: FileReading, offsets: Mapping[str, float]) -> float:
    """Give the value as the store keeps it: without the offset."""
    offset = offsets.get(reading.sensor, 0.0)
    if not reading.corrected or not offset:
        return reading.value
    kept = float(Decimal(repr(reading.value)) - Decimal(repr(offset)))
    # Rounding can lose the last bit; the one beside it may be what gives this value back.
    for candidate in (kept, math.nextafter(kept, math.inf), math.nextafter(kept, -math.inf)):
        if corrected(candidate, offset) == reading.value:
            return candidate
    return kept


def corrected(value: float, offset: float) -> float:
    """Add the offset as one would on paper: 23.1 and -0.4 are 22.7, not 22.700000000000003."""
    return float(Decimal(repr(value)) + Decimal(repr(offset))) if offset else value

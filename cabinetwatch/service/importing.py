"""Taking readings of a file into the store: kept, not judged, and none of them twice."""

import math
from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import islice
from operator import itemgetter
from typing import NamedTuple

from cabinetwatch.intake.tables import FileReading, Problem
from cabinetwatch.store.batch import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.watch.entry import EntryKind
from cabinetwatch.watch.reading import Quality, Reading

_AT_ONCE = 20_000
"""Readings looked up and written together."""

_AHEAD_MS = 60_000
"""Clocks differ; what lies further in the future than this was never measured."""

ARRIVAL_JITTER_MS = 500
"""By less than this the arrival of one message differs between two that listen to one broker. Half
of the second that lies between the readings of a busy sensor, so that equal ones stay apart."""

_NEAREST = 64
"""Among so many stored readings of its value to either side a recorded one is looked for."""

Key = tuple[str, int, float]
"""Sensor, instant (UTC, ms), value as it is kept."""


class _Wanted(NamedTuple):
    key: Key
    at_arrival: bool


class Dated(NamedTuple):
    """A value of one sensor at its instant."""

    utc_ms: int
    value: float


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
    # What this import writes itself is no copy of what comes later in the file.
    last_seq = store.last_seq()
    remaining = iter(readings)
    while chunk := list(islice(remaining, _AT_ONCE)):
        wanted: list[_Wanted] = []
        for reading in chunk:
            if reading.utc_ms > now_utc_ms + _AHEAD_MS:
                on_problem(reading.number, "lies in the future")
                continue
            if result.gone_before is not None and reading.utc_ms < result.gone_before:
                result.too_old += 1
                continue
            key = (reading.sensor, reading.utc_ms, _kept(reading, offsets))
            wanted.append(_Wanted(key, reading.at_arrival))
        fresh = _without_known(store, wanted, last_seq)
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


def _without_known(store: Store, wanted: list[_Wanted], last_seq: int) -> list[Key]:
    """Leave out what the store has, as often as it has it: two alike in one instant are two."""
    if not wanted:
        return []
    stored = _stored(store, wanted, last_seq)
    known: set[int] = set()
    places: defaultdict[str, list[int]] = defaultdict(list)
    left = {
        sensor: Counter(Dated(each.utc_ms, each.value) for each in readings)
        for sensor, readings in stored.items()
    }
    for place, ((sensor, utc_ms, value), at_arrival) in enumerate(wanted):
        if at_arrival:
            places[sensor].append(place)
        elif left.get(sensor, Counter())[Dated(utc_ms, value)] > 0:
            left[sensor][Dated(utc_ms, value)] -= 1
            known.add(place)
    for sensor, recorded in places.items():
        recorded.sort(key=lambda place: wanted[place].key[1])
        there = sorted(left.get(sensor, Counter()).elements(), key=itemgetter(0))
        known.update(
            recorded[place]
            for place in heard_by_both([Dated(*wanted[each].key[1:]) for each in recorded], there)
        )
    return [key for place, (key, _) in enumerate(wanted) if place not in known]


def _stored(store: Store, wanted: list[_Wanted], last_seq: int) -> dict[str, list[Dated]]:
    """Give by sensor, in the order of arrival, what may be among the readings of a file."""
    instants = [key[1] for key, _ in wanted]
    first, last = min(instants) - ARRIVAL_JITTER_MS, max(instants) + ARRIVAL_JITTER_MS
    sensors = {key[0] for key, _ in wanted}
    found: defaultdict[str, list[Dated]] = defaultdict(list)
    for stretch in store.stretches(first, last + 1):
        if stretch.first_seq > last_seq:
            continue
        for reading in stretch.readings:
            utc_ms = reading.t + stretch.offset_ms
            if reading.sensor in sensors and first <= utc_ms <= last:
                found[reading.sensor].append(Dated(utc_ms, reading.value))
    return found


def heard_by_both(recorded: Sequence[Dated], stored: Sequence[Dated]) -> set[int]:
    """Find which recorded readings of one sensor are stored ones, as another listener dated them.

    Both have heard one topic in one order. So pairs are sought that are in order on both sides, of
    equal values, and nearer than the jitter; of all such ways of pairing, the one that is nearest
    in all (the sum of what each pair is nearer than the jitter is greatest). That neither takes a
    reading before the watch began for the first that the watch has, nor one stored reading for two.

    Args:
        recorded: in order of time.
        stored: in order of time.

    Returns:
        The places in `recorded` of those that are stored.
    """
    instants: defaultdict[float, list[int]] = defaultdict(list)
    numbers: defaultdict[float, list[int]] = defaultdict(list)
    for number, each in enumerate(stored):
        instants[each.value].append(each.utc_ms)
        numbers[each.value].append(number)
    best = _Best(len(stored))
    for place, (utc_ms, value) in enumerate(recorded):
        of_value = instants.get(value, [])
        here = bisect_left(of_value, utc_ms)
        first = bisect_right(of_value, utc_ms - ARRIVAL_JITTER_MS, max(0, here - _NEAREST))
        last = bisect_left(
            of_value, utc_ms + ARRIVAL_JITTER_MS, here, min(len(of_value), here + _NEAREST)
        )
        # The last first, so that none of them builds upon another with the same recorded reading.
        for at in reversed(range(first, last)):
            near_ms = ARRIVAL_JITTER_MS - abs(utc_ms - of_value[at])
            best.add(place, numbers[value][at], near_ms)
    return best.places()


class _Best:
    """The best chain of pairs that ends at or before each stored reading (a Fenwick tree)."""

    def __init__(self, size: int) -> None:
        # Of each chain: how near it is in all, its last recorded place, the chain before.
        self._chains: list[tuple[int, int, int]] = [(0, -1, -1)]
        self._tree = [0] * (size + 1)

    def add(self, place: int, number: int, near_ms: int) -> None:
        """Go on from the best chain before a stored reading with a pair."""
        before, at = 0, number
        while at > 0:
            before = self._better(self._tree[at], before)
            at -= at & -at
        self._chains.append((self._chains[before][0] + near_ms, place, before))
        chain, at = len(self._chains) - 1, number + 1
        while at < len(self._tree):
            self._tree[at] = self._better(chain, self._tree[at])
            at += at & -at

    def places(self) -> set[int]:
        """Give the recorded places of the best chain of all."""
        chain = max(range(len(self._chains)), key=lambda each: self._chains[each][0])
        found = set()
        while chain > 0:
            _, place, chain = self._chains[chain]
            found.add(place)
        return found

    def _better(self, one: int, other: int) -> int:
        return one if self._chains[one][0] > self._chains[other][0] else other


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

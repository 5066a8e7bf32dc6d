"""Without a daemon: an offline run of a watch, imports, recordings, lessons, other settings.

An offline run does what the daemon does with what it is told, for a simulation that is over in
seconds. An import brings readings of a file into a store, each once; a replay tells an engine what
a recording or the imported readings say, or asks it again under settings that are tried.
"""

import math
import tomllib
from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from decimal import Decimal
from itertools import islice
from operator import itemgetter
from typing import Any, NamedTuple

from cabinetwatch.config.model import Config
from cabinetwatch.mqtt.decoding import Decoder
from cabinetwatch.mqtt.recording import FileReading, Problem, Recorded
from cabinetwatch.notify.plan import Planner
from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek
from cabinetwatch.store.codecs import DAY_MS, FigureSampler
from cabinetwatch.store.inputs import Rename
from cabinetwatch.store.records import Batch, ClosedWeek
from cabinetwatch.store.replay import pack_state
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Now
from cabinetwatch.text import CabinetwatchError, UsageError, local_time
from cabinetwatch.watch.conditions import restore_config
from cabinetwatch.watch.devices import LEARNT_FROM
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading, Transition

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
    would count twice in the minutes, so all that is so old is left out. Readings may come in any
    order, though that of their instants is quickest; `offsets` are those in force by the journal.
    `on_problem` takes each reading that is left out.

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
        wanted: list[tuple[Key, bool]] = []
        for reading in chunk:
            if reading.utc_ms > now_utc_ms + _AHEAD_MS:
                on_problem(reading.number, "lies in the future")
                continue
            if result.gone_before is not None and reading.utc_ms < result.gone_before:
                result.too_old += 1
                continue
            key = (reading.sensor, reading.utc_ms, _kept(reading, offsets))
            wanted.append((key, reading.at_arrival))
        fresh = _without_known(store, wanted, last_seq) if wanted else []
        result.taken += len(fresh)
        result.known += len(wanted) - len(fresh)
        if fresh:
            late = [Reading(name, utc_ms - offset_ms, v, Quality.LATE) for name, utc_ms, v in fresh]
            # A watch that has run goes on from where it was, not from the newest reading of the
            # file: what falls due between the two is still to be told.
            store.commit(Batch(None, offset_ms, [*late], foreign=watched))
    return result


def _without_known(store: Store, wanted: list[tuple[Key, bool]], last_seq: int) -> list[Key]:
    """Leave out what the store has, as often as it has it: two alike in one instant are two."""
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
        recorded.sort(key=lambda place: wanted[place][0][1])
        there = sorted(left.get(sensor, Counter()).elements(), key=itemgetter(0))
        known.update(
            recorded[place]
            for place in heard_by_both([Dated(*wanted[each][0][1:]) for each in recorded], there)
        )
    return [key for place, (key, _) in enumerate(wanted) if place not in known]


def _stored(store: Store, wanted: list[tuple[Key, bool]], last_seq: int) -> dict[str, list[Dated]]:
    """Give by sensor, in the order of arrival, what may be among the readings of a file."""
    instants = [key[1] for key, _ in wanted]
    first, last = min(instants) - ARRIVAL_JITTER_MS, max(instants) + ARRIVAL_JITTER_MS
    sensors = {key[0] for key, _ in wanted}
    found: defaultdict[str, list[Dated]] = defaultdict(list)
    for seq, reading, utc_ms in store.numbered(sensors, first, last + 1):
        if seq <= last_seq:
            found[reading.sensor].append(Dated(utc_ms, reading.value))
    return found


def heard_by_both(recorded: Sequence[Dated], stored: Sequence[Dated]) -> set[int]:
    """Find which recorded readings of one sensor are stored ones, as another listener dated them.

    Both, in order of time, have heard one topic in one order. So pairs are sought that are in order
    on both sides, of equal values, and nearer than the jitter; of all such ways of pairing, the one
    that is nearest in all (the sum of what each pair is nearer than the jitter is greatest). That
    neither takes a reading before the watch began for the first that the watch has, nor one stored
    reading for two. Gives the places in `recorded`.
    """
    of_value: defaultdict[float, tuple[list[int], list[int]]] = defaultdict(lambda: ([], []))
    for number, each in enumerate(stored):
        instants, numbers = of_value[each.value]
        instants.append(each.utc_ms)
        numbers.append(number)
    # Chains of pairs: how near each is in all, its last recorded place, the chain before.
    chains: list[tuple[int, int, int]] = [(0, -1, -1)]
    # By the stored readings that they end with, those that no nearer one ends before.
    ends, best = [-1], [0]
    for place, (utc_ms, value) in enumerate(recorded):
        instants, numbers = of_value[value]
        here = bisect_left(instants, utc_ms)
        first = bisect_right(instants, utc_ms - ARRIVAL_JITTER_MS, max(0, here - _NEAREST))
        most = min(len(instants), here + _NEAREST)
        last = bisect_left(instants, utc_ms + ARRIVAL_JITTER_MS, here, most)
        # The last first, so that none of them builds upon another with the same recorded reading.
        for at in reversed(range(first, last)):
            number = numbers[at]
            start = stop = bisect_left(ends, number)
            before = best[start - 1]
            near_ms = chains[before][0] + ARRIVAL_JITTER_MS - abs(utc_ms - instants[at])
            while stop < len(ends) and chains[best[stop]][0] < near_ms:
                stop += 1
            if stop > start or ends[start : start + 1] != [number]:
                ends[start:stop], best[start:stop] = [number], [len(chains)]
                chains.append((near_ms, place, before))
    chain = max(range(len(chains)), key=lambda each: chains[each][0])
    found = set()
    while chain > 0:
        _, place, chain = chains[chain]
        found.add(place)
    return found


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


LONG_UP_MS = 86_400_000
"""The machine of a recording counts as long up: silence is counted from the first message."""


def recording_inputs(
    messages: Iterable[Recorded], config: Config, on_problem: Callable[[str], None]
) -> Iterator[Reading | Entry]:
    """Give what the engine is told by a recording.

    A bare recording has no journal, so it begins with a start and a connection at its first
    message, and site conditions don't occur in it. A line that is older than one before it counts
    as arrived with that one. `on_problem` takes a sentence for each message that can't be decoded.
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
    """Give what the engine is told by readings (with their UTC, ms) that no watch ever heard.

    Files may have been imported in any order; they are put in that of time.
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


_WHOLE = 0.98
"""The lesson ends a little before the record does: the observer counts from its first step."""

_LEARNT = {"frozen", "commissioned"}


class LessonError(CabinetwatchError):
    """The record holds too little to learn from, in one sentence."""


def teach(
    store: Store, config: Config, device_id: str, from_utc_ms: int | None, to_utc_ms: int | None
) -> dict[str, Any]:
    """Learn a device's normal rise and response from an interval of the store.

    The device must be in the configuration, with an ambient sensor; an end that is None is that of
    the record. Gives the state of the observer, as `DeviceView.learn_anew` wants it.

    Raises:
        LessonError: there is too little in it.
        StoreError: the store can't be read.
    """
    heard = _heard(store, _sensors_of(config, device_id), from_utc_ms, to_utc_ms)
    if not heard:
        raise LessonError(f"The store has no readings of {device_id} in that interval")
    first_ms, last_ms = heard[0].t, heard[-1].t
    days = min(config.site.learning_days, (last_ms - first_ms) / DAY_MS * _WHOLE)
    engine = _alone(config, device_id, days)
    for reading in heard:
        engine.observe(reading)
    device = engine.model.devices[device_id]
    if device.observer.learning.stage not in _LEARNT or device.observer.normal is None:
        since, until = (local_time(ms, config.site.timezone) for ms in (first_ms, last_ms))
        raise LessonError(
            f"The record from {since} to {until} holds too little of"
            f" {device_id} running to learn from; give a longer interval"
        )
    return device.observer.save()


def _heard(
    store: Store, sensors: Sequence[str], from_utc_ms: int | None, to_utc_ms: int | None
) -> list[Reading]:
    """Give the readings of some sensors in the order of their instants (UTC), fit to be judged."""
    return sorted(
        (
            Reading(reading.sensor, utc_ms, reading.value)
            for _, reading, utc_ms in store.numbered(sensors, from_utc_ms, to_utc_ms)
            # A broker's retained copy has no instant of its own.
            if reading.quality is not Quality.RETAINED
        ),
        key=lambda reading: reading.t,
    )


def _sensors_of(config: Config, device_id: str) -> list[str]:
    device = config.devices[device_id]
    ambient = () if device.ambient is None else (device.ambient,)
    return [device.temperature, *ambient, *device.power]


def _alone(config: Config, device_id: str, learning_days: float) -> Engine:
    """Give an engine with this one device, which learns for so long."""
    tables = config.as_json()
    tables["site"]["learning_days"] = learning_days
    needed = _sensors_of(config, device_id)
    tables["sensors"] = {name: tables["sensors"][name] for name in needed}
    device = tables["devices"][device_id]
    tables["devices"] = {device_id: {key: device[key] for key in LEARNT_FROM}}
    return Engine(restore_config(tables))


Change = tuple[tuple[str, ...], Any]
"""A path of keys, such as devices, nas, max_rise_k, and the value to stand there."""


def parse_change(text: str) -> Change:
    """Read KEY=VALUE, such as devices.nas.max_rise_k=22.

    Raises:
        UsageError: there is no key, or the value is not TOML.
    """
    key, equals, value = text.partition("=")
    parts = tuple(part.strip() for part in key.split("."))
    if not equals or not all(parts):
        raise UsageError(f"--set {text}: write it as KEY=VALUE, like devices.nas.max_rise_k=22")
    try:
        return parts, tomllib.loads(f"value = {value.strip()}")["value"]
    except tomllib.TOMLDecodeError:
        raise UsageError(
            f"--set {text}: {value.strip()!r} is no TOML value; put a text in double quotes"
        ) from None


def changed_restore(
    changes: Sequence[Change], renames: Iterable[Rename] = ()
) -> Callable[[Mapping[str, Any]], Config]:
    """Give a way to restore a configuration with these changes made to it.

    What is tried of a sensor counts for the time before it was renamed, too. A key that does not
    exist is refused by the configuration itself, with the nearest known one.
    """
    latest_first = tuple(renames)[::-1]

    def restore(journaled: Mapping[str, Any]) -> Config:
        config = deepcopy(dict(journaled))
        for path, value in changes:
            *tables, key = path
            if len(tables) > 1 and tables[0] == "sensors":
                tables[1] = _id_then(tables[1], config.get("sensors", {}), latest_first)
            table = config
            for part in tables:
                table = table.setdefault(part, {})
                if not isinstance(table, dict):
                    raise UsageError(f"--set {'.'.join((*tables, key))}: {part} is no table")
            table[key] = value
        return restore_config(config, "the configuration with --set")

    return restore


def _id_then(name: str, sensors: Mapping[str, Any], latest_first: Sequence[Rename]) -> str:
    """Give the ID that a sensor has in a configuration of then."""
    for rename in latest_first:
        if name in sensors:
            break
        name = rename.old if rename.new == name else name
    return name


_COMMIT_EVERY_MS = 6 * 3_600_000
_SAMPLE_EVERY_MS = 60_000


class OfflineRun:
    """One run of a watch that begins at an instant; watch time is UTC.

    Readings are judged and kept, transitions follow, tiers are brought up and weeks closed, each at
    its instant. `config` is in force throughout; `store` is open for writing, and new.
    """

    def __init__(self, config: Config, store: Store, start_utc_ms: int) -> None:
        self._store = store
        self._engine = Engine(config)
        self._planner = Planner()
        self._sampler = FigureSampler()
        self._batch = Batch(start_utc_ms, 0)
        self._next_commit = start_utc_ms + _COMMIT_EVERY_MS
        self._next_sample = start_utc_ms
        self._next_round = start_utc_ms + DAY_MS
        in_force = Entry(start_utc_ms, EntryKind.CONFIG, {"config": config.as_json()})
        self._batch.inputs.append(in_force)
        for entry in _opening(start_utc_ms):
            self._tell(entry)

    def live(self, utc_ms: int, values: Mapping[str, float]) -> None:
        """Take what the sensors read at an instant, and let time have come that far."""
        for sensor, value in values.items():
            reading = Reading(sensor, utc_ms, value)
            self._batch.inputs.append(reading)
            self._follow(self._engine.observe(reading))
        self._follow(self._engine.advance(utc_ms))
        if utc_ms >= self._next_sample:
            self._next_sample = utc_ms + _SAMPLE_EVERY_MS
            self._batch.figures += self._sampler.sample(utc_ms, self._engine.device_figures())
        if utc_ms >= self._next_commit:
            self._next_commit = utc_ms + _COMMIT_EVERY_MS
            self._commit()
        if utc_ms >= self._next_round:
            self._next_round = utc_ms + DAY_MS
            self._tidy()

    def obey(self, command: Mapping[str, Any], alarm: tuple[str, str] | None = None) -> None:
        """Carry out a person's command now, as the watch takes it.

        `alarm` is subject and condition of the standing one that it is about; its id is added.

        Raises:
            ValueError: the watch can't obey.
        """
        known = dict(command)
        if alarm is not None:
            known["id"] = self._engine.alarms["/".join(alarm)].id
        self._tell(Entry(self._engine.now, EntryKind.COMMAND, known))
        answer = self._engine.answer
        if answer is None or not answer.ok:
            raise ValueError(f"{command}: {answer and answer.text}")

    def close_week(self, week: IsoWeek) -> None:
        """Freeze the figures of a week that is over."""
        self._commit()
        self._tidy()
        now = self._engine.now
        figures = WeekMaker(self._store, None, now).make(week).as_json()
        self._store.commit(Batch(now, 0, weeks=[ClosedWeek(week.name, now, figures)]))

    def pause(self) -> None:
        """Have all that was lived through in the store."""
        self._batch.figures += self._sampler.rest()
        self._batch.state = pack_state(self._engine)
        self._commit()
        self._tidy()

    def _tell(self, entry: Entry) -> None:
        self._batch.inputs.append(entry)
        self._follow(self._engine.tell(entry))

    def _follow(self, transitions: list[Transition]) -> None:
        if transitions:
            self._batch.transitions += transitions
            self._batch.notices += self._planner.plan(transitions, self._engine)

    def _commit(self) -> None:
        self._batch.advanced_to = self._engine.now
        self._store.commit(self._batch)
        self._batch = Batch(self._engine.now, 0)

    def _tidy(self) -> None:
        for _ in self._store.tidy(Now(self._engine.now, self._engine.now)):
            pass

"""The week of alarms, devices, sensors and of the watch itself, out of the store.

What is common practice in control rooms (ISA-18.2, IEC 62682, EEMUA 191) is told as such by the
mail; the figures here are counts and spans, without a judgement.
"""

import math
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import time
from itertools import pairwise
from statistics import fmean, median
from typing import NamedTuple
from zoneinfo import ZoneInfo

from cabinetwatch.clock import describe_duration
from cabinetwatch.config.equipment import Sensor
from cabinetwatch.notify.plan import QuietHours
from cabinetwatch.notify.words import predicate
from cabinetwatch.report.summary_week import (
    AlarmMeasures,
    AlarmWeek,
    Busy,
    Chatter,
    DeviceWeek,
    DriftWeek,
    Hidden,
    History,
    SensorWeek,
    Span,
    Spread,
    WatchWeek,
    between,
    length_s,
    within,
)
from cabinetwatch.report.words import times
from cabinetwatch.store.codecs import SENSOR_FIGURE, Bucket, Tier, statistics
from cabinetwatch.store.records import Posted
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Room
from cabinetwatch.thermal.derating import arrhenius_factor
from cabinetwatch.watch.conditions import named
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import AlarmState, Priority, Transition

Key = tuple[str, str]
"""A subject and a condition."""

MANY_IN_AN_HOUR = 3
"""So many raises of one alarm within an hour are chatter (common practice, no source; control
rooms say three in a minute, which alarms with delays of a minute can't reach)."""

_HOUR_MS = 3_600_000
_BRIDGED = 0.9
_ROUND_S = (60, 120, 300, 600, 900, 1200, 1800, 2700, 3600, 5400, 7200)
_STANDS = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}


class PauseOf:
    """The pauses of each alarm between standing and standing again, in seconds."""

    def __init__(self, transitions: Iterable[Transition]) -> None:
        self._pauses: dict[Key, list[float]] = defaultdict(list)
        self._fleeting: set[Key] = set()
        over: dict[Key, int] = {}
        since: dict[Key, int] = {}
        for each in transitions:
            key = each.subject, each.condition
            if each.is_raise:
                since[key] = each.t
                if key in over:
                    self._pauses[key].append((each.t - over.pop(key)) / 1000)
            elif each.state not in _STANDS and each.previous in _STANDS:
                over[key] = each.t
                if each.t == since.get(key):
                    self._fleeting.add(key)

    def of(self, key: Key) -> list[float]:
        """Give those of an alarm, in order of time."""
        return self._pauses.get(key, [])

    def is_momentary(self, key: Key) -> bool:
        """Whether the alarm is over in the instant of its raise, so that no delay could hold it."""
        return key in self._fleeting


def most_within(instants: Sequence[int], span_ms: int) -> int:
    """Give the most instants, in order, that lie within less than a span.

    >>> most_within([0, 5, 9, 10, 30], 10)
    3
    """
    most = 0
    for index, last in enumerate(instants):
        most = max(most, index + 1 - bisect_left(instants, last - span_ms + 1))
    return most


def chattering(
    raises: Sequence[Transition],
    pauses: PauseOf,
    names: Mapping[str, str],
    off_delay_s: Callable[[str, str], float | None],
) -> list[Chatter]:
    """Give the alarms that chatter, the busiest first."""
    by_key: dict[Key, list[Transition]] = defaultdict(list)
    for each in raises:
        by_key[each.subject, each.condition].append(each)
    found = []
    for key, told in sorted(by_key.items(), key=lambda item: -len(item[1])):
        most = most_within([each.utc_ms for each in told], _HOUR_MS)
        if most >= MANY_IN_AN_HOUR:
            found.append(
                Chatter(
                    name=names.get(key[0], key[0]),
                    says=predicate(told[-1]),
                    condition=key[1],
                    raises=len(told),
                    most_in_an_hour=most,
                    recommendation=_recommendation(key, told, pauses, off_delay_s),
                )
            )
    return found


def _recommendation(
    key: Key,
    told: Sequence[Transition],
    pauses: PauseOf,
    off_delay_s: Callable[[str, str], float | None],
) -> str:
    """Say what would quieten an alarm, and what to see to first."""
    now_s = off_delay_s(key[1], key[0])
    if now_s is None or pauses.is_momentary(key) or not pauses.of(key):
        return told[-1].response
    delay_s = quieter_off_delay_s(pauses.of(key), now_s)
    left = 1 + sum(pause_s > delay_s - now_s for pause_s in pauses.of(key))
    return (
        f"First see whether it sits close to its limit for a reason. If it may, off_delay_s ="
        f" {delay_s} in its alarm table ({key[1]}, now {now_s:zg}) bridges pauses of up to"
        f" {describe_duration(delay_s)}: it would have been raised {times(left)} in place of"
        f" {times(len(told))}. A wider deadband, where it has one, does the same for a value that"
        " swings around the limit."
    )


def quieter_off_delay_s(pauses_s: Sequence[float], now_s: float) -> int:
    """Give a round off-delay that bridges nine in ten of the pauses that are shorter than an hour.

    A pause begins when the present off-delay has ended, so that comes on top.
    """
    short = sorted(pause_s for pause_s in pauses_s if pause_s * 1000 <= _HOUR_MS)
    if not short:
        return math.ceil(now_s)
    needed_s = now_s + short[math.ceil(_BRIDGED * len(short)) - 1]
    return next((each for each in _ROUND_S if each >= needed_s), math.ceil(needed_s))


_TEN_MINUTES_MS = 600_000
_STALE_S = 86_400.0
"""Stale: standing for over a day (ISA-18.2, from memory)."""

_MOST_BUSY = 10

_HIDDEN = {AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE}


def alarms_of(
    histories: Iterable[Sequence[Transition]], names: Mapping[str, str], week: Span
) -> list[AlarmWeek]:
    """Give the occurrences that were seen in a week, in order of their raise.

    Args:
        histories: for each occurrence all its transitions up to the week's end, in order.
        names: what people call each subject.
        week: from when up to when.
    """
    found = [_alarm(history, names, week) for history in histories]
    return sorted(
        (alarm for alarm in found if alarm is not None), key=lambda alarm: alarm.raised_utc_ms
    )


def measures_of(
    transitions: Sequence[Transition],
    alarms: Sequence[AlarmWeek],
    names: Mapping[str, str],
    days: float,
    off_delay_s: Callable[[str, str], float | None],
) -> AlarmMeasures:
    """Give the measures over a week.

    Args:
        transitions: of the week, in order.
        alarms: the occurrences seen in it.
        names: what people call each subject.
        days: how long it was.
        off_delay_s: gives that of a condition and a subject; None if it has none to set.
    """
    raises = [each for each in transitions if each.is_raise]
    counts = Counter((each.subject, each.condition) for each in raises)
    says = {(each.subject, each.condition): predicate(each) for each in raises}
    pauses = PauseOf(transitions)
    return AlarmMeasures(
        raises=len(raises),
        per_day=len(raises) / days if days else 0.0,
        most_in_ten_minutes=most_within([each.utc_ms for each in raises], _TEN_MINUTES_MS),
        by_priority={
            priority.value: sum(each.priority is priority for each in raises)
            for priority in Priority
        },
        busiest=[
            Busy(
                name=names.get(key[0], key[0]),
                says=says[key],
                condition=key[1],
                raises=count,
                share=count / len(raises),
            )
            for key, count in counts.most_common(_MOST_BUSY)
        ],
        chattering=chattering(raises, pauses, names, off_delay_s),
        stale=[
            f"{alarm.name} {alarm.says}"
            for alarm in alarms
            if alarm.state in _STANDS and alarm.stood_s > _STALE_S
        ],
    )


def hidden_of(standing: Iterable[Transition], names: Mapping[str, str]) -> list[Hidden]:
    """Give what somebody had put out of sight, a subject out of service as one."""
    hidden: dict[tuple[str, str], Hidden] = {}
    for each in standing:
        if each.state not in _HIDDEN:
            continue
        whole = each.state is AlarmState.OUT_OF_SERVICE
        key = each.subject, each.state.value if whole else each.id
        known = hidden.get(key)
        hidden[key] = Hidden(
            subject=each.subject,
            name=names.get(each.subject, each.subject),
            conditions=[*(known.conditions if known else ()), each.condition],
            state=each.state.value,
            text=each.text,
        )
    return list(hidden.values())


def _alarm(history: Sequence[Transition], names: Mapping[str, str], week: Span) -> AlarmWeek | None:
    raised = next((each for each in history if each.is_raise), None)
    if raised is None or not _seen_in(history, week):
        return None
    last = history[-1]
    told = [each for each in history if each.is_raise][-1]
    ended = last.utc_ms if last.state not in _STANDS else None
    returned = [each for each in history if each.state is AlarmState.RETURNED]
    return AlarmWeek(
        id=raised.id,
        subject=raised.subject,
        name=names.get(raised.subject, raised.subject),
        condition=raised.condition,
        says=predicate(raised),
        priority=told.priority.value,
        raised_utc_ms=raised.utc_ms,
        ended_utc_ms=_ended(history) if ended is not None else None,
        raises=sum(each.is_raise and week[0] <= each.utc_ms < week[1] for each in history),
        stood_s=_stood_s(history, week[1]),
        acknowledged_s=_acknowledged_s(history, raised),
        state=last.state.value,
        returned_t=returned[-1].t if last.state is AlarmState.RETURNED else None,
        text=told.text,
        likely=told.likely,
        response=told.response,
    )


def _seen_in(history: Sequence[Transition], week: Span) -> bool:
    """Whether it moved in the week, or stood through it."""
    return history[-1].utc_ms >= week[0] or history[-1].state in _STANDS | {AlarmState.RETURNED}


def _ended(history: Sequence[Transition]) -> int:
    """Give the instant at which it last stopped standing."""
    ended = history[-1].utc_ms
    for before, after in pairwise(history):
        if before.state in _STANDS and after.state not in _STANDS:
            ended = after.utc_ms
    return ended


def _stood_s(history: Sequence[Transition], until_utc_ms: int) -> float:
    """Give how long it stood in all, on watch time as far as that is known."""
    stood_ms = 0
    for before, after in pairwise(history):
        if before.state in _STANDS:
            stood_ms += after.t - before.t
    if history[-1].state in _STANDS:
        stood_ms += max(0, until_utc_ms - history[-1].utc_ms)
    return stood_ms / 1000


def _acknowledged_s(history: Sequence[Transition], raised: Transition) -> float | None:
    for each in history:
        late = each.previous is AlarmState.RETURNED and each.state is AlarmState.NORMAL
        if each.state is AlarmState.ACKNOWLEDGED or late:
            return (each.t - raised.t) / 1000
    return None


WEEK_MS = 7 * 86_400_000

_MOSTLY_OFF = 0.5
_REFERENCE_C = 40.0
"""Any will do: it cancels."""

_COMPARED = ("off", "settled_rise_k", "hot_day_margin_k")
_FIGURES = (*_COMPARED, "temperature_c", "ambient_c", "normal_rise_k", "margin_k")

Figures = Mapping[int, float]
"""The means of a figure's quarter-hours by their beginning."""


def device_week(
    store: Store, device_id: str, name: str, *, week: Span, tier: Tier, drift: DriftWeek | None
) -> DeviceWeek:
    """Give a device's figures.

    Args:
        store: to read.
        device_id: of the device.
        name: what people called it then.
        week: from when up to when.
        tier: of what percentiles are: minutes, or quarters where those are gone.
        drift: its trend, where that is known.
    """
    fine = store.columns(device_id, ("temperature_c", "rise_k"), tier, *week)
    now = store.columns(device_id, _FIGURES, Tier.QUARTERS, *week)
    before = store.columns(
        device_id, _COMPARED, Tier.QUARTERS, *(utc_ms - WEEK_MS for utc_ms in week)
    )
    on, was_on = _WhileOn(now["off"]), _WhileOn(before["off"])
    least = min(now["margin_k"], key=lambda bucket: bucket.minimum, default=None)
    normal, ambient = on(now["normal_rise_k"]), _by_start(now["ambient_c"])
    return DeviceWeek(
        id=device_id,
        name=name,
        temperature=_spread(fine["temperature_c"]),
        rise=_spread(fine["rise_k"]),
        ambient_c=_mean(ambient),
        settled_rise_k=_mean(on(now["settled_rise_k"])),
        settled_rise_last_week_k=_mean(was_on(before["settled_rise_k"])),
        normal_rise_k=_mean(normal),
        margin_k=None if least is None else least.minimum,
        margin_utc_ms=None if least is None else least.utc_ms,
        hot_day_margin_k=_mean(on(now["hot_day_margin_k"])),
        hot_day_margin_last_week_k=_mean(was_on(before["hot_day_margin_k"])),
        life_factor=life_factor(on(now["temperature_c"]), ambient, normal),
        off_fraction=_mean(_by_start(now["off"])),
        known=min(1.0, len(fine["temperature_c"]) * tier.width_ms / (week[1] - week[0])),
        drift=drift,
    )


def life_factor(temperature_c: Figures, ambient_c: Figures, normal_rise_k: Figures) -> float | None:
    """Give the speed of ageing at ambient plus normal rise, over that at the real temperature.

    Both are means, over the stretches in which all three figures are known, of how many times as
    long life would last at a reference temperature: the speed of ageing against there.
    """
    shared = temperature_c.keys() & ambient_c.keys() & normal_rise_k.keys()
    if not shared:
        return None
    real = fmean(arrhenius_factor(temperature_c[at], _REFERENCE_C) for at in shared)
    normal = fmean(
        arrhenius_factor(ambient_c[at] + normal_rise_k[at], _REFERENCE_C) for at in shared
    )
    return normal / real


def drift_of(engine: Engine, device_id: str) -> DriftWeek | None:
    """Give a device's trend as an engine knows it."""
    device = engine.model.devices.get(device_id)
    finding = None if device is None else device.drift_finding
    if finding is None:
        return None
    return DriftWeek(finding.significant, finding.climb_per_week, finding.exhausted_in_days)


class _WhileOn:
    """Leaves out of a figure the quarters in which the device was mostly off."""

    def __init__(self, off: Sequence[Bucket]) -> None:
        self._off = {bucket.utc_ms for bucket in off if bucket.mean > _MOSTLY_OFF}

    def __call__(self, buckets: Sequence[Bucket]) -> Figures:
        return {each.utc_ms: each.mean for each in buckets if each.utc_ms not in self._off}


def _by_start(buckets: Sequence[Bucket]) -> Figures:
    return {bucket.utc_ms: bucket.mean for bucket in buckets}


def _mean(figures: Figures) -> float | None:
    return fmean(figures.values()) if figures else None


def _spread(buckets: Sequence[Bucket]) -> Spread | None:
    found = statistics(buckets)
    if found is None:
        return None
    return Spread(
        mean=found.mean,
        percentile_95=found.percentile_95,
        lowest=found.lowest,
        highest=found.highest,
        highest_utc_ms=found.highest_utc_ms,
    )


_QUARTER_S = Tier.QUARTERS.width_ms / 1000


def sensor_week(
    store: Store,
    sensor_id: str,
    sensor: Sensor,
    *,
    week: Span,
    running: Sequence[Span],
    tier: Tier,
    transitions: Iterable[Transition],
    unreadable: int,
) -> SensorWeek:
    """Give a sensor's figures.

    Args:
        store: to read.
        sensor_id: of the sensor.
        sensor: as it was configured then.
        week: from when up to when.
        running: when the watch ran, within the week.
        tier: the finest there is.
        transitions: of the week.
        unreadable: how many messages could not be read.
    """
    quarters = store.buckets(sensor_id, SENSOR_FIGURE, Tier.QUARTERS, *week)
    faults = Counter(
        each.condition
        for each in transitions
        if each.subject == sensor_id and each.is_raise
        if (condition := named(each.condition)) is not None and condition.is_sensor_fault
    )
    readings = sum(bucket.samples for bucket in quarters)
    every_s = _heard_every_s(sensor, tier)
    availability: float | None = None
    gaps: list[int] = []
    if every_s is not None and running:
        availability = 1.0
        # Nine sensors in ten have nothing missing, which the quarters tell fifteen times faster.
        if not _is_full(quarters, sensor, every_s, running):
            fine = Tier.QUARTERS if every_s >= _QUARTER_S else tier
            buckets = store.buckets(sensor_id, SENSOR_FIGURE, fine, *week)
            availability, gaps = heard(buckets, round(every_s * 1000), running)
    return SensorWeek(
        id=sensor_id,
        quantity=sensor.quantity,
        readings=readings,
        heard_every_s=every_s,
        availability=availability,
        gaps=len(gaps),
        longest_gap_s=max(gaps, default=0) * (every_s or 0.0),
        faults=dict(faults),
        unreadable=unreadable,
        name=sensor.name or "",
    )


def heard(
    buckets: Sequence[Bucket], width_ms: int, running: Sequence[Span]
) -> tuple[float | None, list[int]]:
    """Give the part of whole stretches with a reading, and how long each gap is, in stretches.

    Args:
        buckets: none wider than a stretch.
        width_ms: of a stretch.
        running: only stretches that lie wholly within one of these count.
    """
    there = {bucket.utc_ms // width_ms for bucket in buckets}
    count = 0
    gaps: list[int] = []
    for from_utc_ms, to_utc_ms in running:
        missing = 0
        for slot in range(-(-from_utc_ms // width_ms), to_utc_ms // width_ms):
            count += 1
            if slot not in there:
                missing += 1
            elif missing:
                gaps.append(missing)
                missing = 0
        if missing:
            gaps.append(missing)
    return (1 - sum(gaps) / count if count else None), gaps


def _heard_every_s(sensor: Sensor, tier: Tier) -> float | None:
    """Give the seconds, in widths of a tier, in which it should have been heard at least once."""
    if sensor.interval_s is None or sensor.on_change:
        return None
    silent_s, width_s = sensor.interval_s * sensor.silent_after, tier.width_ms / 1000
    if silent_s > _QUARTER_S - width_s:
        width_s = _QUARTER_S
    return max(1, math.ceil(silent_s / width_s)) * width_s


def _is_full(
    quarters: Sequence[Bucket], sensor: Sensor, every_s: float, running: Sequence[Span]
) -> bool:
    """Whether each whole quarter in which the watch ran has so many readings that none is missing.

    Less than a stretch's worth is missing, by the interval or by what is usual with this sensor.
    """
    if every_s >= _QUARTER_S or not quarters:
        return False
    width_ms = Tier.QUARTERS.width_ms
    samples = {bucket.utc_ms // width_ms: bucket.samples for bucket in quarters}
    usual = max(_QUARTER_S / (sensor.interval_s or 1.0), median(samples.values()))
    return all(
        samples.get(slot, 0) > usual * (1 - every_s / _QUARTER_S)
        for from_utc_ms, to_utc_ms in running
        for slot in range(-(-from_utc_ms // width_ms), to_utc_ms // width_ms)
    )


LATE_S = 300.0
"""A notice that took longer, beside quiet hours, is late (common practice, no source)."""


class WeekNotices(NamedTuple):
    """The notices written in a week, and the quiet hours in which some of them waited."""

    posted: Sequence[Posted]
    quiet: QuietHours | None

    @classmethod
    def of(
        cls, posted: Sequence[Posted], quiet: tuple[time, time] | None, zone: ZoneInfo
    ) -> "WeekNotices":
        """Take notices, and quiet hours as they stand in the configuration."""
        return cls(posted, None if quiet is None else QuietHours(*quiet, zone))

    def counts(self) -> tuple[int, int, int, int]:
        """Give how many were delivered, how many of these late, how many failed, how many wait."""
        delivered = late = failed = waiting = 0
        for notice, outcome in self.posted:
            if outcome is None or outcome.status == "waiting":
                waiting += 1
            elif outcome.status == "failed":
                failed += 1
            elif outcome.status == "delivered":
                delivered += 1
                late += outcome.t - notice.t - self._held_ms((notice, outcome)) > LATE_S * 1000
        return delivered, late, failed, waiting

    def _held_ms(self, posted: Posted) -> int:
        """Give how long quiet hours held a notice back."""
        notice, _ = posted
        urgent = notice.kind != "summary" and any(
            each.priority is Priority.HIGH for each in notice.transitions
        )
        if self.quiet is None or urgent or notice.channel == "mqtt" or notice.kind == "test":
            return 0
        until_utc_ms = self.quiet.quiet_until(notice.utc_ms)
        return 0 if until_utc_ms is None else until_utc_ms - notice.utc_ms


def watch_week(
    history: History, week: Span, told: WeekNotices, readings: int, room: Room | None
) -> WatchWeek:
    """Give how the watch did.

    Args:
        history: its life.
        week: from when up to when; for one that is not over, up to now.
        told: the notices of the week.
        readings: taken in the week.
        room: of the store when the week closed; None long after.
    """
    running = within(history.spans, *week)
    off = between(running, *week)
    longest = max(off, key=lambda span: span[1] - span[0], default=None)
    delivered, late, failed, waiting = told.counts()
    starts = [in_order for utc_ms, in_order in history.starts if _in(utc_ms, week)]
    steps = [step_s for utc_ms, step_s in history.steps if _in(utc_ms, week)]
    cut_off = length_s(running) - length_s(within(history.connected, *week))
    return WatchWeek(
        is_first=None in starts,
        uptime=length_s(running) / max(1e-3, (week[1] - week[0]) / 1000),
        longest_off_s=0.0 if longest is None else length_s([longest]),
        longest_off_utc_ms=None if longest is None else longest[0],
        readings=readings,
        starts=len(starts),
        crashes=sum(in_order is False for in_order in starts),
        clock_steps=len(steps),
        largest_step_s=max(steps, key=abs, default=0.0),
        broker_losses=sum(_in(utc_ms, week) for utc_ms in history.disconnects),
        broker_lost_s=max(0.0, cut_off),
        store_faults=sum(_in(utc_ms, week) for utc_ms in history.store_faults),
        readings_lost=sum(count for utc_ms, count in history.lost if _in(utc_ms, week)),
        notices_delivered=delivered,
        notices_late=late,
        notices_failed=failed,
        notices_waiting=waiting,
        store_bytes=None if room is None else room.bytes,
        free_bytes=None if room is None else room.free_bytes,
        growth_bytes_per_day=None if room is None else room.growth_bytes_per_day,
        days_left=None if room is None else room.days_left,
    )


def _in(utc_ms: int, week: Span) -> bool:
    return week[0] <= utc_ms < week[1]

"""Makes the figures of a week out of the store: of devices, sensors, alarms and the watch itself.

They are counts, spans and means without a judgement; what they mean is said by `summary_words`.
"""

import math
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from itertools import groupby
from operator import attrgetter
from statistics import fmean, median
from zoneinfo import ZoneInfo

from cabinetwatch.config.model import Config, Sensor
from cabinetwatch.notify.mail import display_names, learning_words, predicate
from cabinetwatch.notify.plan import due_ms
from cabinetwatch.report.summary_week import (
    KINDS,
    VERSION,
    WEEK_MS,
    AlarmMeasures,
    AlarmWeek,
    Busy,
    Chatter,
    DeviceWeek,
    DriftWeek,
    Hidden,
    History,
    IsoWeek,
    Remark,
    SensorWeek,
    Span,
    Spread,
    WatchWeek,
    Week,
    between,
    history_of,
    length_s,
    weeks_lived,
    within,
)
from cabinetwatch.report.words import STANDS, first_sign, operator_log, times
from cabinetwatch.store.codecs import DAY_MS, SENSOR_FIGURE, Bucket, Tier, statistics
from cabinetwatch.store.records import Posted
from cabinetwatch.store.replay import StoreFollower, in_force
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Room
from cabinetwatch.text import ConfigError, UsageError, describe_duration, from_rfc3339
from cabinetwatch.thermal.derating import arrhenius_factor
from cabinetwatch.watch.conditions import named, restore_config
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import AlarmState, EntryKind, Priority, Transition

_HIDDEN = {AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE}


class WeekMaker:
    """Makes weeks of one store at one instant.

    The configuration counts while the store has none in force; None: there must be one.
    """

    def __init__(self, store: Store, config: Config | None, now_utc_ms: int) -> None:
        self._store, self._fallback, self._now_utc_ms = store, config, now_utc_ms
        self.zone = ZoneInfo(in_force(store, config).site.timezone)
        self._history = history_of((entry for _, entry in store.entries(*KINDS)), store.last_t())

    def newest_closed(self) -> IsoWeek:
        """Give the newest week that is over."""
        return IsoWeek.of(self._now_utc_ms, self.zone).before()

    def frozen_or_made(self, week: IsoWeek) -> Week:
        """Give a week as it was frozen, else as the store has it.

        Raises:
            UsageError: it has not begun yet, or the store holds nothing of it.
        """
        closed = self._store.week(week.name)
        frozen = None if closed is None else Week.from_json(closed.figures)
        return frozen or self.make(week)

    def make(self, week: IsoWeek) -> Week:
        """Make a week of what the store holds.

        Raises:
            UsageError: it has not begun yet, or the store holds nothing of it.
        """
        if week.begins_utc_ms(self.zone) > self._now_utc_ms:
            raise UsageError(f"The week {week.name} has not begun yet; name one that has")
        lived = weeks_lived(self._history.spans, self.zone)
        if not lived:
            raise UsageError(
                "The watch has never run with this store, so there is no week to report;"
                " `cabinetwatch run` starts it"
            )
        if week not in lived:
            first, last = lived[0].name, lived[-1].name
            known = f"{first} only" if first == last else f"weeks from {first} to {last}"
            raise UsageError(
                f"The watch did not run in {week.name}; its journal has {known}, so name such a one"
            )
        return self._made(week)

    def _made(self, iso_week: IsoWeek) -> Week:
        store, now_utc_ms = self._store, self._now_utc_ms
        week = iso_week.begins_utc_ms(self.zone), iso_week.ends_utc_ms(self.zone)
        # As far as there is anything of it.
        lived = week[0], min(week[1], now_utc_ms)
        # What is true now was, near enough, when the week ended.
        is_fresh = now_utc_ms < week[1] + WEEK_MS
        config = self._config_at(week[1])
        names, room = display_names(config), store.room()
        minutes, quarters = room.oldest_minutes_utc_ms, room.oldest_quarters_utc_ms
        has_minutes = minutes is not None and minutes <= max(week[0], quarters or 0)
        tier = Tier.MINUTES if has_minutes else Tier.QUARTERS
        transitions, standing = store.transitions(*week), store.standing(week[1])
        engine = StoreFollower(store, config).engine() if is_fresh else None
        running = within(self._history.spans, *lived)
        devices = [
            _device(store, device_id, name, week=week, running=running, tier=tier, engine=engine)
            for device_id, name in ((each, config.name_of(each)) for each in config.devices)
        ]
        unreadable = store.unreadable_between(*lived)
        sensors = [
            _sensor(
                store,
                sensor_id,
                sensor,
                week=lived,
                running=running,
                tier=tier,
                transitions=transitions,
                unreadable=unreadable.get(sensor_id, 0),
            )
            for sensor_id, sensor in config.sensors.items()
        ]
        alarms = alarms_of(self._histories(transitions, standing, week[1]), names, lived)

        def off_delay_s(condition: str, subject: str) -> float | None:
            with suppress(KeyError):
                return config.alarm(condition, subject).off_delay_s
            return None

        days, timezone = (lived[1] - lived[0]) / DAY_MS, config.site.timezone
        sent = _sent(store.notices(*lived), config)
        readings = sum(sensor.readings for sensor in sensors)
        return Week(
            version=VERSION,
            week=iso_week.name,
            site=config.site.name,
            timezone=timezone,
            from_utc_ms=week[0],
            to_utc_ms=week[1],
            made_utc_ms=now_utc_ms,
            minutes=tier is Tier.MINUTES,
            devices=devices,
            sensors=sensors,
            alarms=alarms,
            measures=measures_of(transitions, alarms, names, days, off_delay_s),
            hidden=_hidden(standing, names),
            watch=_watch(self._history, lived, sent, readings, room if is_fresh else None),
            remarks=[
                Remark(each.utc_ms, each.text)
                for each in operator_log(store)
                if week[0] <= each.utc_ms < week[1]
            ],
        )

    def _config_at(self, utc_ms: int) -> Config:
        """Give the configuration in force at an instant."""
        offset_ms, found = 0, None
        kinds = EntryKind.START, EntryKind.OFFSET, EntryKind.CONFIG
        for _, entry in self._store.entries(*kinds):
            if entry.kind is not EntryKind.CONFIG:
                offset_ms = int(entry.data["offset_ms"])
            elif found is None or entry.t + offset_ms < utc_ms:
                found = entry.data["config"]
        # Of another version of ours; the present one names most of the same things.
        with suppress(ConfigError):
            if found is not None:
                return restore_config(found)
        return in_force(self._store, self._fallback)

    def _histories(
        self, transitions: Sequence[Transition], standing: Sequence[Transition], to_utc_ms: int
    ) -> list[list[Transition]]:
        """Give for each occurrence of the week all of its transitions up to the week's end."""
        histories: dict[str, list[Transition]] = defaultdict(list)
        for each in transitions:
            histories[each.id].append(each)
        began_before = {each.id for each in standing} - histories.keys()
        began_before |= {
            alarm_id
            for alarm_id, (first, *_) in histories.items()
            if first.previous is not AlarmState.NORMAL
        }
        for alarm_id in sorted(began_before):
            histories[alarm_id] = self._store.transitions(to_utc_ms=to_utc_ms, alarm_id=alarm_id)
        return list(histories.values())


# Devices.

_MOSTLY_OFF = 0.5
_REFERENCE_C = 40.0
"""Any will do: it cancels."""

_COMPARED = ("off", "settled_rise_k", "hot_day_margin_k")
_FIGURES = (*_COMPARED, "temperature_c", "ambient_c", "normal_rise_k", "margin_k")

Means = Mapping[int, float]
"""The means of a figure's quarter-hours by their beginning."""


def _device(
    store: Store,
    device_id: str,
    name: str,
    *,
    week: Span,
    running: Sequence[Span],
    tier: Tier,
    engine: Engine | None,
) -> DeviceWeek:
    """Give a device's figures; percentiles are of `tier`, the trend as the engine knows it now."""

    def ran(utc_ms: int, width_ms: int) -> Span:
        """Leave of a bucket what the watch ran in: nothing was measured before its start."""
        ran = within(running, utc_ms, utc_ms + width_ms)
        return (ran[0][0], ran[-1][1]) if ran else (utc_ms, utc_ms + width_ms)

    fine = store.columns(device_id, ("temperature_c", "rise_k"), tier, *week)
    now = store.columns(device_id, _FIGURES, Tier.QUARTERS, *week)
    last_week = week[0] - WEEK_MS, week[1] - WEEK_MS
    before = store.columns(device_id, _COMPARED, Tier.QUARTERS, *last_week)
    margin_k = margin_ms = margin_until_ms = None
    if now["margin_k"]:
        least, width_ms = min(now["margin_k"], key=attrgetter("minimum")), Tier.QUARTERS.width_ms
        margin_k = least.minimum
        quarter_ms = least.utc_ms, least.utc_ms + width_ms - 1
        minutes = store.buckets(device_id, "margin_k", Tier.MINUTES, *quarter_ms)
        nearest = min(minutes, key=attrgetter("minimum"), default=None)
        if nearest is not None and nearest.minimum <= margin_k:
            least, width_ms = nearest, Tier.MINUTES.width_ms
        margin_ms, margin_until_ms = ran(least.utc_ms, width_ms)
    normal, ambient = _while_on(now, "normal_rise_k"), _means(now["ambient_c"])
    drift, learnt = None, ""
    if engine is not None and (watched := engine.model.devices.get(device_id)) is not None:
        if (found := watched.drift_finding) is not None:
            drift = DriftWeek(found.significant, found.climb_per_week, found.exhausted_in_days)
        learning = watched.learning_figures(engine.offset_ms)
        if learning and learning["stage"] != "none" and learning["since"] is not None:
            is_news = _in(from_rfc3339(learning["since"]), week)
            learnt = learning_words(learning, engine.config.site.timezone) if is_news else ""

    def spread(figure: str) -> Spread | None:
        found = statistics(fine[figure])
        if found is None:
            return None
        highest_ms = ran(found.highest_utc_ms, tier.width_ms)
        return Spread(found.mean, found.percentile_95, found.lowest, found.highest, *highest_ms)

    return DeviceWeek(
        id=device_id,
        name=name,
        temperature=spread("temperature_c"),
        rise=spread("rise_k"),
        ambient_c=_mean(ambient),
        settled_rise_k=_mean(_while_on(now, "settled_rise_k")),
        settled_rise_last_week_k=_mean(_while_on(before, "settled_rise_k")),
        normal_rise_k=_mean(normal),
        margin_k=margin_k,
        margin_utc_ms=margin_ms,
        margin_until_utc_ms=margin_until_ms,
        learnt=learnt,
        hot_day_margin_k=_mean(_while_on(now, "hot_day_margin_k")),
        hot_day_margin_last_week_k=_mean(_while_on(before, "hot_day_margin_k")),
        life_factor=life_factor(_while_on(now, "temperature_c"), ambient, normal),
        off_fraction=_mean(_means(now["off"])),
        known=min(1.0, len(fine["temperature_c"]) * tier.width_ms / (week[1] - week[0])),
        drift=drift,
    )


def life_factor(temperature_c: Means, ambient_c: Means, normal_rise_k: Means) -> float | None:
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


def _while_on(columns: Mapping[str, Sequence[Bucket]], figure: str) -> Means:
    """Leave out the quarters in which the device was mostly off."""
    off = {bucket.utc_ms for bucket in columns["off"] if bucket.mean > _MOSTLY_OFF}
    return _means([each for each in columns[figure] if each.utc_ms not in off])


def _means(buckets: Sequence[Bucket]) -> Means:
    return {bucket.utc_ms: bucket.mean for bucket in buckets}


def _mean(means: Means) -> float | None:
    return fmean(means.values()) if means else None


# Sensors.

_QUARTER_S = Tier.QUARTERS.width_ms / 1000


def _sensor(
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
    """Give a sensor's figures; `running` is when the watch ran, `tier` the finest there is."""
    quarters = store.buckets(sensor_id, SENSOR_FIGURE, Tier.QUARTERS, *week)
    faults = Counter(
        each.condition
        for each in transitions
        if each.subject == sensor_id and each.is_raise
        if (condition := named(each.condition)) is not None and condition.is_sensor_fault
    )
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
        readings=sum(bucket.samples for bucket in quarters),
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

    Only stretches that lie wholly within one of the spans count; no bucket is wider than one.
    """
    there = {bucket.utc_ms // width_ms for bucket in buckets}
    whole = [_whole(span, width_ms) for span in running]
    gaps = [
        len(list(slots))
        for stretches in whole
        for is_there, slots in groupby(stretches, there.__contains__)
        if not is_there
    ]
    count = sum(map(len, whole))
    return (1 - sum(gaps) / count if count else None), gaps


def _whole(span: Span, width_ms: int) -> range:
    """Number the stretches of a width that lie wholly within a span."""
    return range(-(-span[0] // width_ms), span[1] // width_ms)


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
    least = usual * (1 - every_s / _QUARTER_S)
    return all(samples.get(slot, 0) > least for span in running for slot in _whole(span, width_ms))


# Alarms. What counts as many, stale or chattering follows what is common in control rooms
# (ISA-18.2, IEC 62682, EEMUA 191).

_HOUR_MS = 3_600_000
_TEN_MINUTES_MS = 600_000
_MOST_BUSY = 10
_STALE_S = 86_400.0
"""Stale: standing for over a day (ISA-18.2, from memory)."""

_MANY_IN_AN_HOUR = 3
"""So many raises of one alarm within an hour are chatter (common practice, no source; control
rooms say three in a minute, which alarms with delays of a minute can't reach)."""

_BRIDGED = 0.9
_ROUND_S = (60, 120, 300, 600, 900, 1200, 1800, 2700, 3600, 5400, 7200)

OffDelay = Callable[[str, str], float | None]
"""Gives the off-delay of a condition and a subject; None where there is none to set."""


def alarms_of(
    histories: Iterable[Sequence[Transition]], names: Mapping[str, str], week: Span
) -> list[AlarmWeek]:
    """Give the occurrences that were seen in a week, in order of their raise.

    A history holds all transitions of an occurrence up to the week's end, in order; names are what
    people call each subject.
    """
    made = (_alarm(history, names, week) for history in histories)
    return sorted(filter(None, made), key=attrgetter("raised_utc_ms"))


def _alarm(history: Sequence[Transition], names: Mapping[str, str], week: Span) -> AlarmWeek | None:
    raises, last = [each for each in history if each.is_raise], history[-1]
    stands, is_returned = last.state in STANDS, last.state is AlarmState.RETURNED
    # It moved in the week, or stood through it.
    if not raises or not (last.utc_ms >= week[0] or stands or is_returned):
        return None
    # From each first sign on, on watch time as far as that is known; never a moment twice.
    stood_ms, ended_utc_ms = 0, last.utc_ms
    began_t: int | None = None
    # 1970: before any.
    ended_t = history[0].t - history[0].utc_ms
    for each in history:
        if each.state in STANDS:
            if began_t is None:
                began_t = max(ended_t, each.t - (each.utc_ms - first_sign(each)))
        elif began_t is not None:
            stood_ms += each.t - began_t
            began_t, ended_t, ended_utc_ms = None, each.t, each.utc_ms
    if began_t is not None:
        stood_ms += max(0, last.t + week[1] - last.utc_ms - began_t)
    raised, told = raises[0], raises[-1]
    acknowledged = (
        (each.t - raised.t) / 1000
        for each in history
        if each.state is AlarmState.ACKNOWLEDGED
        or (each.previous is AlarmState.RETURNED and each.state is AlarmState.NORMAL)
    )
    return AlarmWeek(
        id=raised.id,
        subject=raised.subject,
        name=names.get(raised.subject, raised.subject),
        condition=raised.condition,
        says=predicate(raised),
        priority=told.priority.value,
        raised_utc_ms=raised.utc_ms,
        ended_utc_ms=None if stands else ended_utc_ms,
        raises=sum(week[0] <= each.utc_ms < week[1] for each in raises),
        stood_s=stood_ms / 1000,
        acknowledged_s=next(acknowledged, None),
        state=last.state.value,
        returned_t=last.t if is_returned else None,
        text=told.text,
        likely=told.likely,
        response=told.response,
        began_utc_ms=first_sign(raised),
    )


def measures_of(
    transitions: Sequence[Transition],
    alarms: Sequence[AlarmWeek],
    names: Mapping[str, str],
    days: float,
    off_delay_s: OffDelay,
) -> AlarmMeasures:
    """Give the measures over a week, which lasted so many days: its transitions and occurrences."""
    raises = [each for each in transitions if each.is_raise]
    by_alarm: dict[tuple[str, str], list[Transition]] = defaultdict(list)
    for each in raises:
        by_alarm[each.subject, each.condition].append(each)
    ordered = sorted(by_alarm.items(), key=lambda item: -len(item[1]))
    chattering = []
    for (subject, condition), told in ordered:
        most = most_within([each.utc_ms for each in told], _HOUR_MS)
        if most >= _MANY_IN_AN_HOUR:
            chattering.append(
                Chatter(
                    name=names.get(subject, subject),
                    says=predicate(told[-1]),
                    condition=condition,
                    raises=len(told),
                    most_in_an_hour=most,
                    recommendation=_recommendation(told, transitions, off_delay_s),
                )
            )
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
                name=names.get(subject, subject),
                says=predicate(told[-1]),
                condition=condition,
                raises=len(told),
                share=len(told) / len(raises),
            )
            for (subject, condition), told in ordered[:_MOST_BUSY]
        ],
        chattering=chattering,
        stale=[
            f"{alarm.name} {alarm.says}"
            for alarm in alarms
            if alarm.state in STANDS and alarm.stood_s > _STALE_S
        ],
    )


def most_within(instants: Sequence[int], span_ms: int) -> int:
    """Give the most instants, in order, that lie within less than a span.

    >>> most_within([0, 5, 9, 10, 30], 10)
    3
    """
    most = 0
    for index, last in enumerate(instants):
        most = max(most, index + 1 - bisect_left(instants, last - span_ms + 1))
    return most


def _recommendation(
    raises: Sequence[Transition], transitions: Sequence[Transition], off_delay_s: OffDelay
) -> str:
    """Say what would quieten an alarm, and what to see to first."""
    last = raises[-1]
    now_s = off_delay_s(last.condition, last.subject)
    # The pauses between standing and standing again, in seconds.
    pauses_s: list[float] = []
    raised_t: int | None = None
    over_t: int | None = None
    for each in transitions:
        if (each.subject, each.condition) != (last.subject, last.condition):
            continue
        if each.is_raise:
            if over_t is not None:
                pauses_s.append((each.t - over_t) / 1000)
            raised_t, over_t = each.t, None
        elif each.state not in STANDS and each.previous in STANDS:
            over_t = each.t
            if over_t == raised_t:
                # It is over in the instant of its raise: no delay could hold it.
                return last.response
    if now_s is None or not pauses_s:
        return last.response
    delay_s = quieter_off_delay_s(pauses_s, now_s)
    left = 1 + sum(pause_s > delay_s - now_s for pause_s in pauses_s)
    return (
        f"First see whether it sits close to its limit for a reason. If it may, off_delay_s ="
        f" {delay_s} in its alarm table ({last.condition}, now {now_s:zg}) bridges pauses of up to"
        f" {describe_duration(delay_s)}: it would have been raised {times(left)} in place of"
        f" {times(len(raises))}. A wider deadband, where it has one, does the same for a value that"
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


def _hidden(standing: Iterable[Transition], names: Mapping[str, str]) -> list[Hidden]:
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


# The watch itself.

_LATE_MS = 300_000
"""A notice that took longer than it was to wait is late (common practice, no source)."""


def _sent(posted: Iterable[Posted], config: Config) -> Counter[str]:
    """Count the notices that were delivered, late among these, that failed, and that wait."""
    counts: Counter[str] = Counter()
    for notice, outcome in posted:
        counts["waiting" if outcome is None else outcome.status] += 1
        if outcome is not None and outcome.status == "delivered":
            held_ms = due_ms(notice, config) - notice.utc_ms
            counts["late"] += outcome.t - notice.t - held_ms > _LATE_MS
    return counts


def _watch(
    history: History, week: Span, sent: Counter[str], readings: int, room: Room | None
) -> WatchWeek:
    """Give how the watch did; a week that is not over goes up to now."""
    running = within(history.spans, *week)
    longest = max(between(running, *week), key=lambda span: span[1] - span[0], default=None)
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
        notices_delivered=sent["delivered"],
        notices_late=sent["late"],
        notices_failed=sent["failed"],
        notices_waiting=sent["waiting"],
        store_bytes=None if room is None else room.bytes,
        free_bytes=None if room is None else room.free_bytes,
        growth_bytes_per_day=None if room is None else room.growth_bytes_per_day,
        days_left=None if room is None else room.days_left,
    )


def _in(utc_ms: int, week: Span) -> bool:
    return week[0] <= utc_ms < week[1]

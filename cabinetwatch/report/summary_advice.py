"""What a week means: one sentence on it, and what needs a hand, the most urgent first. Pure."""

from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass
from enum import IntEnum

from cabinetwatch.clock import describe_duration
from cabinetwatch.report.summary_week import AlarmWeek, DeviceWeek, SensorWeek, Week
from cabinetwatch.report.words import capital, percent, short_time, times
from cabinetwatch.text import counted
from cabinetwatch.watch.alarms import without_span
from cabinetwatch.watch.conditions import named
from cabinetwatch.watch.events import AlarmState

SHRUNK_K = 1.0
"""A hot-day margin that fell by as much in a week is told (our choice: twice what sensors of this
class repeat to)."""

NOTICEABLE_K = 0.5
"""What changed by as much since the week before is named (our choice: what good sensors repeat
to)."""

WORSE_K = 1.0
WORSE_PART = 0.1
"""So much more settled rise than normal, in K and as a part of it, is told."""

LEAST_AVAILABILITY = 0.98
LEAST_UPTIME = 0.99
LEAST_DISK_DAYS = 90.0

_CLEAN = (
    "Clean filters and vents from outside, with the device off, and look whether every fan turns."
)
_STANDS = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
_BAD = {"high", "medium"}


class Urgency(IntEnum):
    """How soon."""

    NOW = 0
    THIS_WEEK = 1
    AT_EASE = 2

    @property
    def words(self) -> str:
        """Say it."""
        return ("Now", "This week", "When you have time")[self]


@dataclass(frozen=True, slots=True)
class Matter:
    """Something that needs a hand: how soon, of what, what it is, and what to do about it."""

    urgency: Urgency
    heading: str
    text: str
    todo: str


@dataclass(frozen=True, slots=True)
class WeekInBrief:
    """The week in a few words and in one sentence. `tone`: "well", "look" or "bad"."""

    tone: str
    short: str
    sentence: str


def verdict_of(week: Week, matters: Sequence[Matter]) -> WeekInBrief:
    """Say how the week was."""
    standing = [alarm for alarm in week.alarms if stands(alarm) and alarm.priority in _BAD]
    at_end = "when the week ended" if week.is_over else "so far this week"
    if standing:
        which = " and ".join(f"{alarm.name} {alarm.says}" for alarm in standing[:2])
        more = f" and {len(standing) - 2} more" if len(standing) > 2 else ""
        return WeekInBrief(
            "bad",
            f"Not well: {which}{more}",
            f"Not well {at_end}: {which}{more}. {_margin(week)}",
        )
    count = len(matters)
    if count:
        things = "one thing needs" if count == 1 else f"{count} things need"
        return WeekInBrief(
            "look",
            f"{things.capitalize()} a hand",
            f"Nothing urgent stood {at_end}, but {things} a hand. {_margin(week)}",
        )
    raises = week.measures.raises
    alarms = (
        f"{counted(raises, 'alarm')}, {'all ' if raises > 1 else ''}over" if raises else "no alarm"
    )
    return WeekInBrief("well", "All well", f"All was well: {alarms}. {_margin(week)}")


def change_of(week: Week) -> str:
    """Say in one sentence what got worse since the week before; nothing where that is not known."""
    compared = [
        (device.name, *change) for device in week.devices if (change := _change(device)) is not None
    ]
    if not compared:
        return ""
    worse = [
        f"{name} ({words})"
        for name, loss_k, words in sorted(compared, key=lambda each: -each[1])
        if loss_k >= NOTICEABLE_K
    ]
    if not worse:
        return "No device did worse than the week before."
    return f"Worse than the week before: {', '.join(worse)}."


def _change(device: DeviceWeek) -> tuple[float, str] | None:
    """Give what a device lost since the week before, in K, and the words for it."""
    hot_k, hot_before_k = device.hot_day_margin_k, device.hot_day_margin_last_week_k
    if hot_k is not None and hot_before_k is not None:
        return hot_before_k - hot_k, f"hot-day margin {hot_k:z.1f} K, was {hot_before_k:z.1f} K"
    settled_k, settled_before_k = device.settled_rise_k, device.settled_rise_last_week_k
    if settled_k is not None and settled_before_k is not None:
        words = f"settled rise {settled_k:z.1f} K, was {settled_before_k:z.1f} K"
        return settled_k - settled_before_k, words
    return None


def matters_of(week: Week) -> list[Matter]:
    """Give what needs a hand, the most urgent first."""
    standing = [alarm for alarm in week.alarms if stands(alarm)]
    alarmed = {alarm.subject for alarm in standing}
    found = [
        *(_standing(alarm, week) for alarm in standing),
        *(
            matter
            for device in week.devices
            for matter in _device(
                device,
                {each.condition for each in standing if each.subject == device.id},
                week,
            )
        ),
        *(
            matter
            for sensor in week.sensors
            if sensor.id not in alarmed
            for matter in _sensor(sensor)
        ),
        *_hidden(week),
        *_watch(week),
        *(
            Matter(
                Urgency.AT_EASE,
                capital(f"{chatter.name}: {chatter.says}, again and again"),
                f"Raised {times(chatter.raises)}, {chatter.most_in_an_hour} of them within an hour:"
                " an alarm that chatters is soon ignored.",
                chatter.recommendation,
            )
            for chatter in week.measures.chattering
        ),
    ]
    return sorted(found, key=lambda matter: matter.urgency)


def stands(alarm: AlarmWeek) -> bool:
    """Whether an alarm stood when the week ended."""
    return alarm.state in _STANDS


def _margin(week: Week) -> str:
    """Say how near to its threshold any device came."""
    known = [device for device in week.devices if device.margin_k is not None]
    if not known:
        return "No device has a derating curve to measure it against."
    least = min(known, key=lambda device: device.margin_k or 0.0)
    margin_k = least.margin_k or 0.0
    when = short_time(least.margin_utc_ms or week.from_utc_ms, week.timezone)
    if margin_k < 0:
        return (
            f"{least.name} passed its derating threshold, by {-margin_k:z.1f} K at the most"
            f" ({when})."
        )
    if len(known) == 1:
        return f"{least.name} stayed at least {margin_k:z.1f} K below its derating threshold."
    return (
        f"Every device stayed below its derating threshold; the nearest was {least.name}, with"
        f" {margin_k:z.1f} K left ({when})."
    )


def _standing(alarm: AlarmWeek, week: Week) -> Matter:
    urgency = Urgency.NOW if alarm.priority in _BAD else Urgency.THIS_WEEK
    since = short_time(alarm.raised_utc_ms, week.timezone)
    seen = "" if alarm.state == AlarmState.UNACKNOWLEDGED else ", acknowledged"
    return Matter(
        urgency,
        capital(f"{alarm.name}: {alarm.says}"),
        f"Raised {since}, standing for {describe_duration(alarm.stood_s)}{seen}. As last raised:"
        f" {without_span(alarm.text)}{_hot_day(alarm, week)}",
        alarm.response or f"See cabinetwatch alarms; it is {alarm.id}.",
    )


def _hot_day(alarm: AlarmWeek, week: Week) -> str:
    """Give the week's own figure beside that of the raise, which may be older."""
    device = next((each for each in week.devices if each.id == alarm.subject), None)
    condition = named(alarm.condition)
    if condition is None or condition.weekly_figure != "hot_day_margin_k":
        return ""
    if device is None or device.hot_day_margin_k is None:
        return ""
    return f" On average over the week: hot-day margin {device.hot_day_margin_k:z.1f} K."


def _passed(device: DeviceWeek, week: Week) -> Matter:
    """Tell of a threshold that was passed, though all may be well again."""
    when = short_time(device.margin_utc_ms or week.from_utc_ms, week.timezone)
    return Matter(
        Urgency.THIS_WEEK,
        f"{device.name}: was too hot for its load",
        f"It passed its derating threshold, by {-(device.margin_k or 0.0):z.1f} K at the most"
        f" ({when}).",
        "If the cause is not known and mended, look for it: the alarms of the week tell what came"
        " first. See that every fan turns, and that it starts by itself from cold.",
    )


def _device(device: DeviceWeek, told: Set[str], week: Week) -> Iterator[Matter]:
    """Give what got worse with a device, but for what a standing alarm tells already."""
    told = {condition.weekly_figure for condition in map(named, told) if condition is not None}
    if (device.margin_k or 0.0) < 0 and "margin_k" not in told:
        yield _passed(device, week)
    hot_k, before_k = device.hot_day_margin_k, device.hot_day_margin_last_week_k
    settled_k, normal_k = device.settled_rise_k, device.normal_rise_k
    shrunk = hot_k is not None and before_k is not None and before_k - hot_k >= SHRUNK_K
    if hot_k is not None and (shrunk or (hot_k < 0 and "hot_day_margin_k" not in told)):
        change = "" if before_k is None else f" (last week {before_k:z.1f} K)"
        words = "too warm for the hottest day" if hot_k < 0 else "less margin for the hottest day"
        yield Matter(
            Urgency.THIS_WEEK,
            f"{device.name}: {words}",
            f"Hot-day margin {hot_k:z.1f} K{change}.",
            _CLEAN,
        )
    elif _is_worse(settled_k, normal_k) and "settled_rise_k" not in told:
        yield Matter(
            Urgency.THIS_WEEK,
            f"{device.name}: warmer than its normal",
            f"Settled rise {settled_k:z.1f} K on average, normal {normal_k:z.1f} K.",
            _CLEAN,
        )
    drift = None if "climb_per_week" in told else device.drift
    if drift is not None and drift.significant and drift.climb_per_week is not None:
        ends = drift.exhausted_in_days
        until = ""
        if ends is not None:
            until = f"; at this pace its hot-day margin lasts {counted(round(ends), 'day')}"
        yield Matter(
            Urgency.AT_EASE,
            f"{device.name}: slowly losing its cooling",
            f"Its rise climbs by {100 * drift.climb_per_week:z.1f} % a week{until}.",
            _CLEAN,
        )


def _is_worse(settled_k: float | None, normal_k: float | None) -> bool:
    if settled_k is None or normal_k is None:
        return False
    return settled_k - normal_k >= max(WORSE_K, WORSE_PART * normal_k)


def _sensor(sensor: SensorWeek) -> Iterator[Matter]:
    faults = ", ".join(f"{name} {times(count)}" for name, count in sorted(sensor.faults.items()))
    heard = sensor.availability
    words = []
    if heard is not None and heard < LEAST_AVAILABILITY:
        longest = describe_duration(sensor.longest_gap_s)
        words.append(f"heard {percent(heard)} of the time, longest gap {longest}")
    if faults:
        words.append(f"faults: {faults}")
    if sensor.unreadable > (1 - LEAST_AVAILABILITY) * (sensor.readings + sensor.unreadable):
        words.append(
            f"{sensor.unreadable} of its messages could not be read; cabinetwatch status and the "
            "log say why"
        )
    if words:
        yield Matter(
            Urgency.AT_EASE,
            f"Sensor {sensor.called}: not to be relied on",
            capital(f"{'; '.join(words)}."),
            "See to its battery, its place in the radio's reach, its plug and its cable.",
        )


def _hidden(week: Week) -> Iterator[Matter]:
    for hidden in week.hidden:
        out = hidden.state == AlarmState.OUT_OF_SERVICE
        yield Matter(
            Urgency.THIS_WEEK,
            capital(
                f"{hidden.name}: {'still out of service' if out else 'an alarm still shelved'}"
            ),
            f"Nothing is told of {'it' if out else hidden.conditions[0]} meanwhile.",
            f"When it is done: cabinetwatch service {hidden.subject} in"
            if out
            else "See cabinetwatch alarms, and cabinetwatch unshelve.",
        )


def _watch(week: Week) -> Iterator[Matter]:
    watch = week.watch
    if watch.notices_failed or watch.notices_late:
        told = [
            f"{count} {word}"
            for count, word in (
                (watch.notices_failed, "not delivered at all"),
                (watch.notices_late, "delivered late"),
            )
            if count
        ]
        yield Matter(
            Urgency.THIS_WEEK,
            "The watch: notices did not come through in time",
            f"Notices of this week: {', '.join(told)}.",
            "See to the mail server, the broker or the program: cabinetwatch check --send.",
        )
    taken_s = sum(
        each.stood_s
        for each in week.alarms
        if (condition := named(each.condition)) is not None and condition.misses_readings
    )
    if taken_s:
        yield Matter(
            Urgency.THIS_WEEK,
            "The watch: another client used its client ID",
            f"For {describe_duration(taken_s)} in all it heard only part of what was sent: readings"
            " are missing from this week's figures, and alarms may have come late.",
            "Stop the second watch, or give each client its own client_id in [mqtt].",
        )
    if watch.uptime < LEAST_UPTIME and not watch.is_first:
        when = short_time(watch.longest_off_utc_ms or week.from_utc_ms, week.timezone)
        yield Matter(
            Urgency.AT_EASE,
            "The watch: it did not run all week",
            f"It ran {percent(watch.uptime)} of the week; the longest gap was"
            f" {describe_duration(watch.longest_off_s)}, from {when}.",
            "If that was no power cut or work of yours: see the journal of its service.",
        )
    if watch.store_faults or watch.readings_lost:
        yield Matter(
            Urgency.THIS_WEEK,
            "The watch: its records could not be written",
            f"So it was {times(watch.store_faults)};"
            f" lost: {counted(watch.readings_lost, 'reading')}.",
            "See whether the disk is full or wearing out.",
        )
    if watch.days_left is not None and watch.days_left < LEAST_DISK_DAYS:
        yield Matter(
            Urgency.THIS_WEEK,
            "The watch: its disk fills up",
            f"At this pace it is full in {counted(round(watch.days_left), 'day')}.",
            "Make room, or lower the keeping times in [store].",
        )

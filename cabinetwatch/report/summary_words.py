"""What a summary says of a week: its worst event, what needs attention, its figures, by sections.

The sections are one document for text and HTML (`summary_mail` renders them), short enough for a
phone: in full only what changed, a line for all else. What an alarm is called, tells and asks for
are the words of its transition. Pure.
"""

import math
from collections.abc import Iterator, Sequence, Set
from operator import itemgetter
from textwrap import shorten
from typing import Any, NamedTuple

from cabinetwatch.notify.mail import DEVICE_CAUTIONS, NO_SMOKE_ALARM
from cabinetwatch.report.summary_week import AlarmWeek, DeviceWeek, IsoWeek, SensorWeek, Week
from cabinetwatch.report.words import STANDS, about, from_to, number, short_time, times
from cabinetwatch.text import NBSP, TemperatureUnit, counted, describe_duration, printable, typeset
from cabinetwatch.watch.alarms import without_span
from cabinetwatch.watch.conditions import named
from cabinetwatch.watch.events import AlarmState

PROOF_OF_LIFE = (
    "This mail comes every week, whatever happened. When it does not come, check the watch, its"
    " mail and its power."
)

_MOVED_K = 1.0
"""A figure that moved by as much in a week has changed (our choice: twice what sensors of this
class repeat to)."""

_WORSE_PART = 0.1
"""So much more settled rise than normal, as a part of it, is told."""

_LEAST_AVAILABILITY = 0.98
_LEAST_UPTIME = 0.99
_LEAST_DISK_DAYS = 90.0
_MANY_YEARS = 20
_MOST_IN_FULL = 2
_MOST_EVENTS = 4
_MOST_MATTERS = 4
_MOST_NAMED = 3
_MOST_REMARKS = 4
_LONGEST_REMARK = 120
_LONGEST_NAME = 16
_QUARTER_MS = 900_000

_NONE = "-"
"""In a cell: not known."""

_RANKS = {"high": 0, "medium": 1}
"""Of what is bad; the rest comes after."""


NOW, THIS_WEEK, AT_EASE = URGENCIES = ("Now", "This week", "When you have time")


class Event(NamedTuple):
    """Alarms of one subject whose times touch, the gravest first; a low one is an event alone."""

    alarms: list[AlarmWeek]

    @property
    def began(self) -> int:
        """Its first sign, UTC in ms."""
        return min(alarm.began for alarm in self.alarms)

    @property
    def active(self) -> bool:
        """Whether any of it was still on when the week ended."""
        return any(alarm.state in STANDS for alarm in self.alarms)

    @property
    def ended(self) -> int | None:
        """Its end, UTC in ms; None for one that was still active."""
        return None if self.active else max(a.ended_utc_ms or a.began for a in self.alarms)

    @property
    def headline(self) -> str:
        """Say of what it was, and what."""
        said = list(dict.fromkeys(alarm.says for alarm in self.alarms))
        more = f" and {len(said) - 2} more" if len(said) > 2 else ""
        return _capital(f"{self.alarms[0].name}: {'; '.join(said[:2])}{more}")

    def when(self, week: Week) -> str:
        """Say from its first sign to its end, and how long it lasted in between."""
        ended, raises = self.ended, max(alarm.raises for alarm in self.alarms)
        lasted_s = max(alarm.stood_s for alarm in self.alarms)
        if len(self.alarms) > 1 and raises == 1:
            lasted_s = ((ended or min(week.made_utc_ms, week.to_utc_ms)) - self.began) / 1000
        lasted = describe_duration(lasted_s)
        again = f"{times(raises)}, {lasted} in all" if raises > 1 else lasted
        if ended is None:
            return f"since {short_time(self.began, week.timezone)} ({again}), still active"
        return f"{from_to(self.began, ended, week.timezone)} ({again}), over"


class Matter(NamedTuple):
    """Something that needs attention: how soon, of what, what it is, and what to do about it."""

    urgency: str
    heading: str
    text: str
    todo: str


class Table(NamedTuple):
    """Rows of as many cells as headings; all columns but the first are figures."""

    headings: Sequence[str]
    rows: Sequence[Sequence[str]]


class Section(NamedTuple):
    """A part with its heading and what it holds, in this order.

    `lines` are pairs of what stands out and what is said of it.
    """

    heading: str
    matters: Sequence[Matter] = ()
    table: Table | None = None
    lines: Sequence[tuple[str, str]] = ()
    notes: Sequence[str] = ()
    pictures_of: str = ""


class Summary(NamedTuple):
    """A whole summary. `lead` are the sentences at its top, `notes` explain the figures.

    `tone`: "well", "look" or "bad".
    """

    subject: str
    title: str
    span: str
    tone: str
    lead: Sequence[str]
    sections: Sequence[Section]
    notes: Sequence[str]
    cautions: Sequence[str]


def summary_of(
    week: Week, present: str = "", unit: TemperatureUnit = TemperatureUnit.CELSIUS
) -> Summary:
    """Put a week into words.

    `present` is a sentence on how things stood when this was written, for who reads it fresh;
    `unit` that in which people read temperatures.
    """
    matters = matters_of(week, unit)
    tone, short, sentence = _verdict(week, matters)
    iso_week = IsoWeek.parse(week.week)
    first, last = (
        short_time(at, week.timezone, "%a %-d %b") for at in (week.from_utc_ms, week.to_utc_ms - 1)
    )
    span = f"{first} to {last} {iso_week.year}, {week.timezone} time"
    if not week.is_over:
        span += f"; so far, up to {short_time(week.made_utc_ms, week.timezone)}"
    made: Summary = _typeset(
        Summary(
            f"[Weekly summary] {short} - {week.site}, week {iso_week.number}",
            f"Week {iso_week.number} at {week.site}",
            span,
            tone,
            [each for each in (sentence, _margin(week, unit), present) if each],
            list(_sections(week, unit, matters)),
            list(_notes(week)),
            (*DEVICE_CAUTIONS, NO_SMOKE_ALARM),
        )
    )
    return made


def _typeset(part: Any) -> Any:
    if isinstance(part, str):
        return typeset(part)
    if part is None:
        return None
    each = [_typeset(inner) for inner in part]
    return part._make(each) if hasattr(part, "_make") else each


# How the week was.


def events_of(week: Week) -> list[Event]:
    """Give the events of a week, the worst first.

    By their gravest alarm; then what is still active comes first, then by how far a device went
    above its threshold, then by how long it lasted.
    """
    events: list[list[AlarmWeek]] = []
    # By subject its latest event, and until when that goes.
    latest: dict[str, tuple[list[AlarmWeek], float]] = {}
    for alarm in sorted(week.alarms, key=lambda alarm: alarm.began):
        if alarm.priority not in _RANKS:
            events.append([alarm])
            continue
        event, until = latest.get(alarm.subject, ([], -1.0))
        if alarm.began > until:
            event = []
            events.append(event)
        event.append(alarm)
        ended = math.inf if alarm.ended_utc_ms is None else alarm.ended_utc_ms
        latest[alarm.subject] = event, max(ended, until)
    margins = {device.id: device.margin_k or 0.0 for device in week.devices}

    def rank(alarm: AlarmWeek) -> tuple[int, bool, float]:
        return _RANKS.get(alarm.priority, 2), alarm.state not in STANDS, -alarm.stood_s

    def gravity(event: Event) -> tuple[float, ...]:
        gravest, is_over, lasted_s = rank(event.alarms[0])
        return gravest, is_over, min(0.0, margins.get(event.alarms[0].subject, 0.0)), lasted_s

    return sorted((Event(sorted(event, key=rank)) for event in events), key=gravity)


def _verdict(week: Week, matters: Sequence[Matter]) -> tuple[str, str, str]:
    """Give the tone of a week, it in a few words, and in a sentence: of its worst event first."""
    events = events_of(week)
    things = "One thing needs" if len(matters) == 1 else f"{len(matters)} things need"
    tone, short = ("look", f"{things} attention") if matters else ("well", "All well")
    if not events:
        sentence = f"No alarm, but {things.lower()} attention." if matters else "All was well."
        return tone, short, sentence
    worst = events[0]
    if worst.alarms[0].priority in _RANKS:
        tone = "bad" if any(e.active and e.alarms[0].priority in _RANKS for e in events) else "look"
        short = worst.headline if worst.active else f"{worst.headline} (over)"
    more = f" And {counted(len(events) - 1, 'more event')}." if len(events) > 1 else ""
    return tone, short, f"{worst.headline}, {worst.when(week)}.{more}"


def _margin(week: Week, unit: TemperatureUnit) -> str:
    """Say how near to its threshold any device came."""
    known = [(device.margin_k, device) for device in week.devices if device.margin_k is not None]
    if not known:
        return ""
    margin_k, least = min(known, key=itemgetter(0))
    if margin_k < 0:
        return f"{least.name} went {_beyond(least, margin_k, week, unit)}."
    return (
        f"{'Every device' if len(known) > 1 else least.name} stayed below its derating threshold;"
        f" least margin {unit.difference(margin_k)} ({least.name}, {_when_least(least, week)})."
    )


def _beyond(device: DeviceWeek, margin_k: float, week: Week, unit: TemperatureUnit) -> str:
    when = _when_least(device, week)
    return f"as much as {unit.difference(-margin_k)} above its derating threshold ({when})"


def _when_least(device: DeviceWeek, week: Week) -> str:
    start = device.margin_utc_ms or week.from_utc_ms
    return about((start, device.margin_until_utc_ms or start + _QUARTER_MS), week.timezone)


# What needs attention.

_CLEAN = "Clean filters and vents from outside, with the device off; check that every fan turns."
_CAUSE = (
    "If the cause is not known and mended, look for it; check that every fan turns, and that it"
    " starts from cold."
)


def matters_of(week: Week, unit: TemperatureUnit = TemperatureUnit.CELSIUS) -> list[Matter]:
    """Give what needs attention, the most urgent first."""
    events = events_of(week)
    found = [matter for event in events for matter in _of_event(event, week)]
    active = [alarm for alarm in week.alarms if alarm.state in STANDS]
    grave = {event.alarms[0].subject for event in events if event.alarms[0].priority == "high"}
    for device in week.devices:
        conditions = [named(each.condition) for each in active if each.subject == device.id]
        told = {condition.weekly_figure for condition in conditions if condition is not None}
        told |= {"margin_k"} if device.id in grave else set()
        found += _of_device(device, told, week, unit)
    for sensor in week.sensors:
        faults = _faults(sensor)
        if faults and all(sensor.id != alarm.subject for alarm in active):
            todo = "Check its battery, radio range, plug and cable"
            if sensor.unreadable:
                todo += "; cabinetwatch status and the log say why messages could not be read"
            heading = f"Sensor {sensor.called}: unreliable"
            found.append(Matter(AT_EASE, heading, _capital(f"{'; '.join(faults)}."), f"{todo}."))
    for hidden in week.hidden:
        out = hidden.state == AlarmState.OUT_OF_SERVICE
        back = f"When the work is done: cabinetwatch service {hidden.subject} in"
        found.append(
            Matter(
                THIS_WEEK,
                _capital(f"{hidden.name}: {'out of service' if out else 'alarm shelved'}"),
                f"No alarm of {'this subject' if out else hidden.conditions[0]} is reported.",
                back if out else "See cabinetwatch alarms, and cabinetwatch unshelve.",
            )
        )
    found += _of_watch(week)
    for chatter in week.measures.chattering:
        heading = _capital(f"{chatter.name}: {chatter.says}, again and again")
        words = f"Raised {times(chatter.raises)}, {chatter.most_in_an_hour} of them within an hour."
        found.append(Matter(AT_EASE, heading, words, chatter.recommendation))
    return sorted(found, key=lambda matter: URGENCIES.index(matter.urgency))


def _of_event(event: Event, week: Week) -> Iterator[Matter]:
    """Tell what is still active, and ask for the cause of what was grave with a device."""
    worst = event.alarms[0]
    condition = named(worst.condition)
    seen = ", acknowledged" if worst.state == AlarmState.ACKNOWLEDGED else ""
    words = f"{without_span(worst.text)} {_capital(event.when(week))}{seen}."
    if event.active:
        urgency = NOW if worst.priority in _RANKS else THIS_WEEK
        todo = worst.response or f"See cabinetwatch alarms; it is {worst.id}."
        yield Matter(urgency, event.headline, words, todo)
    elif worst.priority == "high" and condition is not None and condition.kind == "device":
        yield Matter(THIS_WEEK, f"{event.headline} (over)", words, _CAUSE)


def _of_device(
    device: DeviceWeek, told: Set[str], week: Week, unit: TemperatureUnit
) -> Iterator[Matter]:
    """Give what got worse with a device, but for the figures that an alarm tells already."""
    margin_k = device.margin_k or 0.0
    if margin_k < 0 and "margin_k" not in told:
        words = f"It went {_beyond(device, margin_k, week, unit)}."
        yield Matter(THIS_WEEK, f"{device.name}: was too hot for its load", words, _CLEAN)
    hot_k, before_k = device.hot_day_margin_k, device.hot_day_margin_last_week_k
    settled_k, normal_k = device.settled_rise_k, device.normal_rise_k
    shrunk = hot_k is not None and before_k is not None and before_k - hot_k >= _MOVED_K
    if hot_k is not None and (shrunk or (hot_k < 0 and "hot_day_margin_k" not in told)):
        change = "" if before_k is None else f" (last week {unit.difference(before_k)})"
        what = "too warm for the hottest day" if hot_k < 0 else "less margin for the hottest day"
        words = f"Hot-day margin {unit.difference(hot_k)}{change}."
        yield Matter(THIS_WEEK, f"{device.name}: {what}", words, _CLEAN)
    elif (
        settled_k is not None
        and normal_k is not None
        and settled_k - normal_k >= max(_MOVED_K, _WORSE_PART * normal_k)
        and "settled_rise_k" not in told
    ):
        settled, normal = unit.difference(settled_k), unit.difference(normal_k)
        words = f"Settling at {settled} on average, normal {normal}."
        yield Matter(THIS_WEEK, f"{device.name}: warmer than its normal", words, _CLEAN)
    if "climb_per_week" not in told and device.drift is not None and device.drift.significant:
        yield Matter(AT_EASE, f"{device.name}: slowly losing its cooling", _trend(device), _CLEAN)


def _faults(sensor: SensorWeek) -> list[str]:
    """Say what was wrong with a sensor; nothing of one that was as it should be."""
    words = []
    if sensor.availability is not None and sensor.availability < _LEAST_AVAILABILITY:
        longest = describe_duration(sensor.longest_gap_s)
        words.append(f"heard {_percent(sensor.availability)} of the time, longest gap {longest}")
    words += [f"{name} {times(count)}" for name, count in sorted(sensor.faults.items())]
    if sensor.unreadable > (1 - _LEAST_AVAILABILITY) * (sensor.readings + sensor.unreadable):
        words.append(f"{counted(sensor.unreadable, 'message')} could not be read")
    return words


def _of_watch(week: Week) -> Iterator[Matter]:
    watch = week.watch
    counts = (watch.notices_failed, "not delivered at all"), (watch.notices_late, "delivered late")
    notices = ", ".join(f"{count} {word}" for count, word in counts if count)
    if notices:
        yield Matter(
            THIS_WEEK,
            "The watch: notices came late or not at all",
            f"Notices of this week: {notices}.",
            "Check the mail server, the broker or the program: cabinetwatch check --send.",
        )
    taken_s = sum(
        each.stood_s
        for each in week.alarms
        if (condition := named(each.condition)) is not None and condition.misses_readings
    )
    if taken_s:
        yield Matter(
            THIS_WEEK,
            "The watch: another client used its client ID",
            f"For {describe_duration(taken_s)} in all it heard only part of what was sent: readings"
            " are missing from this week's figures, and alarms may have come late.",
            "Stop the second watch, or give each client its own client_id in [mqtt].",
        )
    if watch.uptime < _LEAST_UPTIME and not watch.is_first:
        when = short_time(watch.longest_off_utc_ms or week.from_utc_ms, week.timezone)
        yield Matter(
            AT_EASE,
            "The watch: it did not run all week",
            f"It ran {_percent(watch.uptime)} of the week; the longest gap was"
            f" {describe_duration(watch.longest_off_s)}, from {when}.",
            "If that was no power cut or work of yours: see the journal of its service.",
        )
    if watch.store_faults or watch.readings_lost:
        yield Matter(
            THIS_WEEK,
            "The watch: records could not be written",
            f"{_capital(times(watch.store_faults))}; {counted(watch.readings_lost, 'reading')}"
            " lost.",
            "Check whether the disk is full or wearing out.",
        )
    if watch.days_left is not None and watch.days_left < _LEAST_DISK_DAYS:
        yield Matter(
            THIS_WEEK,
            "The watch: its disk fills up",
            f"At this rate it is full in {counted(round(watch.days_left), 'day')}.",
            "Make room, or shorten the retention times in [store].",
        )


# The sections.


def has_moved(device: DeviceWeek) -> bool:
    """Whether its cooling changed since the week before, or follows a trend."""
    pairs = (
        (device.hot_day_margin_k, device.hot_day_margin_last_week_k),
        (device.settled_rise_k, device.settled_rise_last_week_k),
    )
    return (device.drift is not None and bool(device.drift.significant)) or any(
        now is not None and before is not None and abs(now - before) >= _MOVED_K
        for now, before in pairs
    )


def devices_in_full(week: Week) -> list[DeviceWeek]:
    """Give the devices that changed, those with the worst events first: no more than a phone holds.

    An alarm, a figure that moved, a trend, or something learnt is a change.
    """
    order = list(dict.fromkeys(event.alarms[0].subject for event in events_of(week)))
    changed = [d for d in week.devices if d.id in order or has_moved(d) or d.learnt]
    changed.sort(key=lambda d: order.index(d.id) if d.id in order else len(order))
    return changed[:_MOST_IN_FULL]


def _sections(week: Week, unit: TemperatureUnit, matters: Sequence[Matter]) -> Iterator[Section]:
    if matters:
        more = [matter.heading for matter in matters[_MOST_MATTERS:]]
        among = ", among them" if len(more) > _MOST_NAMED else ""
        notes = [f"And {len(more)} more{among}: {'; '.join(more[:_MOST_NAMED])}."] if more else []
        yield Section("What needs attention", matters=matters[:_MOST_MATTERS], notes=notes)
    in_full = devices_in_full(week)
    if week.devices:
        learnt = [d.name for d in week.devices if d.learnt and d not in in_full]
        news = [f"Normal rise learnt this week: {', '.join(learnt)}."] if learnt else []
        yield Section("Devices", table=_glance(week, unit), notes=news)
    for device in in_full:
        yield Section(device.name, lines=list(_figures(device, week, unit)), pictures_of=device.id)
    if events := sorted(events_of(week), key=lambda event: event.began):
        earlier = len(events) - _MOST_EVENTS
        more = [f"And {earlier} before these: cabinetwatch alarms."] if earlier > 0 else []
        if any(alarm.state == "returned" for alarm in week.alarms):
            more.append(_RETURNED)
        lines = [_event_line(event, week) for event in events[-_MOST_EVENTS:]]
        yield Section("Alarms of the week", lines=lines, notes=(*more, _measures(week)))
    if week.sensors:
        unwell = [sensor.called for sensor in week.sensors if _faults(sensor)]
        note = f"{counted(len(week.sensors) - len(unwell), 'sensor')} heard without a fault"
        if unwell:
            rest = f" and {len(unwell) - _MOST_NAMED} more" if len(unwell) > _MOST_NAMED else ""
            note += f"; unreliable: {', '.join(unwell[:_MOST_NAMED])}{rest}"
        yield Section("Sensors", notes=[f"{note}."])
    yield Section("The watch itself", notes=["; ".join(_watch(week)) + "."])
    if week.remarks:
        noted = [
            (
                short_time(each.utc_ms, week.timezone),
                shorten(printable(each.text), _LONGEST_REMARK, placeholder=" …"),
            )
            for each in week.remarks[-_MOST_REMARKS:]
        ]
        yield Section("What people noted", lines=noted)


_RETURNED = (
    "Returned: over, but not acknowledged; once this mail is delivered, they count as acknowledged."
)


def _notes(week: Week) -> Iterator[str]:
    yield (
        "Settling at: the rise above the surrounding air that it would have reached if nothing had"
        " changed. Margin: derating threshold (at which its load is just allowed) minus"
        " temperature. Hot-day margin: what is left on the hottest day. Settling at and hot-day"
        " margin are means over the time it was on. Durations are from first sign to end. ± is at"
        " 95 %."
    )
    if devices_in_full(week):
        tier = "minute" if week.minutes else "quarter-hour"
        yield (
            f"95th percentile: of {tier} means. Life: how fast heat would age it at its normal"
            " rise, over how fast it did (Arrhenius, 0.7 eV); below 1 is shorter. Use it to"
            " compare weeks; it does not predict failure."
        )


def _glance(week: Week, unit: TemperatureUnit) -> Table:
    """Give what matters most of each device, in as many columns as a phone has room for."""
    by = unit.of_difference
    return Table(
        (
            *("Device", f"Highest, {unit.symbol}", f"Settling at, {by}"),
            *(f"Margin, {by}, least", f"Hot-day margin, {by}"),
        ),
        [
            (
                _short(device.name),
                number(
                    None if (air := device.temperature) is None else air.highest, unit.from_c, _NONE
                ),
                number(device.settled_rise_k, unit.from_k, _NONE),
                number(device.margin_k, unit.from_k, _NONE),
                number(device.hot_day_margin_k, unit.from_k, _NONE),
            )
            for device in week.devices
        ],
    )


def _figures(device: DeviceWeek, week: Week, unit: TemperatureUnit) -> Iterator[tuple[str, str]]:
    """Give what the table of all devices does not tell."""
    for label, spread, write in (
        ("Temperature", device.temperature, unit.temperature),
        ("Rise", device.rise, unit.difference),
    ):
        if spread is None:
            continue
        start = spread.highest_utc_ms
        width_ms = 60_000 if week.minutes else _QUARTER_MS
        when = about((start, spread.highest_until_utc_ms or start + width_ms), week.timezone)
        words = (
            f"mean {write(spread.mean)}, 95th percentile {write(spread.percentile_95)},"
            f" highest {write(spread.highest)} ({when})"
        )
        yield label, words
    if device.margin_k is not None:
        yield "Least margin", f"{unit.difference(device.margin_k)} ({_when_least(device, week)})"
    for label, value, *others in (
        (
            "Settling at",
            device.settled_rise_k,
            ("normal", device.normal_rise_k),
            ("last week", device.settled_rise_last_week_k),
        ),
        (
            "Hot-day margin",
            device.hot_day_margin_k,
            ("last week", device.hot_day_margin_last_week_k),
        ),
    ):
        if value is not None:
            beside = ", ".join(
                f"{name} {unit.difference(k)}" for name, k in others if k is not None
            )
            yield label, f"{unit.difference(value)}{beside and f' ({beside})'}"
    if device.drift is not None and device.drift.significant is not None:
        yield "Trend", _trend(device)
    if (life := device.life_factor) is not None:
        yield "Life against normal", f"x {life:z.2f}{' (shorter)' if life < 0.995 else ''}"
    if device.learnt:
        yield "Learnt", device.learnt
    if device.off_fraction:
        yield "Off", f"{_percent(device.off_fraction)} of the time"
    if device.known < week.watch.uptime - 0.005:
        yield "Temperature known", f"{_percent(device.known)} of the week"


def _trend(device: DeviceWeek) -> str:
    drift = device.drift
    if drift is None or not drift.significant or drift.climb_per_week is None:
        return "none"
    lasts = ""
    if drift.exhausted_in_days is not None:
        days = counted(round(drift.exhausted_in_days), "day")
        lasts = f"; at this rate the hot-day margin is used up in {days}"
    return f"The rise climbs by {100 * drift.climb_per_week:z.1f} % a week{lasts}."


def _event_line(event: Event, week: Week) -> tuple[str, str]:
    worst = event.alarms[0]
    seen = "not acknowledged"
    if worst.acknowledged_s is not None:
        seen = f"acknowledged after {describe_duration(worst.acknowledged_s)}"
    state = "; returned" if worst.state == AlarmState.RETURNED else ""
    return event.headline, f"{worst.priority}; {event.when(week)}; {seen}{state}"


def _measures(week: Week) -> str:
    """Give the measures of ISA-18.2, but for what is told above."""
    measures = week.measures
    by = ", ".join(f"{count} {name}" for name, count in measures.by_priority.items() if count)
    most = measures.most_in_ten_minutes
    return (
        f"Raised: {measures.raises}{f' ({by})' if by else ''}, {measures.per_day:z.1f} a day, at"
        f" most {most} within ten minutes."
    )


def _watch(week: Week) -> Iterator[str]:
    """Say how the watch did; of what never happened nothing."""
    watch = week.watch
    yield f"Ran {_percent(watch.uptime)} of the week"
    yield f"{watch.readings:,} readings".replace(",", NBSP)
    # The first start ever is no restart.
    if restarts := watch.starts - watch.is_first:
        crashes = f" ({times(watch.crashes)} after a power cut or a kill)" if watch.crashes else ""
        yield f"restarted {times(restarts)}{crashes}"
    if watch.clock_steps:
        step_s = watch.largest_step_s
        yield f"clock stepped {times(watch.clock_steps)}, by {step_s:+z.1f} s at most"
    if watch.broker_losses:
        away = describe_duration(watch.broker_lost_s)
        yield f"broker lost {times(watch.broker_losses)}, for {away} in all"
    counts = {
        "delivered": watch.notices_delivered,
        "late": watch.notices_late,
        "not delivered": watch.notices_failed,
        "still waiting": watch.notices_waiting,
    }
    sent = ", ".join(f"{count} {word}" for word, count in counts.items() if count)
    none = "none (no channel is set up for these priorities)" if week.measures.raises else "none"
    yield f"notices: {sent or none}"
    if watch.free_bytes is not None:
        lasts = "" if watch.days_left is None else f", enough for {_long(watch.days_left)}"
        yield f"{_megabytes(watch.free_bytes)} of disk free{lasts}"


# Figures in words.


def _short(name: str) -> str:
    """Shorten a long name in the first column, so that the rest of the row has room."""
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"


def _percent(part: float) -> str:
    """Write a part in per cent, never rounded up to all of it."""
    return f"{min(99.9, 100 * part):z.1f} %" if part < 1 else "100 %"


def _long(days: float) -> str:
    years = days / 365.25
    if years < 2:
        return f"{days:z.0f} days"
    return f"over {_MANY_YEARS} years" if years > _MANY_YEARS else f"{years:z.0f} years"


def _megabytes(count: float) -> str:
    return f"{count / 1e9:z.1f} GB" if count >= 1e9 else f"{count / 1e6:z.1f} MB"


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]

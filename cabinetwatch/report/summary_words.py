"""What a summary says of a week: how it was, what needs a hand, and its figures, by sections.

The sections are one document for text and HTML (`summary_mail` renders them); where a phone has no
room for what a terminal shows, each has a section of its own. Pure.
"""

from collections.abc import Iterator, Sequence, Set
from typing import NamedTuple

from cabinetwatch.notify.words import DEVICE_CAUTIONS, NO_SMOKE_ALARM
from cabinetwatch.report.summary_week import (
    AlarmWeek,
    DeviceWeek,
    IsoWeek,
    SensorWeek,
    Spread,
    WatchWeek,
    Week,
)
from cabinetwatch.report.words import STANDS, short_time, times
from cabinetwatch.text import counted, describe_duration, printable
from cabinetwatch.watch.alarms import without_span
from cabinetwatch.watch.conditions import named
from cabinetwatch.watch.events import AlarmState

PROOF_OF_LIFE = (
    "This mail is also the proof of life: it comes every week, whether there is anything to tell or"
    " not. When it does not come, the watch, its mail or its power needs a hand."
)

_SHRUNK_K = 1.0
"""A hot-day margin that fell by as much in a week is told (our choice: twice what sensors of this
class repeat to)."""

_NOTICEABLE_K = 0.5
"""What changed by as much since the week before is named (our choice: what good sensors repeat
to)."""

_WORSE_K = 1.0
_WORSE_PART = 0.1
"""So much more settled rise than normal, in K and as a part of it, is told."""

_LEAST_AVAILABILITY = 0.98
_LEAST_UPTIME = 0.99
_LEAST_DISK_DAYS = 90.0
_MANY_YEARS = 20
_MOST_ALARMS = 20
_LONGEST_NAME = 16

_NONE = "-"
"""In a cell: not known."""

_BAD = {"high", "medium"}


NOW, THIS_WEEK, AT_EASE = URGENCIES = ("Now", "This week", "When you have time")


class Matter(NamedTuple):
    """Something that needs a hand: how soon, of what, what it is, and what to do about it."""

    urgency: str
    heading: str
    text: str
    todo: str


class Verdict(NamedTuple):
    """The week in a few words and in one sentence. `tone`: "well", "look" or "bad"."""

    tone: str
    short: str
    sentence: str


class Table(NamedTuple):
    """Rows of as many cells as headings; columns aligned to the left; names of groups of columns.

    A group is named above its first column.
    """

    headings: Sequence[str]
    rows: Sequence[Sequence[str]]
    left: Sequence[int] = (0,)
    groups: Sequence[tuple[int, str]] = ()


class AlarmLines(NamedTuple):
    """Alarms as when, what and how it went; how many came before; what to know of some."""

    rows: Sequence[tuple[str, str, str]]
    earlier: int
    returned: str


class Section(NamedTuple):
    """A part with its heading and what it holds, in this order; `only` for "text" or "html"."""

    heading: str
    matters: Sequence[Matter] = ()
    tables: Sequence[Table] = ()
    alarms: AlarmLines | None = None
    notes: Sequence[str] = ()
    pairs: Sequence[tuple[str, str]] = ()
    pictures_of: str = ""
    only: str = ""


class Summary(NamedTuple):
    """A whole summary. `lead` are the sentences at its top, `footnotes` explain the figures."""

    subject: str
    title: str
    span: str
    tone: str
    lead: Sequence[str]
    sections: Sequence[Section]
    footnotes: Sequence[str]


def summary_of(week: Week, present: str = "") -> Summary:
    """Put a week into words.

    `present` is a sentence on how things stood when this was written, for who reads it fresh.
    """
    matters = matters_of(week)
    verdict = verdict_of(week, matters)
    iso_week = IsoWeek.parse(week.week)
    first, last = (_date(at, week) for at in (week.from_utc_ms, week.to_utc_ms - 1))
    span = f"{first} to {last} {iso_week.year} ({week.week}), {week.timezone} time"
    if not week.is_over:
        span += f"; so far, up to {short_time(week.made_utc_ms, week.timezone)}"
    return Summary(
        f"[Weekly summary] {verdict.short} - {week.site}, week {iso_week.number}",
        f"Week {iso_week.number} at {week.site}",
        span,
        verdict.tone,
        [each for each in (verdict.sentence, change_of(week), present) if each],
        list(_sections(week, matters)),
        list(_footnotes(week)),
    )


# How the week was.


def verdict_of(week: Week, matters: Sequence[Matter]) -> Verdict:
    """Say how the week was."""
    standing = [alarm for alarm in week.alarms if alarm.state in STANDS and alarm.priority in _BAD]
    at_end = "when the week ended" if week.is_over else "so far this week"
    if standing:
        which = " and ".join(f"{alarm.name} {alarm.says}" for alarm in standing[:2])
        if len(standing) > 2:
            which += f" and {len(standing) - 2} more"
        sentence = f"Not well {at_end}: {which}. {_margin(week)}"
        return Verdict("bad", f"Not well: {which}", sentence)
    if matters:
        things = "one thing needs" if len(matters) == 1 else f"{len(matters)} things need"
        sentence = f"Nothing urgent stood {at_end}, but {things} a hand. {_margin(week)}"
        return Verdict("look", f"{things.capitalize()} a hand", sentence)
    raises = week.measures.raises
    alarms = (
        f"{counted(raises, 'alarm')}, {'all ' if raises > 1 else ''}over" if raises else "no alarm"
    )
    return Verdict("well", "All well", f"All was well: {alarms}. {_margin(week)}")


def change_of(week: Week) -> str:
    """Say in one sentence what got worse since the week before; nothing where that is not known."""
    changes = []
    for device in week.devices:
        now, before = device.hot_day_margin_k, device.hot_day_margin_last_week_k
        what, sign = "hot-day margin", -1
        if now is None or before is None:
            now, before = device.settled_rise_k, device.settled_rise_last_week_k
            what, sign = "settled rise", 1
        if now is not None and before is not None:
            words = f"{device.name} ({what} {now:z.1f} K, was {before:z.1f} K)"
            changes.append((sign * (now - before), words))
    if not changes:
        return ""
    changes.sort(key=lambda change: -change[0])
    worse = [words for loss_k, words in changes if loss_k >= _NOTICEABLE_K]
    if not worse:
        return "No device did worse than the week before."
    return f"Worse than the week before: {', '.join(worse)}."


def _margin(week: Week) -> str:
    """Say how near to its threshold any device came."""
    known = [(device.margin_k, device) for device in week.devices if device.margin_k is not None]
    if not known:
        return "No device has a derating curve to measure it against."
    margin_k, least = min(known, key=lambda each: each[0])
    when = short_time(least.margin_utc_ms or week.from_utc_ms, week.timezone)
    if margin_k < 0:
        return f"{least.name} passed its derating threshold, {_by(margin_k)} ({when})."
    if len(known) == 1:
        return f"{least.name} stayed at least {margin_k:z.1f} K below its derating threshold."
    return (
        f"Every device stayed below its derating threshold; the nearest was {least.name}, with"
        f" {margin_k:z.1f} K left ({when})."
    )


def _by(margin_k: float) -> str:
    return f"by {-margin_k:z.1f} K at the most"


# What needs a hand.

_CLEAN = (
    "Clean filters and vents from outside, with the device off, and look whether every fan turns."
)


def matters_of(week: Week) -> list[Matter]:
    """Give what needs a hand, the most urgent first."""
    standing = [alarm for alarm in week.alarms if alarm.state in STANDS]
    found = [_standing(alarm, week) for alarm in standing]
    for device in week.devices:
        told = {each.condition for each in standing if each.subject == device.id}
        found += _of_device(device, told, week)
    for sensor in week.sensors:
        if all(sensor.id != alarm.subject for alarm in standing):
            found += _of_sensor(sensor)
    for hidden in week.hidden:
        out = hidden.state == AlarmState.OUT_OF_SERVICE
        what = "still out of service" if out else "an alarm still shelved"
        back = f"When it is done: cabinetwatch service {hidden.subject} in"
        found.append(
            Matter(
                THIS_WEEK,
                _capital(f"{hidden.name}: {what}"),
                f"Nothing is told of {'it' if out else hidden.conditions[0]} meanwhile.",
                back if out else "See cabinetwatch alarms, and cabinetwatch unshelve.",
            )
        )
    found += _of_watch(week)
    for chatter in week.measures.chattering:
        heading = _capital(f"{chatter.name}: {chatter.says}, again and again")
        words = (
            f"Raised {times(chatter.raises)}, {chatter.most_in_an_hour} of them within an hour: an"
            " alarm that chatters is soon ignored."
        )
        found.append(Matter(AT_EASE, heading, words, chatter.recommendation))
    return sorted(found, key=lambda matter: URGENCIES.index(matter.urgency))


def _standing(alarm: AlarmWeek, week: Week) -> Matter:
    since = short_time(alarm.raised_utc_ms, week.timezone)
    seen = "" if alarm.state == AlarmState.UNACKNOWLEDGED else ", acknowledged"
    words = (
        f"Raised {since}, standing for {describe_duration(alarm.stood_s)}{seen}. As last raised:"
        f" {without_span(alarm.text)}"
    )
    device = next((each for each in week.devices if each.id == alarm.subject), None)
    condition = named(alarm.condition)
    tells_hot_day = condition is not None and condition.weekly_figure == "hot_day_margin_k"
    if tells_hot_day and device and device.hot_day_margin_k is not None:
        # The week's own figure beside that of the raise, which may be older.
        words += f" On average over the week: hot-day margin {device.hot_day_margin_k:z.1f} K."
    return Matter(
        NOW if alarm.priority in _BAD else THIS_WEEK,
        _capital(f"{alarm.name}: {alarm.says}"),
        words,
        alarm.response or f"See cabinetwatch alarms; it is {alarm.id}.",
    )


def _of_device(device: DeviceWeek, told: Set[str], week: Week) -> Iterator[Matter]:
    """Give what got worse with a device, but for what a standing alarm tells already."""
    told = {condition.weekly_figure for condition in map(named, told) if condition is not None}
    margin_k = device.margin_k or 0.0
    if margin_k < 0 and "margin_k" not in told:
        # Though all may be well again.
        when = short_time(device.margin_utc_ms or week.from_utc_ms, week.timezone)
        yield Matter(
            THIS_WEEK,
            f"{device.name}: was too hot for its load",
            f"It passed its derating threshold, {_by(margin_k)} ({when}).",
            "If the cause is not known and mended, look for it: the alarms of the week tell what"
            " came first. See that every fan turns, and that it starts by itself from cold.",
        )
    hot_k, before_k = device.hot_day_margin_k, device.hot_day_margin_last_week_k
    settled_k, normal_k = device.settled_rise_k, device.normal_rise_k
    shrunk = hot_k is not None and before_k is not None and before_k - hot_k >= _SHRUNK_K
    if hot_k is not None and (shrunk or (hot_k < 0 and "hot_day_margin_k" not in told)):
        change = "" if before_k is None else f" (last week {before_k:z.1f} K)"
        what = "too warm for the hottest day" if hot_k < 0 else "less margin for the hottest day"
        words = f"Hot-day margin {hot_k:z.1f} K{change}."
        yield Matter(THIS_WEEK, f"{device.name}: {what}", words, _CLEAN)
    elif _is_worse(settled_k, normal_k) and "settled_rise_k" not in told:
        words = f"Settled rise {settled_k:z.1f} K on average, normal {normal_k:z.1f} K."
        yield Matter(THIS_WEEK, f"{device.name}: warmer than its normal", words, _CLEAN)
    drift = None if "climb_per_week" in told else device.drift
    if drift is not None and drift.significant and drift.climb_per_week is not None:
        until = ""
        if drift.exhausted_in_days is not None:
            lasts = counted(round(drift.exhausted_in_days), "day")
            until = f"; at this pace its hot-day margin lasts {lasts}"
        words = f"Its rise climbs by {100 * drift.climb_per_week:z.1f} % a week{until}."
        yield Matter(AT_EASE, f"{device.name}: slowly losing its cooling", words, _CLEAN)


def _is_worse(settled_k: float | None, normal_k: float | None) -> bool:
    if settled_k is None or normal_k is None:
        return False
    return settled_k - normal_k >= max(_WORSE_K, _WORSE_PART * normal_k)


def _of_sensor(sensor: SensorWeek) -> Iterator[Matter]:
    words = []
    if sensor.availability is not None and sensor.availability < _LEAST_AVAILABILITY:
        longest = describe_duration(sensor.longest_gap_s)
        words.append(f"heard {_percent(sensor.availability)} of the time, longest gap {longest}")
    if sensor.faults:
        faults = [f"{name} {times(count)}" for name, count in sorted(sensor.faults.items())]
        words.append(f"faults: {', '.join(faults)}")
    if sensor.unreadable > (1 - _LEAST_AVAILABILITY) * (sensor.readings + sensor.unreadable):
        words.append(
            f"{sensor.unreadable} of its messages could not be read; cabinetwatch status and the "
            "log say why"
        )
    if words:
        yield Matter(
            AT_EASE,
            f"Sensor {sensor.called}: not to be relied on",
            _capital(f"{'; '.join(words)}."),
            "See to its battery, its place in the radio's reach, its plug and its cable.",
        )


def _of_watch(week: Week) -> Iterator[Matter]:
    watch = week.watch
    counts = (watch.notices_failed, "not delivered at all"), (watch.notices_late, "delivered late")
    notices = ", ".join(f"{count} {word}" for count, word in counts if count)
    if notices:
        yield Matter(
            THIS_WEEK,
            "The watch: notices did not come through in time",
            f"Notices of this week: {notices}.",
            "See to the mail server, the broker or the program: cabinetwatch check --send.",
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
        lost = counted(watch.readings_lost, "reading")
        yield Matter(
            THIS_WEEK,
            "The watch: its records could not be written",
            f"So it was {times(watch.store_faults)}; lost: {lost}.",
            "See whether the disk is full or wearing out.",
        )
    if watch.days_left is not None and watch.days_left < _LEAST_DISK_DAYS:
        yield Matter(
            THIS_WEEK,
            "The watch: its disk fills up",
            f"At this pace it is full in {counted(round(watch.days_left), 'day')}.",
            "Make room, or lower the keeping times in [store].",
        )


# The sections.


def _sections(week: Week, matters: Sequence[Matter]) -> Iterator[Section]:
    yield Section("What needs a hand", matters=matters, notes=() if matters else ("Nothing.",))
    tables = [_temperatures(week), _rises(week)] if week.devices else []
    notes = list(_footnotes(week)) if week.devices else ["None."]
    yield Section("Devices", tables=tables, notes=notes, only="text")
    yield Section("Devices", tables=[_glance(week)], only="html")
    for device in week.devices:
        pairs = list(_figures(device, week))
        yield Section(device.name, pairs=pairs, pictures_of=device.id, only="html")
    headings = ["quantity", "readings", "heard", "gaps", "longest", "faults"]
    rows = [_sensor_cells(sensor) for sensor in week.sensors]
    wide = Table(["Sensor", *headings], rows, (0, 1, 6))
    yield Section("Sensors", tables=[wide], only="text")
    narrow = [
        [f"{name} ({quantity}, {readings} reading{'' if readings == '1' else 's'})", *cells]
        for name, quantity, readings, *cells in rows
    ]
    yield Section("Sensors", tables=[Table(["Sensor", *headings[2:]], narrow)], only="html")
    is_returned = any(alarm.state == "returned" for alarm in week.alarms)
    yield Section(
        "Alarms of the week",
        alarms=AlarmLines(
            [_alarm_line(alarm, week) for alarm in week.alarms[-_MOST_ALARMS:]],
            max(0, len(week.alarms) - _MOST_ALARMS),
            _RETURNED if is_returned else "",
        )
        if week.alarms
        else None,
        notes=() if week.alarms else ("None was raised, and none stood.",),
        pairs=list(_measures(week)),
    )
    yield Section("How the watch did", pairs=list(_watch(week)))
    if week.remarks:
        noted = [
            (short_time(each.utc_ms, week.timezone), printable(each.text)) for each in week.remarks
        ]
        yield Section("What people noted", pairs=noted)
    yield Section("Caution", notes=(*DEVICE_CAUTIONS, NO_SMOKE_ALARM), only="text")


_RETURNED = (
    "Returned: over, and not acknowledged by anybody. Once the weekly mail is delivered, the"
    " returned alarms in it count as acknowledged."
)


def _footnotes(week: Week) -> Iterator[str]:
    if week.minutes:
        yield "95 %: the percentile of minute means; 95 % of the week was at or below it."
    else:
        yield "95 %: the percentile of quarter-hour means, for the minutes of this week are gone."
    yield (
        "Derating threshold: the temperature at which the load it carries is just allowed."
        " Settled rise: what it was heading for. Margin: least, how near it came to its derating"
        " threshold; hot day, what would be left at the design ambient. Before: the week before."
        " Settled, normal and hot day are means over the time it was on."
    )
    yield (
        "Life: how fast heat would age it at its normal rise, over how fast it did (Arrhenius,"
        " 0.7 eV); below 1 is a shorter life. It ranks weeks and foretells no failure."
    )
    yield "Drift: a climb of the rise that is no chance, or how long the hot-day margin then lasts."


def _glance(week: Week) -> Table:
    """Give what matters most of each device, in as many columns as a phone has room for."""

    def beside(value: float | None, other: float | None) -> str:
        return _cell(value) if value is None or other is None else f"{value:z.1f} ({other:z.1f})"

    return Table(
        ("Device", "Highest, °C", "Settled rise, K (normal)", "Hot-day margin, K (before)", "Life"),
        [
            (
                device.name,
                _cell(None if device.temperature is None else device.temperature.highest),
                beside(device.settled_rise_k, device.normal_rise_k),
                beside(device.hot_day_margin_k, device.hot_day_margin_last_week_k),
                _cell(device.life_factor, 2),
            )
            for device in week.devices
        ],
    )


def _temperatures(week: Week) -> Table:
    def cells(spread: Spread | None) -> list[str]:
        if spread is None:
            return [_NONE] * 4
        figures = (spread.mean, spread.percentile_95, spread.highest)
        return [*map(_cell, figures), _day_time(spread.highest_utc_ms, week)]

    return Table(
        ("Device", "mean", "95 %", "highest", "when", "rise", "95 %", "highest", "when"),
        [
            (_short(device.name), *cells(device.temperature), *cells(device.rise))
            for device in week.devices
        ],
        groups=((1, "Temperature, °C"), (5, "Rise, K")),
    )


def _rises(week: Week) -> Table:
    return Table(
        ("Device", "settled", "normal", "before", "least", "hot day", "before", "life", "drift"),
        [
            (
                _short(device.name),
                _cell(device.settled_rise_k),
                _cell(device.normal_rise_k),
                _cell(device.settled_rise_last_week_k),
                _cell(device.margin_k),
                _cell(device.hot_day_margin_k),
                _cell(device.hot_day_margin_last_week_k),
                _cell(device.life_factor, 2),
                _drift(device, short=True),
            )
            for device in week.devices
        ],
        groups=((1, "Settled rise, K"), (4, "Margin, K")),
    )


def _figures(device: DeviceWeek, week: Week) -> Iterator[tuple[str, str]]:
    """Give a device's figures one below the other, for narrow screens."""

    def extent(spread: Spread | None, unit: str) -> str:
        if spread is None:
            return "not known"
        return (
            f"mean {spread.mean:z.1f} {unit}, 95th percentile {spread.percentile_95:z.1f} {unit},"
            f" highest {spread.highest:z.1f} {unit}"
            f" ({short_time(spread.highest_utc_ms, week.timezone)})"
        )

    def kelvin(value: float | None, beside: float | None = None, name: str = "") -> str:
        if value is None:
            return "not known"
        return f"{value:z.1f} K" + ("" if beside is None else f" ({name} {beside:z.1f} K)")

    yield "Temperature", extent(device.temperature, "°C")
    yield "Rise above ambient", extent(device.rise, "K")
    yield "Settled rise", kelvin(device.settled_rise_k, device.normal_rise_k, "normal")
    yield "Settled rise last week", kelvin(device.settled_rise_last_week_k)
    if device.margin_k is None and device.rise is not None:
        # Only a curve was missing: temperature and ambient were known.
        yield "Least margin", "no derating curve is set"
        yield "Hot-day margin", "no derating curve is set"
    else:
        at = device.margin_utc_ms
        when = "" if at is None else f" ({short_time(at, week.timezone)})"
        yield "Least margin", kelvin(device.margin_k) + when
        hot_k, before_k = device.hot_day_margin_k, device.hot_day_margin_last_week_k
        yield "Hot-day margin", kelvin(hot_k, before_k, "last week")
    yield "Drift", _drift(device)
    life = device.life_factor
    shorter = " (shorter)" if life is not None and life < 0.995 else ""
    yield "Life against normal", "not known" if life is None else f"x {life:z.2f}{shorter}"
    if device.off_fraction:
        yield "Off", f"{_percent(device.off_fraction)} of the time"
    if device.known < 0.995:
        yield "Temperature known", f"{_percent(device.known)} of the week"


def _drift(device: DeviceWeek, *, short: bool = False) -> str:
    """Say how a device's cooling drifts, in a cell or in a sentence."""
    drift = device.drift
    if drift is None or drift.significant is None:
        return _NONE if short else "can't be told yet"
    if not drift.significant or drift.climb_per_week is None:
        return "none" if short else "none to be seen"
    climb, ends = f"{100 * drift.climb_per_week:+z.1f} %", drift.exhausted_in_days
    lasts = "" if ends is None else counted(round(ends), "day")
    if short:
        return lasts or climb
    return f"{climb} a week" + (lasts and f"; the hot-day margin lasts {lasts} at this pace")


def _sensor_cells(sensor: SensorWeek) -> tuple[str, ...]:
    faults = [f"{count} {name}" for name, count in sorted(sensor.faults.items())]
    if sensor.unreadable:
        faults.append(f"{sensor.unreadable} unreadable")
    heard, gaps = _NONE if sensor.heard_every_s is not None else "on change", _NONE
    if sensor.availability is not None:
        heard, gaps = _percent(sensor.availability), str(sensor.gaps)
    return (
        sensor.called,
        sensor.quantity,
        _thousands(sensor.readings),
        heard,
        gaps,
        describe_duration(sensor.longest_gap_s) if sensor.gaps else _NONE,
        ", ".join(faults) or "none",
    )


def _alarm_line(alarm: AlarmWeek, week: Week) -> tuple[str, str, str]:
    is_news = alarm.raised_utc_ms >= week.from_utc_ms
    again = f" (x {alarm.raises})" if alarm.raises > 1 else ""
    seen = "not acknowledged"
    if alarm.acknowledged_s is not None:
        seen = f"acknowledged after {describe_duration(alarm.acknowledged_s)}"
    state = {"normal": "over", "unacknowledged": "stands"}.get(alarm.state, alarm.state)
    return (
        (_day_time if is_news else _date)(alarm.raised_utc_ms, week),
        f"[{alarm.priority}] {alarm.name}: {alarm.says}{again}",
        f"stood {describe_duration(alarm.stood_s)}, {seen}; {state}",
    )


def _measures(week: Week) -> Iterator[tuple[str, str]]:
    measures = week.measures
    by = ", ".join(f"{count} {name}" for name, count in measures.by_priority.items() if count)
    yield "Raised", f"{measures.raises}{f' ({by})' if by else ''}, {measures.per_day:z.1f} a day"
    yield "Most in ten minutes", str(measures.most_in_ten_minutes)
    busiest = [
        f"{busy.name} {busy.says}: {busy.raises} ({100 * busy.share:z.0f} %)"
        for busy in measures.busiest
        if busy.raises > 1
    ]
    # They stand in the list of alarms; here they would hide the one that comes again and again.
    single = len(measures.busiest) - len(busiest)
    if single:
        which = "other" if busiest else "alarm"
        busiest.append(f"one {which} once" if single == 1 else f"{single} {which}s once each")
    yield "Busiest", "; ".join(busiest) or "none"
    chattering = [f"{each.name} {each.says}" for each in measures.chattering]
    yield "Chattering", "; ".join(chattering) or "none"
    yield "Stale (over a day)", "; ".join(measures.stale) or "none"


def _watch(week: Week) -> Iterator[tuple[str, str]]:
    watch = week.watch
    off = f"; longest gap {describe_duration(watch.longest_off_s)}" if watch.longest_off_s else ""
    yield "Ran", f"{_percent(watch.uptime)} of the week{off}"
    yield "Readings", _thousands(watch.readings)
    crashes = f", after a power cut or a kill {times(watch.crashes)}" if watch.crashes else ""
    # The first start ever is no restart.
    yield "Restarted", f"{times(watch.starts - watch.is_first)}{crashes}"
    step = f", the largest {watch.largest_step_s:+z.1f} s" if watch.clock_steps else ""
    yield "Clock stepped", f"{times(watch.clock_steps)}{step}"
    away = f"; without it for {describe_duration(watch.broker_lost_s)} in all"
    yield "Broker lost", f"{times(watch.broker_losses)}{away if watch.broker_losses else ''}"
    faults = f"{times(watch.store_faults)}, {counted(watch.readings_lost, 'reading')} lost"
    yield "Records not written", faults if watch.store_faults or watch.readings_lost else "never"
    counts = (
        (watch.notices_late, "late"),
        (watch.notices_failed, "not delivered"),
        (watch.notices_waiting, "still waiting"),
    )
    more = "".join(f", {count} {word}" for count, word in counts if count)
    sent = f"{watch.notices_delivered} delivered{more or ', none late'}"
    if not more and not watch.notices_delivered:
        sent = "none: no channel takes these alarms" if week.measures.raises else "none to send"
    yield "Notices", sent
    if watch.store_bytes is not None:
        yield "Disk", _disk(watch)


def _disk(watch: WatchWeek) -> str:
    words = f"{_megabytes(watch.store_bytes or 0)} used, {_megabytes(watch.free_bytes or 0)} free"
    if watch.growth_bytes_per_day is None:
        return words
    words += f", growing {_megabytes(watch.growth_bytes_per_day)} a day"
    if watch.days_left is None:
        return words
    years = watch.days_left / 365.25
    if years > _MANY_YEARS:
        return f"{words}, lasts over {_MANY_YEARS} years"
    lasts = f"{years:z.0f} years" if years >= 2 else f"{watch.days_left:z.0f} days"
    return f"{words}, lasts {lasts}"


# Figures in words.


def _cell(value: float | None, decimals: int = 1) -> str:
    return _NONE if value is None else f"{value:z.{decimals}f}"


def _short(name: str) -> str:
    """Shorten a long name in the first column, so that the rest of the row has room."""
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"


def _date(utc_ms: int, week: Week) -> str:
    return short_time(utc_ms, week.timezone, "%a %-d %b")


def _day_time(utc_ms: int, week: Week) -> str:
    return short_time(utc_ms, week.timezone, "%a %H:%M")


def _percent(part: float) -> str:
    """Write a part in per cent, never rounded up to all of it."""
    return f"{min(99.9, 100 * part):z.1f} %" if part < 1 else "100 %"


def _megabytes(count: float) -> str:
    return f"{count / 1e9:z.1f} GB" if count >= 1e9 else f"{count / 1e6:z.1f} MB"


def _thousands(count: int) -> str:
    return f"{count:,}".replace(",", " ")


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]

"""What a summary says, in words and cells, before it is dressed."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from cabinetwatch.clock import describe_duration
from cabinetwatch.config.model import Config
from cabinetwatch.notify.mail import display_names
from cabinetwatch.notify.words import DEVICE_CAUTIONS, NO_SMOKE_ALARM, predicate
from cabinetwatch.report.summary_advice import (
    Matter,
    WeekInBrief,
    change_of,
    matters_of,
    verdict_of,
)
from cabinetwatch.report.summary_week import (
    AlarmWeek,
    DeviceWeek,
    IsoWeek,
    SensorWeek,
    Spread,
    Week,
)
from cabinetwatch.report.words import number, percent, short_time, times
from cabinetwatch.store.store import Store
from cabinetwatch.text import counted, printable
from cabinetwatch.watch.events import AlarmState, Transition

_MANY_YEARS = 20


def watch_words(week: Week) -> Iterable[tuple[str, str]]:
    """Give lines of a label and what it says."""
    watch = week.watch
    off = f"; longest gap {describe_duration(watch.longest_off_s)}" if watch.longest_off_s else ""
    yield "Ran", f"{percent(watch.uptime)} of the week{off}"
    yield "Readings", f"{watch.readings:,}".replace(",", " ")
    crashes = f", after a power cut or a kill {times(watch.crashes)}" if watch.crashes else ""
    # The first start ever is no restart.
    yield "Restarted", f"{times(watch.starts - watch.is_first)}{crashes}"
    step = f", the largest {watch.largest_step_s:+z.1f} s" if watch.clock_steps else ""
    yield "Clock stepped", f"{times(watch.clock_steps)}{step}"
    away = f"; without it for {describe_duration(watch.broker_lost_s)} in all"
    lost = away if watch.broker_losses else ""
    yield "Broker lost", f"{times(watch.broker_losses)}{lost}"
    faults = f"{times(watch.store_faults)}, {counted(watch.readings_lost, 'reading')} lost"
    yield "Records not written", faults if watch.store_faults or watch.readings_lost else "never"
    yield "Notices", _notices(week)
    if watch.store_bytes is not None:
        yield "Disk", _disk(week)


def _notices(week: Week) -> str:
    watch = week.watch
    counts = (
        (watch.notices_late, "late"),
        (watch.notices_failed, "not delivered"),
        (watch.notices_waiting, "still waiting"),
    )
    more = "".join(f", {count} {word}" for count, word in counts if count)
    if not more and not watch.notices_delivered:
        return "none: no channel takes these alarms" if week.measures.raises else "none to send"
    return f"{watch.notices_delivered} delivered{more or ', none late'}"


def _disk(week: Week) -> str:
    watch = week.watch
    used = f"{megabytes(watch.store_bytes or 0)} used, {megabytes(watch.free_bytes or 0)} free"
    if watch.growth_bytes_per_day is None:
        return used
    growth = f"{used}, growing {megabytes(watch.growth_bytes_per_day)} a day"
    if watch.days_left is None:
        return growth
    years = watch.days_left / 365.25
    if years > _MANY_YEARS:
        return f"{growth}, lasts over {_MANY_YEARS} years"
    return (
        f"{growth}, lasts {f'{years:z.0f} years' if years >= 2 else f'{watch.days_left:z.0f} days'}"
    )


def megabytes(count: float) -> str:
    """Write bytes for people."""
    if count >= 1e9:
        return f"{count / 1e9:z.1f} GB"
    return f"{count / 1e6:z.1f} MB"


_STANDS = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
_HIDDEN = {AlarmState.SUPPRESSED, AlarmState.SHELVED}
_MOST = 3


def present_sentence(store: Store, config: Config, now_utc_ms: int) -> str:
    """Say which alarms stood at an instant.

    Raises:
        StoreError: the store can't be read.
    """
    standing = store.standing(now_utc_ms + 1)
    told = [each for each in standing if each.state in _STANDS]
    # Shelved, or withheld by a trial that was left open: what nobody is told must not be forgotten.
    hidden = [each for each in standing if each.state in _HIDDEN]
    when = f"When this was written ({short_time(now_utc_ms, config.site.timezone)})"
    unseen = f" Hidden then: {_named(hidden, config)}." if hidden else ""
    if not told:
        return f"{when} no alarm stood.{unseen}"
    return f"{when}: {_named(told, config)}.{unseen}"


def _named(alarms: Sequence[Transition], config: Config) -> str:
    names = display_names(config)
    words = [f"{names.get(each.subject, each.subject)} {predicate(each)}" for each in alarms]
    more = f" and {len(words) - _MOST} more" if len(words) > _MOST else ""
    return ", ".join(words[:_MOST]) + more


UNKNOWN = "-"

PROOF_OF_LIFE = (
    "This mail is also the proof of life: it comes every week, whether there is anything to tell or"
    " not. When it does not come, the watch, its mail or its power needs a hand."
)

_RETURNED = (
    "Returned: over, and not acknowledged by anybody. Once the weekly mail is delivered, the"
    " returned alarms in it count as acknowledged."
)

_MOST_ALARMS = 20
_NO_CURVE = "no derating curve is set"


@dataclass(frozen=True, slots=True)
class Table:
    """A table: headings, rows of as many cells, and the columns that are aligned to the left."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left: tuple[int, ...] = (0,)


@dataclass(frozen=True, slots=True)
class DeviceCard:
    """A device with its figures one below the other, for narrow screens."""

    id: str
    name: str
    figures: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Summary:
    """A whole summary in words."""

    subject: str
    title: str
    span: str
    verdict: WeekInBrief
    change: str
    present: str
    matters: tuple[Matter, ...]
    returned: str
    glance: Table
    temperatures: Table
    rises: Table
    cards: tuple[DeviceCard, ...]
    sensors: Table
    sensors_narrow: Table
    alarms: Table
    alarms_more: int
    measures: tuple[tuple[str, str], ...]
    watch: tuple[tuple[str, str], ...]
    remarks: tuple[tuple[str, str], ...]
    footnotes: tuple[str, ...]
    cautions: tuple[str, ...]
    proof_of_life: str
    no_smoke_alarm: str


def summary_of(week: Week, present: str = "") -> Summary:
    """Put a week into words.

    Args:
        week: its figures.
        present: a sentence on how things stood when this was written, for who reads it fresh.
    """
    matters = matters_of(week)
    verdict = verdict_of(week, matters)
    number_of_week = IsoWeek.parse(week.week).number
    return Summary(
        subject=f"[Weekly summary] {verdict.short} - {week.site}, week {number_of_week}",
        title=f"Week {number_of_week} at {week.site}",
        span=_span(week),
        verdict=verdict,
        change=change_of(week),
        present=present,
        matters=tuple(matters),
        returned=_RETURNED if any(alarm.state == "returned" for alarm in week.alarms) else "",
        glance=_glance(week),
        temperatures=_temperatures(week),
        rises=_rises(week),
        cards=tuple(_card(device, week) for device in week.devices),
        sensors=_sensors(week),
        sensors_narrow=_narrow(_sensors(week)),
        alarms=_alarms(week),
        alarms_more=max(0, len(week.alarms) - _MOST_ALARMS),
        measures=tuple(_measures(week)),
        watch=tuple(watch_words(week)),
        remarks=tuple(
            (short_time(each.utc_ms, week.timezone), printable(each.text)) for each in week.remarks
        ),
        footnotes=tuple(_footnotes(week)),
        cautions=DEVICE_CAUTIONS,
        proof_of_life=PROOF_OF_LIFE,
        no_smoke_alarm=NO_SMOKE_ALARM,
    )


def _span(week: Week) -> str:
    first, last = (
        short_time(utc_ms, week.timezone).rsplit(" ", 1)[0]
        for utc_ms in (week.from_utc_ms, week.to_utc_ms - 1)
    )
    told = f"{first} to {last} {IsoWeek.parse(week.week).year} ({week.week}), {week.timezone} time"
    if week.is_over:
        return told
    return f"{told}; so far, up to {short_time(week.made_utc_ms, week.timezone)}"


def _glance(week: Week) -> Table:
    """Give what matters most of each device, in as many columns as a phone has room for."""
    return Table(
        ("Device", "Highest, °C", "Settled rise, K (normal)", "Hot-day margin, K (before)", "Life"),
        tuple(
            (
                device.name,
                figure(None if device.temperature is None else device.temperature.highest),
                _beside(device.settled_rise_k, device.normal_rise_k),
                _beside(device.hot_day_margin_k, device.hot_day_margin_last_week_k),
                figure(device.life_factor, 2),
            )
            for device in week.devices
        ),
    )


def _beside(value: float | None, other: float | None) -> str:
    return figure(value) if value is None or other is None else f"{number(value)} ({number(other)})"


def _temperatures(week: Week) -> Table:
    return Table(
        ("Device", "mean", "95 %", "highest", "when", "rise", "95 %", "highest", "when"),
        tuple(
            (
                device.name,
                *_spread(device.temperature, week),
                *_spread(device.rise, week),
            )
            for device in week.devices
        ),
    )


def _spread(spread: Spread | None, week: Week) -> tuple[str, str, str, str]:
    if spread is None:
        return (UNKNOWN,) * 4
    return (
        figure(spread.mean),
        figure(spread.percentile_95),
        figure(spread.highest),
        day_time(spread.highest_utc_ms, week.timezone),
    )


def _rises(week: Week) -> Table:
    return Table(
        ("Device", "settled", "normal", "before", "least", "hot day", "before", "life", "drift"),
        tuple(
            (
                device.name,
                figure(device.settled_rise_k),
                figure(device.normal_rise_k),
                figure(device.settled_rise_last_week_k),
                figure(device.margin_k),
                figure(device.hot_day_margin_k),
                figure(device.hot_day_margin_last_week_k),
                figure(device.life_factor, 2),
                drift_words(device, short=True),
            )
            for device in week.devices
        ),
    )


def _card(device: DeviceWeek, week: Week) -> DeviceCard:
    temperature, rise = device.temperature, device.rise
    figures = [
        ("Temperature", _line(temperature, "°C", week)),
        ("Rise above ambient", _line(rise, "K", week)),
        ("Settled rise", _against(device.settled_rise_k, device.normal_rise_k, "normal", "K")),
        ("Settled rise last week", _unit(device.settled_rise_last_week_k, "K")),
        ("Least margin", _least_margin(device, week)),
        ("Hot-day margin", _hot_day_margin(device)),
        ("Drift", drift_words(device)),
        ("Life against normal", _life(device.life_factor)),
    ]
    if device.off_fraction:
        figures.append(("Off", f"{percent(device.off_fraction)} of the time"))
    if device.known < 0.995:
        figures.append(("Temperature known", f"{percent(device.known)} of the week"))
    return DeviceCard(device.id, device.name, tuple(figures))


def _line(spread: Spread | None, unit: str, week: Week) -> str:
    if spread is None:
        return "not known"
    when = short_time(spread.highest_utc_ms, week.timezone)
    return (
        f"mean {spread.mean:z.1f} {unit}, 95th percentile {spread.percentile_95:z.1f} {unit},"
        f" highest {spread.highest:z.1f} {unit} ({when})"
    )


def _against(value: float | None, other: float | None, name: str, unit: str) -> str:
    if value is None:
        return "not known"
    return _unit(value, unit) + ("" if other is None else f" ({name} {_unit(other, unit)})")


def _unit(value: float | None, unit: str) -> str:
    return "not known" if value is None else f"{number(value)} {unit}"


def _least_margin(device: DeviceWeek, week: Week) -> str:
    """Say how near it came to its threshold, or that it has none."""
    if _lacks_a_curve(device):
        return _NO_CURVE
    return _when(device.margin_k, device.margin_utc_ms, week)


def _hot_day_margin(device: DeviceWeek) -> str:
    if _lacks_a_curve(device):
        return _NO_CURVE
    return _against(device.hot_day_margin_k, device.hot_day_margin_last_week_k, "last week", "K")


def _lacks_a_curve(device: DeviceWeek) -> bool:
    """Whether only the curve was missing for a margin: temperature and ambient were known."""
    return device.margin_k is None and device.rise is not None


def _when(value: float | None, utc_ms: int | None, week: Week) -> str:
    when = "" if utc_ms is None else f" ({short_time(utc_ms, week.timezone)})"
    return _unit(value, "K") + when


def _life(factor: float | None) -> str:
    if factor is None:
        return "not known"
    return f"x {factor:z.2f}{' (shorter)' if factor < 0.995 else ''}"


def drift_words(device: DeviceWeek, *, short: bool = False) -> str:
    """Say how a device's cooling drifts, in a cell or in a sentence."""
    drift = device.drift
    if drift is None or drift.significant is None:
        return UNKNOWN if short else "can't be told yet"
    if not drift.significant or drift.climb_per_week is None:
        return "none" if short else "none to be seen"
    climb, ends = 100 * drift.climb_per_week, drift.exhausted_in_days
    if short:
        return f"{climb:+z.1f} %" if ends is None else counted(round(ends), "day")
    if ends is None:
        return f"{climb:+z.1f} % a week"
    lasts = counted(round(ends), "day")
    return f"{climb:+z.1f} % a week; the hot-day margin lasts {lasts} at this pace"


def _sensors(week: Week) -> Table:
    return Table(
        ("Sensor", "quantity", "readings", "heard", "gaps", "longest", "faults"),
        tuple(_sensor(sensor) for sensor in week.sensors),
        (0, 1, 6),
    )


def _narrow(sensors: Table) -> Table:
    """Give the sensors with fewer columns: a phone is narrow."""
    _, _, _, *rest = sensors.headings
    rows = tuple(
        (f"{name} ({quantity}, {readings} reading{'' if readings == '1' else 's'})", *cells)
        for name, quantity, readings, *cells in sensors.rows
    )
    return Table(("Sensor", *rest), rows)


def _sensor(sensor: SensorWeek) -> tuple[str, ...]:
    heard = sensor.availability
    faults = [f"{count} {name}" for name, count in sorted(sensor.faults.items())]
    if sensor.unreadable:
        faults.append(f"{sensor.unreadable} unreadable")
    return (
        sensor.called,
        sensor.quantity,
        f"{sensor.readings:,}".replace(",", " "),
        ("on change" if sensor.heard_every_s is None else UNKNOWN)
        if heard is None
        else percent(heard),
        str(sensor.gaps) if heard is not None else UNKNOWN,
        describe_duration(sensor.longest_gap_s) if sensor.gaps else UNKNOWN,
        ", ".join(faults) or "none",
    )


def _alarms(week: Week) -> Table:
    return Table(
        ("Raised", "Priority", "Alarm", "stood", "acknowledged", "state"),
        tuple(_alarm(alarm, week) for alarm in week.alarms[-_MOST_ALARMS:]),
        (0, 1, 2, 5),
    )


def _alarm(alarm: AlarmWeek, week: Week) -> tuple[str, ...]:
    seen = UNKNOWN
    if alarm.acknowledged_s is not None:
        seen = f"after {describe_duration(alarm.acknowledged_s)}"
    again = f" (x {alarm.raises})" if alarm.raises > 1 else ""
    return (
        day_time(alarm.raised_utc_ms, week.timezone)
        if alarm.raised_utc_ms >= week.from_utc_ms
        else short_time(alarm.raised_utc_ms, week.timezone).rsplit(" ", 1)[0],
        alarm.priority,
        f"{alarm.name}: {alarm.says}{again}",
        describe_duration(alarm.stood_s),
        seen,
        {"normal": "over", "unacknowledged": "stands"}.get(alarm.state, alarm.state),
    )


def _measures(week: Week) -> Iterable[tuple[str, str]]:
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


def _footnotes(week: Week) -> Iterable[str]:
    yield (
        "95 %: the percentile of minute means; 95 % of the week was at or below it."
        if week.minutes
        else "95 %: the percentile of quarter-hour means, for the minutes of this week are gone."
    )
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


def figure(value: float | None, decimals: int = 1) -> str:
    """Write a figure for a cell."""
    return UNKNOWN if value is None else number(value, decimals)


def day_time(utc_ms: int, timezone: str) -> str:
    """Write an instant within a week, e.g. Wed 13:42."""
    day, _, _, clock_time = short_time(utc_ms, timezone).split(" ")
    return f"{day} {clock_time}"


def column_widths(table: Table) -> Sequence[int]:
    """Give the width of each column in characters."""
    lines = (table.headings, *table.rows)
    return [max(len(line[index]) for line in lines) for index in range(len(table.headings))]

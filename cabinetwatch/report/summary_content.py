"""What a summary says, in words and cells, before it is dressed as text or HTML. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from cabinetwatch.notify.phrases import DEVICE_CAUTIONS, NO_SMOKE_ALARM
from cabinetwatch.report.page_words import number, short_time
from cabinetwatch.report.summary_advice import (
    Matter,
    Verdict,
    change_of,
    matters_of,
    verdict_of,
)
from cabinetwatch.report.summary_figures import (
    AlarmWeek,
    DeviceWeek,
    SensorWeek,
    Spread,
    Week,
)
from cabinetwatch.report.summary_watch_words import watch_words
from cabinetwatch.report.summary_week import IsoWeek
from cabinetwatch.report.summary_words import percent
from cabinetwatch.text import counted, printable
from cabinetwatch.times import describe_duration

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
    verdict: Verdict
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

"""What a summary says of the watch itself: whether it ran, what it told, and its disk. Pure."""

from collections.abc import Iterable

from cabinetwatch.report.summary_figures import Week
from cabinetwatch.report.summary_words import percent, times
from cabinetwatch.text import counted
from cabinetwatch.times import describe_duration

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

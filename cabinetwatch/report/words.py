"""Words and figures that page and summary share. Pure."""

from zoneinfo import ZoneInfo

from cabinetwatch.clock import to_datetime
from cabinetwatch.config.equipment import Device

UNKNOWN = "—"

_STEADY_K = 0.5
"""A rise that settles less than this away from where it is counts as settled."""


def subjects_of(device_id: str, device: Device) -> set[str]:
    """Give a device and the sensors that belong to it."""
    sensors = {device.temperature, device.ambient, device.fan, device.sound, *device.power}
    return {device_id} | {sensor for sensor in sensors if sensor is not None}


def short_time(utc_ms: int, timezone: str) -> str:
    """Write an instant to the minute, e.g. Wed 25 Nov 13:42."""
    return _local(utc_ms, timezone, "%a %-d %b %H:%M")


def clock_time(utc_ms: int, timezone: str) -> str:
    """Write the time of day with its seconds, e.g. 13:42:05."""
    return _local(utc_ms, timezone, "%H:%M:%S")


def long_date(utc_ms: int, timezone: str) -> str:
    """Write the date with the name of the zone's time, e.g. Wed 25 Nov 2026, GMT."""
    return _local(utc_ms, timezone, "%a %-d %b %Y, %Z")


def number(value: float | None, decimals: int = 1) -> str:
    """Write a figure without its unit; a dash for what is unknown."""
    return UNKNOWN if value is None else f"{value:z.{decimals}f}"


def direction(rise_k: float | None, settled_rise_k: float | None) -> tuple[str, str]:
    """Give an arrow and a word for where a rise is heading; both empty while that is unknown."""
    if rise_k is None or settled_rise_k is None:
        return "", ""
    if settled_rise_k > rise_k + _STEADY_K:
        return "↗", "rising"
    if settled_rise_k < rise_k - _STEADY_K:
        return "↘", "falling"
    return "→", "steady"


def _local(utc_ms: int, timezone: str, form: str) -> str:
    return to_datetime(utc_ms).astimezone(ZoneInfo(timezone)).strftime(form)


def times(count: int) -> str:
    """Say how often.

    >>> times(0), times(1), times(2), times(3)
    ('never', 'once', 'twice', '3 times')
    """
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")


def percent(part: float) -> str:
    """Write a part in per cent, never rounded up to all of it.

    >>> percent(0.95617), percent(0.99999), percent(1.0)
    ('95.6 %', '99.9 %', '100 %')
    """
    return f"{min(99.9, 100 * part):z.1f} %" if part < 1 else "100 %"


def capital(sentence: str) -> str:
    """Begin a sentence with a capital letter."""
    return sentence[:1].upper() + sentence[1:]

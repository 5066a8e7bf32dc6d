"""The pictures that page and mail show: a device over a span, and the trend of its rise."""

from collections.abc import Sequence

import numpy as np

from cabinetwatch.charts.picture import AlarmMark, Curve, Line, NoteMark, Picture, Role


def device_picture(
    name: str,
    span: str,
    *,
    from_utc_ms: int,
    to_utc_ms: int,
    timezone: str,
    temperature: Curve,
    ambient: Curve,
    threshold: Curve,
    alarms: Sequence[AlarmMark] = (),
    notes: Sequence[NoteMark] = (),
) -> Picture:
    """A device's temperature with its band from lowest to highest, its ambient and its threshold.

    Args:
        name: of the device.
        span: in words, such as "last 24 hours"; it ends the title.
        from_utc_ms: where the picture begins.
        to_utc_ms: where it ends.
        timezone: of the site.
        temperature: of the device, degC.
        ambient: of the air around it, degC; without points where there is no such sensor.
        threshold: its derating threshold, degC; without points where it has no curve.
        alarms: of the device, marked A1, A2, ... in this order.
        notes: marked N1, N2, ... in this order.
    """
    sentences = [_extremes("Temperature", temperature, "°C")]
    if ambient.known:
        sentences.append(_extremes("Ambient", ambient, "°C"))
    if threshold.known:
        sentences.append(_against(temperature, threshold))
    sentences += _counts(alarms, notes)
    return Picture(
        title=f"{name}, {span}",
        description=" ".join(sentences),
        unit="°C",
        from_utc_ms=from_utc_ms,
        to_utc_ms=to_utc_ms,
        timezone=timezone,
        lines=(
            Line(threshold, Role.THRESHOLD, "Threshold"),
            Line(ambient, Role.AMBIENT, "Ambient"),
            Line(temperature, Role.DEVICE, "Device", band=True),
        ),
        alarms=tuple(alarms),
        notes=tuple(notes),
    )


def trend_picture(
    name: str,
    span: str,
    *,
    from_utc_ms: int,
    to_utc_ms: int,
    timezone: str,
    rise: Curve,
    normal: Curve,
    alarms: Sequence[AlarmMark] = (),
    notes: Sequence[NoteMark] = (),
) -> Picture:
    """A device's rise above ambient, day by day, against what is normal for it.

    Args:
        name: of the device.
        span: in words, such as "last 13 weeks"; it ends the title.
        from_utc_ms: where the picture begins.
        to_utc_ms: where it ends.
        timezone: of the site.
        rise: in K, one point a day with the day's lowest and highest.
        normal: the normal rise, in K; without points while it is not known.
        alarms: of the device, marked A1, A2, ... in this order.
        notes: marked N1, N2, ... in this order.
    """
    sentences = [_extremes("Rise above ambient", rise, "K")]
    if normal.known:
        sentences.append(f"Normal rise {_last(normal):z.1f} K at the end.")
    sentences += _counts(alarms, notes)
    return Picture(
        title=f"{name}, rise above ambient, {span}",
        description=" ".join(sentences),
        unit="K",
        from_utc_ms=from_utc_ms,
        to_utc_ms=to_utc_ms,
        timezone=timezone,
        lines=(
            Line(normal, Role.NORMAL, "Normal"),
            Line(rise, Role.DEVICE, "Rise", band=True),
        ),
        alarms=tuple(alarms),
        notes=tuple(notes),
    )


def _extremes(what: str, curve: Curve, unit: str) -> str:
    if not curve.known:
        return f"{what} not known in this span."
    low, high = np.nanmin(curve.low), np.nanmax(curve.high)
    return f"{what} from {low:z.1f} to {high:z.1f} {unit}, at the end {_last(curve):z.1f} {unit}."


def _against(temperature: Curve, threshold: Curve) -> str:
    """Say how near the temperature came to the threshold, at their nearest in time."""
    written = f"Threshold {_last(threshold):z.1f} °C at the end"
    if not temperature.known:
        return f"{written}."
    known = np.isfinite(threshold.mean)
    there = np.interp(temperature.utc_ms, threshold.utc_ms[known], threshold.mean[known])
    least_k = float(np.nanmin(there - temperature.high))
    if least_k < 0:
        return f"{written}; passed by {-least_k:z.1f} K at the most."
    return f"{written}; at the least {least_k:z.1f} K below it."


def _last(curve: Curve) -> float:
    return float(curve.mean[np.isfinite(curve.mean)][-1])


def _counts(alarms: Sequence[AlarmMark], notes: Sequence[NoteMark]) -> list[str]:
    counted = ((len(alarms), "alarm"), (len(notes), "note"))
    words = [f"{count} {word}{'' if count == 1 else 's'}" for count, word in counted if count]
    return [f"{' and '.join(words)} marked."] if words else []

"""The pictures of a trial: temperatures over its phases, and the rise with what was fitted."""

from collections.abc import Sequence

import numpy as np

from cabinetwatch.charts.picture import Curve, Line, NoteMark, Picture, Role, Shade


def temperature_picture(
    name: str,
    *,
    timezone: str,
    temperature: Curve,
    ambient: Curve,
    threshold_c: float | None,
    phases: Sequence[Shade],
    notes: Sequence[NoteMark] = (),
) -> Picture:
    """A device's temperature and its ambient over the phases of a trial.

    Args:
        name: of the device.
        timezone: of the site.
        temperature: of the device, degC.
        ambient: of the air around it, degC.
        threshold_c: its derating threshold at the load of the after phase, None where unknown.
        phases: in order of time; the first and the last bound the picture.
        notes: marked N1, N2, ... in this order.
    """
    span = _span(phases)
    lines = [Line(ambient, Role.AMBIENT, "Ambient"), Line(temperature, Role.DEVICE, "Device")]
    if threshold_c is not None:
        lines.insert(0, Line(_level(span, threshold_c), Role.THRESHOLD, "Threshold"))
    return Picture(
        title=f"{name}: temperature and ambient",
        description=f"{_range('Device', temperature, '°C')} {_range('Ambient', ambient, '°C')}",
        unit="°C",
        from_utc_ms=span[0],
        to_utc_ms=span[1],
        timezone=timezone,
        lines=tuple(lines),
        notes=tuple(notes),
        shades=tuple(phases),
    )


def rise_picture(
    name: str,
    *,
    timezone: str,
    rise: Curve,
    fitted: Curve,
    settled: Curve,
    phases: Sequence[Shade],
) -> Picture:
    """The rise over the phases, the response that was fitted, and where it settles.

    Args:
        name: of the device.
        timezone: of the site.
        rise: device minus ambient as the device feels it, K.
        fitted: the same by the fitted response, K.
        settled: the settled rise of each phase with its 95 % interval as lowest and highest, K.
        phases: in order of time; the first and the last bound the picture.
    """
    span = _span(phases)
    return Picture(
        title=f"{name}: rise above ambient",
        description=_range("Rise", rise, "K"),
        unit="K",
        from_utc_ms=span[0],
        to_utc_ms=span[1],
        timezone=timezone,
        lines=(
            Line(settled, Role.BEFORE, "Settled", band=True),
            Line(rise, Role.DEVICE, "Rise"),
            Line(fitted, Role.NORMAL, "Fitted"),
        ),
        shades=tuple(phases),
        least_span=4.0,
    )


def _span(phases: Sequence[Shade]) -> tuple[int, int]:
    return min(p.from_utc_ms for p in phases), max(p.to_utc_ms for p in phases)


def _level(span: tuple[int, int], value: float) -> Curve:
    values = np.array([value, value])
    return Curve(np.array(span, dtype=float), values, values, values)


def _range(what: str, curve: Curve, unit: str) -> str:
    if not curve.known:
        return f"{what} not known."
    return f"{what} from {np.nanmin(curve.low):z.1f} to {np.nanmax(curve.high):z.1f} {unit}."

"""The pictures of a trial report, made of its case and its figures, as parts of a page."""

from itertools import pairwise

import numpy as np

from cabinetwatch.charts.canvas import draw_svg
from cabinetwatch.charts.picture import Curve, NoteMark, Shade, curve
from cabinetwatch.charts.svg import inlined
from cabinetwatch.charts.trial import rise_picture, temperature_picture
from cabinetwatch.report.trial_case import Case, results_of
from cabinetwatch.trial.data import EMPTY, Floats, Series
from cabinetwatch.trial.figures import TrialFigures
from cabinetwatch.trial.phases import PhaseResult

_POINTS = 240

_Points = list[tuple[float, float, float, float]]


def draw_charts(case: Case, figures: TrialFigures) -> list[tuple[str, str]]:
    """Give the pictures that can be drawn: what each shows, and the picture as inline SVG."""
    phases = [
        Shade(start, end, name)
        for name, (start, end) in sorted(case.intervals.items(), key=lambda each: each[1])
    ]
    if not phases:
        return []
    timezone = case.config.site.timezone
    device = case.config.devices[case.device]
    temperature = temperature_picture(
        case.name,
        timezone=timezone,
        temperature=_curve(case, device.temperature),
        ambient=_curve(case, device.ambient),
        threshold_c=figures.threshold_c,
        phases=phases,
        notes=[NoteMark(deed.utc_ms, deed.text) for deed in case.notes],
    )
    drawn = [("Temperature", inlined(draw_svg(temperature), "temperature"))]
    results = sorted(results_of(case).items(), key=lambda each: each[1].phase.start_ms)
    if results:
        rise = rise_picture(
            case.name,
            timezone=timezone,
            rise=_joined([_measured(result) for _, result in results]),
            fitted=_joined([_fitted(result) for _, result in results]),
            settled=_joined([_settled(name, result, figures) for name, result in results]),
            phases=phases,
        )
        drawn.append(("Rise above the ambient", inlined(draw_svg(rise), "rise")))
    return drawn


def _curve(case: Case, sensor: str | None) -> Curve:
    """Average what a sensor read over equal stretches of the whole trial."""
    series = _with_between(case, sensor)
    start_ms, end_ms = case.span
    if not len(series.t_ms):
        return curve([])
    step_ms = max((end_ms - start_ms) / _POINTS, 1.5 * _longest_usual_gap_ms(case, sensor))
    number = ((series.t_ms - start_ms) // step_ms).astype(int)
    inside = (series.t_ms >= start_ms) & (series.t_ms < end_ms)
    points = []
    for bucket in np.unique(number[inside]):
        values = series.value[inside & (number == bucket)]
        middle_ms = start_ms + (bucket + 0.5) * step_ms
        points.append((middle_ms, float(values.mean()), float(values.min()), float(values.max())))
    return curve(points, 2 * step_ms)


def _with_between(case: Case, sensor: str | None) -> Series:
    """What a sensor read in the phases, with its means between them, in order of time."""
    pieces = [each.get(sensor or "", EMPTY) for each in (case.readings, case.between)]
    t_ms = np.concatenate([piece.t_ms for piece in pieces])
    order = np.argsort(t_ms, kind="stable")
    return Series(t_ms[order], np.concatenate([piece.value for piece in pieces])[order])


def _longest_usual_gap_ms(case: Case, sensor: str | None) -> float:
    """What usually lies between two readings, or two means where those lie further apart."""
    pieces = [each.get(sensor or "", EMPTY).t_ms for each in (case.readings, case.between)]
    return max((float(np.median(np.diff(t_ms))) for t_ms in pieces if len(t_ms) > 1), default=0.0)


def _measured(result: PhaseResult) -> _Points:
    return _points(result, result.profile.temperature_c - result.settling.felt_ambient_c)


def _fitted(result: PhaseResult) -> _Points:
    return _points(result, result.settling.fitted_c - result.settling.felt_ambient_c)


def _points(result: PhaseResult, values: Floats) -> _Points:
    times_ms = result.phase.start_ms + result.profile.t_s * 1000
    return [(t, v, v, v) for t, v in zip(times_ms.tolist(), values.tolist(), strict=True)]


def _settled(name: str, result: PhaseResult, figures: TrialFigures) -> _Points:
    """The settled rise with its whole interval, as a level over the phase."""
    rise = (figures.before if name == "before" else figures.after).rise or result.rise
    level = (rise.value, rise.low, rise.high)
    phase = result.phase
    return [(float(phase.start_ms), *level), (float(phase.end_ms - 1), *level)]


def _joined(pieces: list[_Points]) -> Curve:
    """Put the pieces of the phases one after the other, broken in between."""
    points = list(pieces[0])
    for before, after in pairwise(pieces):
        points.append(((before[-1][0] + after[0][0]) / 2, np.nan, np.nan, np.nan))
        points += after
    return curve(points)

"""A trial report as HTML: one file that needs nothing else.

Its pictures are inline SVG, drawn of what the analysis left in the figures; nothing is fitted here.
"""

from dataclasses import replace
from html import escape
from itertools import pairwise

import numpy as np
from markupsafe import Markup

from cabinetwatch.notify.mail import TEMPLATES
from cabinetwatch.report.canvas import DARK_RULES, draw_svg, inlined
from cabinetwatch.report.picture import (
    Curve,
    Shade,
    Timeline,
    curve,
    rise_picture,
    temperature_picture,
)
from cabinetwatch.report.trial_case import (
    CHANGES,
    HOW,
    MOST_REASONS,
    NOTHING_FOLLOWS,
    PHASE_HEADINGS,
    SETTLED,
    Case,
    figure_rows,
    note_lines,
    parts_of_hot_day,
    phase_rows,
    verdict_words,
)
from cabinetwatch.report.words import FOLDER, short_time
from cabinetwatch.text import typeset
from cabinetwatch.trial.judgement import CAUTIONS, TrialFigures
from cabinetwatch.trial.phases import PhaseResult
from cabinetwatch.trial.readings import EMPTY, Estimate, Floats, Phase

_POINTS = 240

_Points = list[tuple[float, float, float, float]]


def html_of(case: Case, figures: TrialFigures) -> bytes:
    """Give the report as a file; everything from outside is escaped."""
    timezone = case.config.site.timezone
    span = case.span if case.intervals else None
    bar, legend = draw_bar(case, figures)
    text = TEMPLATES.get_template("report/templates/trial.html.j2").render(
        case=case,
        site=case.config.site.name,
        span=[short_time(at, timezone) for at in span] if span else [],
        timezone=timezone,
        verdict=figures.verdict,
        words=verdict_words(figures),
        reasons=[typeset(reason) for reason in figures.reasons],
        most_reasons=MOST_REASONS,
        how=HOW,
        headings=PHASE_HEADINGS,
        phases=[[typeset(cell) for cell in row] for row in phase_rows(case, figures)],
        figures=[
            (name, typeset(value))
            for name, value in figure_rows(figures, case.config.site.temperature_unit)
        ],
        settled=SETTLED,
        changes=CHANGES,
        nothing=NOTHING_FOLLOWS,
        # Ours: pictures and style hold no text from outside that is not escaped.
        charts=[(title, Markup(svg)) for title, svg in draw_charts(case, figures)],  # noqa: S704
        bar=Markup(bar),  # noqa: S704
        legend=[(kind, typeset(words)) for kind, words in legend],
        setpoints=figures.setpoints.as_toml(),
        notes=note_lines(case),
        cautions=CAUTIONS,
        policy=_POLICY,
        style=Markup(_STYLE),  # noqa: S704
    )
    return text.encode("utf-8", "replace")


_STYLE = (FOLDER / "trial.css").read_text(encoding="utf-8").replace("DARK_RULES", DARK_RULES)
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def draw_charts(case: Case, figures: TrialFigures) -> list[tuple[str, str]]:
    """Give the pictures that can be drawn: what each shows, and the picture as inline SVG."""
    phases = [Shade(start, end, name) for name, (start, end) in case.in_order()]
    if not phases:
        return []
    site, device = case.config.site, case.config.devices[case.device]
    timeline = Timeline(*case.span, site.timezone, shades=phases)
    temperature = temperature_picture(
        case.name,
        replace(timeline, notes=case.notes),
        site.temperature_unit,
        temperature=_curve(case, device.temperature),
        ambient=_curve(case, device.ambient),
        threshold_c=figures.threshold_c,
    )
    drawn = [("Temperature", inlined(draw_svg(temperature), "temperature"))]
    measured = [
        (each.result, each.rise or each.result.rise)
        for each in (figures.before, figures.after)
        if each.result is not None
    ]
    if measured:
        rise = rise_picture(
            case.name,
            timeline,
            site.temperature_unit,
            rise=_joined([_points(result, result.profile.temperature_c) for result, _ in measured]),
            fitted=_joined([_points(result, result.settling.fitted_c) for result, _ in measured]),
            settled=_joined([_level(result.phase, settled) for result, settled in measured]),
        )
        drawn.append(("Rise above the surrounding air", inlined(draw_svg(rise), "rise")))
    return drawn


def _curve(case: Case, sensor: str | None) -> Curve:
    """Average what a sensor read, and its means between the phases, over equal stretches."""
    pieces = [each.get(sensor or "", EMPTY) for each in (case.readings, case.between)]
    t_ms = np.concatenate([piece.t_ms for piece in pieces])
    order = np.argsort(t_ms, kind="stable")
    start_ms, end_ms = case.span
    inside = order[slice(*np.searchsorted(t_ms[order], (start_ms, end_ms)))]
    if not len(inside):
        return curve([])
    # What usually lies between two readings, or two means where those lie further apart.
    gaps_ms = [float(np.median(np.diff(each.t_ms))) for each in pieces if len(each.t_ms) > 1]
    step_ms = max((end_ms - start_ms) / _POINTS, 1.5 * max(gaps_ms, default=0.0))
    numbers, first = np.unique((t_ms[inside] - start_ms) // step_ms, return_index=True)
    values = np.concatenate([piece.value for piece in pieces])[inside]
    points = [
        (start_ms + (number + 0.5) * step_ms, part.mean(), part.min(), part.max())
        for number, part in zip(numbers, np.split(values, first[1:]), strict=True)
    ]
    return curve(points, 2 * step_ms)


def _points(result: PhaseResult, temperature_c: Floats) -> _Points:
    """How far temperatures lie above the ambient that the device felt."""
    times_ms = result.phase.start_ms + result.profile.t_s * 1000
    rise_k = temperature_c - result.settling.felt_ambient_c
    return [(t, k, k, k) for t, k in zip(times_ms.tolist(), rise_k.tolist(), strict=True)]


def _level(phase: Phase, rise: Estimate) -> _Points:
    """The settled rise with its whole interval, as a level over the phase."""
    level = (rise.value, rise.low, rise.high)
    return [(float(phase.start_ms), *level), (float(phase.end_ms - 1), *level)]


def _joined(pieces: list[_Points]) -> Curve:
    """Put the pieces of the phases one after the other, broken in between."""
    points = list(pieces[0])
    for before, after in pairwise(pieces):
        points.append(((before[-1][0] + after[0][0]) / 2, np.nan, np.nan, np.nan))
        points += after
    return curve(points)


_WIDTH, _LEFT, _RIGHT = 400.0, 6.0, 394.0
_BAR_TOP, _BAR_HEIGHT = 34.0, 30.0


def draw_bar(case: Case, figures: TrialFigures) -> tuple[str, list[tuple[str, str]]]:
    """Give the sum of the hottest day as inline SVG, with class and words of each part of it.

    Both are empty where the hottest day is not known.
    """
    hot_c, threshold_c = figures.hot_day_temperature_c, figures.threshold_c
    margin, unit = figures.hot_day_margin, case.config.site.temperature_unit
    if hot_c is None:
        return "", []
    parts, most_c = parts_of_hot_day(case, figures), hot_c
    if threshold_c is not None and margin is not None:
        most_c = max(hot_c, threshold_c, threshold_c - margin.low)
    least_c = min(0.0, parts[0].until_c)
    scale = (_RIGHT - _LEFT) / (most_c * 1.08 - least_c)

    def x(value_c: float) -> float:
        return _LEFT + (value_c - least_c) * scale

    drawn, at_c = [], least_c
    for part in parts:
        low_c, high_c = sorted((at_c, part.until_c))
        drawn.append(
            f'<rect class="{part.kind}" x="{x(low_c):z.1f}" y="{_BAR_TOP}"'
            f' width="{x(high_c) - x(low_c):z.1f}" height="{_BAR_HEIGHT}"/>'
        )
        at_c = part.until_c
    middle = _BAR_TOP + _BAR_HEIGHT / 2
    if margin is not None and threshold_c is not None:
        low_c, high_c = threshold_c - margin.high, threshold_c - margin.low
        drawn.append(
            f'<path class="whisker" d="M{x(low_c):z.1f} {middle}H{x(high_c):z.1f}'
            f'M{x(low_c):z.1f} {middle - 6}v12M{x(high_c):z.1f} {middle - 6}v12"/>'
        )
        drawn.append(
            f'<path class="limit" d="M{x(threshold_c):z.1f} {_BAR_TOP - 8}v{_BAR_HEIGHT + 16}"/>'
            f'<text x="{min(x(threshold_c), _RIGHT):z.1f}" y="{_BAR_TOP - 14}" text-anchor="end">'
            f"threshold {unit.temperature(threshold_c)}</text>"
        )
    drawn.append(
        f'<text x="{x(hot_c):z.1f}" y="{_BAR_TOP + _BAR_HEIGHT + 22}" text-anchor="end">'
        f"{unit.temperature(hot_c)} on the hottest day</text>"
    )
    words = escape(typeset(", ".join(part.text for part in parts)))
    picture = (
        f'<svg class="bar" viewBox="0 0 {_WIDTH:z.0f} 96" role="img" aria-label="{words}">'
        f"<title>{words}</title>{''.join(drawn)}</svg>"
    )
    return picture, [(part.kind, part.text) for part in parts]

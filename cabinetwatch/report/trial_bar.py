"""The hottest day as a bar: what adds up to its temperature, held against the threshold."""

from html import escape
from typing import NamedTuple

from cabinetwatch.report.trial_case import Case, subject_of
from cabinetwatch.trial.figures import TrialFigures

_WIDTH, _LEFT, _RIGHT = 400.0, 6.0, 394.0
_BAR_TOP, _BAR_HEIGHT = 34.0, 30.0


class _Part(NamedTuple):
    """A part of the sum, K (or degC for the first), and what it is."""

    value: float
    kind: str
    text: str


def draw_bar(case: Case, figures: TrialFigures) -> str:
    """Give the bar as inline SVG; empty where the hottest day is not known."""
    hot_c, threshold_c, margin = (
        figures.hot_day_temperature_c,
        figures.threshold_c,
        figures.hot_day_margin,
    )
    if hot_c is None:
        return ""
    parts = _parts(case, figures)
    ends = (
        [hot_c]
        if threshold_c is None or margin is None
        else [hot_c, threshold_c, threshold_c - margin.low]
    )
    least_c = min(0.0, parts[0].value)
    scale = (_RIGHT - _LEFT) / (max(ends) * 1.08 - least_c)

    def x(value_c: float) -> float:
        return _LEFT + (value_c - least_c) * scale

    drawn, at_c = [], least_c
    for part in parts:
        until_c = part.value if part.kind == "outside" else at_c + part.value
        low_c, high_c = min(at_c, until_c), max(at_c, until_c)
        drawn.append(
            f'<rect class="{part.kind}" x="{x(low_c):z.1f}" y="{_BAR_TOP}"'
            f' width="{x(high_c) - x(low_c):z.1f}" height="{_BAR_HEIGHT}"/>'
        )
        at_c = until_c
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
            f"threshold {threshold_c:z.1f} °C</text>"
        )
    drawn.append(
        f'<text x="{x(hot_c):z.1f}" y="{_BAR_TOP + _BAR_HEIGHT + 22}" text-anchor="end">'
        f"{hot_c:z.1f} °C on the hottest day</text>"
    )
    words = escape(", ".join(part.text for part in parts))
    return (
        f'<svg class="bar" viewBox="0 0 {_WIDTH:z.0f} 96" role="img" aria-label="{words}">'
        f"<title>{words}</title>{''.join(drawn)}</svg>"
    )


def bar_legend(case: Case, figures: TrialFigures) -> list[tuple[str, str]]:
    """Give the class and the words of each part of the bar."""
    if figures.hot_day_temperature_c is None:
        return []
    return [(part.kind, part.text) for part in _parts(case, figures)]


def _parts(case: Case, figures: TrialFigures) -> list[_Part]:
    subject, rise = subject_of(case), figures.after.rise
    design_c = subject.design_ambient_c
    parts = [_Part(design_c, "outside", f"{design_c:z.1f} °C outside")]
    for around in subject.enclosing:
        if around.settled_rise_k is not None:
            words = f"{around.settled_rise_k:z.1f} K of {around.device}"
            parts.append(_Part(around.settled_rise_k, "around", words))
    if subject.derating_air == "device" and rise is not None:
        parts.append(_Part(rise.value, "own", f"{rise.value:z.1f} K of its own"))
    return parts

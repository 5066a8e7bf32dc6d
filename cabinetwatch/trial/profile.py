"""A phase made even: means over equal windows, of everything that was measured."""

from dataclasses import dataclass

import numpy as np

from cabinetwatch.trial.data import Floats, Phase, Series

MOST_WINDOWS = 120
"""Enough to see a response (20 windows a time constant over six of them); our choice."""


@dataclass(frozen=True)
class Profile:
    """Means of a phase over m equal windows.

    `t_s` (m,) middles of the windows, from the begin of the phase; `temperature_c` and `count` (m,)
    with NaN and 0 where nothing was read; `ambient_c` and `power_w` (m,) without holes, the latter
    None where no power is known. `mean_power_w` over the phase.
    """

    t_s: Floats
    width_s: float
    temperature_c: Floats
    count: Floats
    ambient_c: Floats
    power_w: Floats | None

    @property
    def span_s(self) -> float:
        """The length of the phase in s."""
        return self.width_s * len(self.t_s)

    @property
    def mean_power_w(self) -> float | None:
        """Time mean of the power in W; None where none is known."""
        return None if self.power_w is None else float(np.mean(self.power_w))

    @property
    def load(self) -> Floats:
        """Power over its mean (m,); all 1 where it isn't known."""
        if self.power_w is None or self.mean_power_w == 0:
            return np.ones_like(self.t_s)
        return np.asarray(self.power_w / np.mean(self.power_w))


def make_profile(phase: Phase) -> Profile:
    """Average a phase over equal windows, as many as its temperature readings can fill.

    Expects cleaned readings (see `cleaning`), at least two of temperature and one of ambient.
    """
    span_s = (phase.end_ms - phase.start_ms) / 1000.0
    gap_s = float(np.median(np.diff(phase.temperature.t_ms))) / 1000.0
    windows = int(min(MOST_WINDOWS, max(2.0, span_s / max(gap_s, 1e-3))))
    edges_s = np.linspace(0.0, span_s, windows + 1)
    middles_s = (edges_s[1:] + edges_s[:-1]) / 2
    t_s, temperature, count = _window_means(phase.temperature, phase.start_ms, edges_s)
    return Profile(
        np.where(count > 0, t_s, middles_s) * 0 + middles_s,
        span_s / windows,
        temperature,
        count,
        _filled(phase.ambient, phase.start_ms, edges_s, middles_s),
        None if phase.power is None else _filled(phase.power, phase.start_ms, edges_s, middles_s),
    )


def _window_means(series: Series, start_ms: int, edges_s: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean instant, mean value and number of readings per window."""
    t_s = (series.t_ms - start_ms) / 1000.0
    windows = len(edges_s) - 1
    row = np.clip(np.searchsorted(edges_s, t_s, side="right") - 1, 0, windows - 1)
    count = np.bincount(row, minlength=windows).astype(float)
    with np.errstate(invalid="ignore"):
        instant = np.bincount(row, t_s, windows) / count
        mean = np.bincount(row, series.value, windows) / count
    return instant, mean, count


def _filled(series: Series, start_ms: int, edges_s: Floats, middles_s: Floats) -> Floats:
    """Window means, on straight lines through the windows in which nothing was read."""
    instant, mean, count = _window_means(series, start_ms, edges_s)
    known = count > 0
    return np.interp(middles_s, instant[known], mean[known])

"""The fitting code that trials use, against certified values and a real record."""

from pathlib import Path

import numpy as np
import pytest

from cabinetwatch.trial.fit import (
    Designs,
    Model,
    fit_separable,
    is_poor,
    lagged,
    whitened_products,
)
from cabinetwatch.trial.readings import Floats, Profile

# NIST StRD, nonlinear regression, Misra1a: y = b1 (1 - exp(-b2 x)). The data end at 0.42 of the
# time constant.
MISRA_X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1,
           760.0]  # fmt: skip
MISRA_Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40,
           75.47, 81.78]  # fmt: skip
# NIST StRD, nonlinear regression, BoxBOD: the same model.
BOXBOD_X = [1.0, 2.0, 3.0, 5.0, 7.0, 10.0]
BOXBOD_Y = [109.0, 149.0, 149.0, 191.0, 213.0, 224.0]


def _saturating(x: list[float], y: list[float]) -> Model:
    at, data = np.array(x), np.array(y)
    return lambda tau: ((1 - np.exp(-at / tau))[:, None], data)


def _cooling(t: Floats, temperature_c: Floats) -> Model:
    ones = np.ones_like(t)
    return lambda tau: (np.column_stack([ones, np.exp(-t / tau)]), temperature_c)


def _fit(model: Model, within: tuple[float, float], start: float) -> tuple[float, Floats, Floats]:
    """Time constant, coefficients and residuals."""
    tau, coefficients = fit_separable(model, within, start)
    columns, data = model(tau)
    return tau, coefficients, data - columns @ coefficients


@pytest.mark.parametrize("start", [1e4, 2000.0])
def test_misra1a_is_as_certified(start: float) -> None:
    # The starts of NIST: b2 = 1e-4 and 5e-4.
    tau, coefficients, residuals = _fit(_saturating(MISRA_X, MISRA_Y), (10.0, 1e6), start)
    assert coefficients[0] == pytest.approx(2.3894212918e02, rel=1e-6)
    assert 1 / tau == pytest.approx(5.5015643181e-04, rel=1e-6)
    assert residuals @ residuals == pytest.approx(1.2455138894e-01, rel=1e-8)


@pytest.mark.parametrize("start", [1.0, 1 / 0.75, 0.011, 900.0])
def test_boxbod_is_as_certified_from_every_start(start: float) -> None:
    # The first two are the starts of NIST; from the first a plain search ends at RSS 9771.5.
    tau, coefficients, residuals = _fit(_saturating(BOXBOD_X, BOXBOD_Y), (0.01, 1e3), start)
    assert coefficients[0] == pytest.approx(2.1380940889e02, rel=1e-6)
    assert 1 / tau == pytest.approx(5.4723748542e-01, rel=1e-6)
    assert residuals @ residuals == pytest.approx(1.1680088766e03, rel=1e-8)


@pytest.mark.parametrize(
    ("first", "last", "asymptote_c", "tau_min", "rss", "correlation", "poor"),
    # Least squares with scipy 1.17.1 on the record of the R package mosaicData. The whole record's
    # asymptote lies above its last reading: impossible for what cools.
    [
        (0, 221, 27.0045, 47.6999, 484.612, 0.987, True),
        (60, 221, 23.2459, 77.3246, 1.53078, 0.786, False),
        (120, 221, 22.2543, 90.004, 0.13786, -0.018, False),
        (0, 60, 41.2829, 24.8282, 26.8129, 0.916, True),
    ],
)
def test_a_mug_of_water_is_fitted_and_a_poor_fit_told(
    *,
    first: int,
    last: int,
    asymptote_c: float,
    tau_min: float,
    rss: float,
    correlation: float,
    poor: bool,
) -> None:
    text = Path(__file__).with_name("cooling_water.txt").read_text()
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    water_c = np.array([float(word) for line in lines for word in line.split()])[first : last + 1]
    t_min = np.arange(first, last + 1, dtype=float)
    tau, coefficients, residuals = _fit(_cooling(t_min, water_c), (1.0, 1000.0), 50.0)
    assert coefficients[0] == pytest.approx(asymptote_c, abs=1e-3)
    assert tau == pytest.approx(tau_min, abs=2e-3)
    assert residuals @ residuals == pytest.approx(rss, rel=1e-3)
    neighbours = np.corrcoef(residuals[1:], residuals[:-1])[0, 1]
    assert neighbours == pytest.approx(correlation, abs=1e-3)
    assert is_poor(residuals, float(np.ptp(water_c))) is poor


def test_samples_of_a_step_give_its_end() -> None:
    # Arithmetic on three of them: T_inf = (T1 T3 - T2^2) / (T1 + T3 - 2 T2) = 58.000, tau 1200 s.
    t_s = np.array([0.0, 300.0, 600.0, 900.0])
    temperature_c = 58.0 - 20.0 * np.exp(-t_s / 1200.0)
    assert temperature_c[:3] == pytest.approx([38.0, 42.42398, 45.86939], abs=1e-5)
    tau, coefficients, _ = _fit(_cooling(t_s, temperature_c), (10.0, 1e5), 100.0)
    assert (coefficients[0], tau) == pytest.approx((58.0, 1200.0), abs=1e-2)


def test_a_wandering_load_is_weighed_as_by_its_whole_covariance() -> None:
    # Generalised least squares with the covariance written out: w of 0.4 K and 600 s, passed
    # through two lags, and 0.1 K of white noise; one window is missing.
    windows, width_s, noise_k = 30, 60.0, 0.1
    slow_s, share, ratio = 900.0, 0.7, 4.0
    keep = np.exp(-width_s / 600.0)
    # The variance of the mean over a window of a first-order process (textbooks).
    part = 600.0 / width_s
    variance = 0.4**2 * 2 * part * (1 - part * (1 - np.exp(-1 / part)))
    apart = np.abs(np.subtract.outer(np.arange(windows), np.arange(windows)))
    # A lag settled at 0 takes nothing of the first window but by the straight line to the next.
    passing = np.zeros((windows, windows))
    for column in range(windows):
        kick = np.eye(windows)[column]
        slow, fast = (
            lagged(kick, width_s, np.array([tau_s]))[0] for tau_s in (slow_s, slow_s / ratio)
        )
        passing[:, column] = share * slow + (1 - share) * fast
    passing[:, 0] -= share * np.exp(-width_s * np.arange(windows) / slow_s)
    passing[:, 0] -= (1 - share) * np.exp(-width_s * np.arange(windows) * ratio / slow_s)
    covariance = passing @ (variance * keep**apart) @ passing.T + noise_k**2 * np.eye(windows)
    data = np.random.default_rng(3).standard_normal((1, windows, 8))
    count = np.ones(windows)
    count[11] = 0
    t_s = np.arange(0.5, windows, dtype=np.float64) * width_s
    still = np.full(windows, 20.0)
    profile = Profile(t_s, width_s, still, count, still, None)
    tau, slow, part_slow, ratios, prior = np.array([[1000.0], [slow_s], [share], [ratio], [1.0]])
    designs = Designs(tau, slow, part_slow, ratios, prior, np.array([0]))
    products, log_det = whitened_products(
        profile, designs, np.array([[0.4, 600.0, 1.0]]), data, noise_k
    )
    rows = np.flatnonzero(count)
    seen, inner = data[0][rows], covariance[np.ix_(rows, rows)] / noise_k**2
    assert products[0, 0] == pytest.approx(seen.T @ np.linalg.solve(inner, seen), rel=1e-9)
    assert log_det[0, 0] == pytest.approx(np.linalg.slogdet(inner)[1], rel=1e-9)

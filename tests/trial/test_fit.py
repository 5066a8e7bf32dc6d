"""The fit that trials use, against generalised least squares written out and a real record."""

from pathlib import Path

import numpy as np
import pytest

from cabinetwatch.trial import fit
from cabinetwatch.trial.fit import Designs, Groups, lagged, settle, whitened_products
from cabinetwatch.trial.readings import Floats, Profile


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
    read = np.ones(windows, dtype=bool)
    read[11] = False
    tau, slow, part_slow, ratios, prior = np.array([[1000.0], [slow_s], [share], [ratio], [1.0]])
    designs = Designs(tau, slow, part_slow, ratios, prior, np.array([0]))
    groups = Groups(width_s, read, np.full(windows, noise_k))
    products, log_det = whitened_products(groups, designs, np.array([[0.4, 600.0, 1.0]]), data)
    seen, inner = data[0][read], covariance[np.ix_(read, read)]
    assert products[0, 0] == pytest.approx(seen.T @ np.linalg.solve(inner, seen), rel=1e-9)
    assert log_det[0, 0] == pytest.approx(np.linalg.slogdet(inner)[1], rel=1e-9)


def test_a_mug_of_water_cools_to_the_air_around_it() -> None:
    # A record of the R package mosaicData, a reading a minute. From the third hour on a
    # single exponential fits to 0.04 K; its asymptote is 22.25 degC (least squares, scipy 1.17.1).
    text = Path(__file__).with_name("cooling_water.txt").read_text()
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    words = [word for line in lines for word in line.split()]
    water_c: Floats = np.array(words, dtype=np.float64)[120:219]
    t_s = np.arange(0.5, 99.0) * 60.0
    still = np.full(len(water_c), 20.0)
    told = settle(Profile(t_s, 60.0, water_c, np.ones_like(t_s), still, None))
    assert told.rise.low < 2.25 < told.rise.high
    # It had 5 K further to go than 2.25 when the record began, 1.7 K when it ended.
    assert told.rise.high - told.rise.low < 12.0
    assert not told.poor


def test_at_its_response_time_a_structure_has_gone_632_per_mille_of_its_way() -> None:
    for share, ratio, _ in fit.STRUCTURES:
        t = fit.response_time(share, ratio)
        left = share * np.exp(-t) + (1.0 - share) * np.exp(-ratio * t)
        assert left == pytest.approx(np.exp(-1.0))


def test_the_ends_of_a_rise_are_those_of_students_distribution() -> None:
    # Tables of Student's t: 2.571 at 97.5 % and 5 degrees of freedom.
    one, none = np.ones(1), np.zeros(1, dtype=np.int64)
    rise = fit.Hypotheses(7.0 * one, one, 10.0 * one, 0.5 * one, none, none, 5.0).rise()
    assert rise.value == pytest.approx(10.0, abs=0.02)
    half = 0.5 * 2.571
    assert (rise.low, rise.high) == pytest.approx((10.0 - half, 10.0 + half), abs=0.05)

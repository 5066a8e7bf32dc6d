"""The simulation that trials are tried on, against the matrix exponential."""

import numpy as np
import pytest
from scipy.linalg import expm

from tests.trial.physics import GRID_S, one_node, two_nodes

MODEL = two_nodes(
    part_j_k=1000.0,
    mass_j_k=3000.0,
    part_to_air_w_k=2.0,
    part_to_mass_w_k=3.0,
    mass_to_air_w_k=1.0,
    lag_s=20.0,
    at_mass=0.3,
    bypass=0.1,
)


def test_steps_agree_with_the_matrix_exponential() -> None:
    power_w, ambient_c = np.full(400, 10.0), 20 + np.sin(np.arange(400) / 50)
    sensed, last = MODEL.run(np.full(3, 20.0), power_w, ambient_c)
    block = np.zeros((5, 5))
    block[:3, :3], block[:3, 3], block[:3, 4] = MODEL.a, MODEL.b_power, MODEL.b_ambient
    step = expm(block * GRID_S)[:3]
    state = np.full(3, 20.0)
    for i in range(400):
        assert sensed[i] == pytest.approx(MODEL.c @ state + MODEL.d * ambient_c[i], abs=1e-9)
        state = step @ np.concatenate([state, [power_w[i], ambient_c[i]]])
    assert last == pytest.approx(state, abs=1e-9)


def test_a_long_run_settles_at_resistance_times_power() -> None:
    sensed, _ = MODEL.run(np.full(3, 20.0), np.full(20_000, 10.0), np.full(20_000, 20.0))
    # The sensor's share of direct ambient makes its rise smaller than the air's.
    assert sensed[-1] - 20.0 == pytest.approx(10.0 * MODEL.resistance_k_w, abs=1e-6)


def test_the_time_constant_is_when_63_percent_are_reached() -> None:
    model = one_node(2.0, 2400.0, 0.5, 0.0)
    assert model.time_constant_s == pytest.approx(1200.0, rel=1e-3)
    assert sum(share for _, share in MODEL.modes) == pytest.approx(1.0)

"""What detection is measured against: a plain setpoint on raw rise, and an oracle."""

from __future__ import annotations

import numpy as np

from tests.benchmarks.physics import Array, Fault, Record

ON_DELAY_S = 60
ORACLE_EVIDENCE = 14.0
"""Log-likelihood ratio of one false alarm in about 1e6 instants."""


def sustained_raw_rise(record: Record, temperature_c: Array) -> Array:
    """Raw rise that has held for the on-delay, at each temperature reading."""
    index = np.searchsorted(record.ambient_t_s, record.t_s, side="right") - 1
    raw = temperature_c - record.ambient_c[np.maximum(index, 0)]
    held = max(1, -(-ON_DELAY_S // record.interval_s)) + 1
    padded = np.concatenate([np.full(held - 1, -np.inf), raw])
    windows = np.lib.stride_tricks.sliding_window_view(padded, held)
    return np.asarray(windows.min(axis=1))


def tightest_setpoint_k(record: Record, from_s: float) -> float:
    """The lowest raw-rise setpoint without a false alarm on the sound record."""
    held = sustained_raw_rise(record, record.sound_c)
    return float(held[record.t_s >= from_s].max()) + 1e-6


def setpoint_delay_s(record: Record, fault: Fault, setpoint_k: float) -> float:
    """Delay of the plain setpoint; infinite when the fault ends first."""
    held = sustained_raw_rise(record, record.faulty_c)
    during = (record.t_s >= fault.start_s) & (record.t_s < fault.end_s) & (held > setpoint_k)
    times = record.t_s[during]
    return float(times[0] - fault.start_s) if len(times) else float("inf")


def oracle_delay_s(record: Record, fault: Fault) -> float:
    """Delay of one who knows all but the noise: expected log-likelihood ratio at the limit."""
    during = (record.t_s >= fault.start_s) & (record.t_s < fault.end_s)
    shape = record.faulty_true_c[during] - record.sound_true_c[during]
    evidence = np.cumsum(shape**2) / (2 * record.noise_k**2)
    reached = np.nonzero(evidence >= ORACLE_EVIDENCE)[0]
    return float(record.t_s[during][reached[0]] - fault.start_s) if len(reached) else float("inf")

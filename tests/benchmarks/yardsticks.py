"""What lost cooling is found by besides: a plain setpoint on raw rise, and an oracle."""

import numpy as np
import numpy.typing as npt

ON_DELAY_S = 60.0
ORACLE_EVIDENCE = 14.0
"""Log-likelihood ratio of one false alarm in about 1e6 instants."""

Numbers = npt.NDArray[np.float64] | npt.NDArray[np.float32]


def held_rise_k(
    t_s: Numbers, warm_c: Numbers, ambient_t_s: Numbers, ambient_c: Numbers, interval_s: float
) -> npt.NDArray[np.float64]:
    """Raw rise that has held for the on-delay, at each temperature reading."""
    index = np.searchsorted(ambient_t_s, t_s, side="right") - 1
    raw = warm_c - ambient_c[np.maximum(index, 0)]
    held = 1 + max(1, -int(-ON_DELAY_S // interval_s))
    padded = np.concatenate([np.full(held - 1, -np.inf), raw])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, held).min(axis=1))


def oracle_delay_s(since_s: Numbers, gap_k: Numbers, noise_k: float) -> float:
    """Delay of one who knows all but the noise: expected log-likelihood ratio at the limit."""
    evidence = np.cumsum(gap_k.astype(np.float64) ** 2) / (2.0 * noise_k**2)
    reached = np.nonzero(evidence >= ORACLE_EVIDENCE)[0]
    return float(since_s[reached[0]]) if len(reached) else float("inf")

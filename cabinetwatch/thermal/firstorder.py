"""First-order thermal response: the closed formulas (rise dT(t) = dT_inf (1 - exp(-t/tau))).

Each raises a ValueError for figures that can't be reckoned with: times below 0, time constants not
above 0, and what is no number or beyond `bounds.LARGEST`.
"""

from __future__ import annotations

from math import expm1, inf, log

from cabinetwatch.thermal.windows import check, check_positive


def fraction_reached(time_s: float, tau_s: float) -> float:
    """Share of a step that is reached after `time_s`: 1 - exp(-t/tau)."""
    check(time_s)
    check_positive(tau_s)
    if time_s < 0.0:
        raise ValueError(f"a response takes time, not {time_s:zg} s")
    return -expm1(-time_s / tau_s)


def time_to_fraction_s(fraction: float, tau_s: float) -> float:
    """Time after which a share of a step is reached; 0 <= fraction < 1."""
    if not 0.0 <= fraction < 1.0:
        raise ValueError(f"fraction must be at least 0 and below 1, not {fraction}")
    check_positive(tau_s)
    return -tau_s * log(1.0 - fraction)


def filter_gain(step_s: float, tau_s: float) -> float:
    """Gain of a first-order low pass for one step: 1 - exp(-dt/tau), exact for any step."""
    return fraction_reached(step_s, tau_s)


def asymptote_of_three(
    first_c: float, middle_c: float, last_c: float, spacing_s: float
) -> tuple[float, float] | None:
    """Settled temperature and time constant from three samples at equal spacing.

    T_inf = (T1 T3 - T2^2)/(T1 + T3 - 2 T2); tau = spacing / ln((T2 - T1)/(T3 - T2)). None when the
    samples don't approach anything: equal changes, growing changes, or changes of opposite sign.
    """
    check(first_c, middle_c, last_c)
    check_positive(spacing_s)
    before, after = middle_c - first_c, last_c - middle_c
    # Changes that hardly differ approach nothing that three samples could tell.
    if before == 0.0 or not 0.0 < after / before < 1.0 - 1e-9:
        return None
    # From the last sample on, so that no large products are subtracted.
    return last_c + after * after / (before - after), spacing_s / log(before / after)


def time_to_limit_s(now_c: float, settled_c: float, tau_s: float, limit_c: float) -> float:
    """Time until a body that warms from `now_c` to `settled_c` reaches the limit; inf if never.

    tau ln((T_inf - T0)/(T_inf - T_lim)); 0 when it is there already.
    """
    check(now_c, settled_c, limit_c)
    check_positive(tau_s)
    if now_c >= limit_c:
        return 0.0
    if settled_c <= limit_c:
        return inf
    return tau_s * log((settled_c - now_c) / (settled_c - limit_c))


def missing_k(settled_rise_k: float, tau_s: float, time_s: float) -> float:
    """What a rise that started from nothing still lacks after `time_s`."""
    check(settled_rise_k)
    return settled_rise_k * (1.0 - fraction_reached(time_s, tau_s))


def first_steady_window_s(
    settled_rise_k: float, tau_s: float, window_s: float = 1800.0, change_k: float = 3.0
) -> float:
    """Start of the first window in which a rise from nothing changes by no more than `change_k`.

    The defaults are the steady-state criterion of product safety (3 K in 30 min; IEC 62368-1, from
    memory). It is met before the end is reached: see `missing_k`.
    """
    check(settled_rise_k)
    check_positive(change_k)
    change_at_start_k = settled_rise_k * fraction_reached(window_s, tau_s)
    if change_at_start_k <= change_k:
        return 0.0
    return tau_s * log(change_at_start_k / change_k)

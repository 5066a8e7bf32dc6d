"""Whether a phase reached the steady state, by a published criterion and by what is missing."""

from dataclasses import dataclass

import numpy as np

from cabinetwatch.times import describe_duration
from cabinetwatch.trial.data import Floats
from cabinetwatch.trial.profile import Profile
from cabinetwatch.trial.settling import Settling

LONG_WINDOW_S, LONG_CHANGE_K = 1800.0, 3.0
SHORT_WINDOW_S, SHORT_CHANGE_K = 300.0, 1.0
"""IEC 62368-1, steady state, from memory: the rise changes by no more than 3 K in 30 min; or, when
at least 10 % below its limit, by no more than 1 K in 5 min."""

MOST_MISSING = 0.05
LEAST_MISSING_K = 0.3
"""The criterion is met long before the end by slow or little warmed gear. So the phase must also
have shown all but 5 % of the rise (three time constants), or all but 0.3 K; our choice."""


@dataclass(frozen=True)
class Steadiness:
    """`by_criterion` alone, `settled` with what is missing besides, and both in words."""

    by_criterion: bool
    settled: bool
    sentence: str


def judge_steadiness(
    settling: Settling, profile: Profile, limit_c: float | None, name: str
) -> Steadiness:
    """Judge a phase; `limit_c` is the threshold that its temperature must stay under, if known."""
    rise_k = settling.fitted_c - settling.felt_ambient_c
    below = limit_c is None or float(settling.fitted_c[-1]) <= 0.9 * limit_c
    window_s, most_k = LONG_WINDOW_S, LONG_CHANGE_K
    if profile.span_s < LONG_WINDOW_S and below:
        window_s, most_k = SHORT_WINDOW_S, SHORT_CHANGE_K
    change_k = _change_k(profile, rise_k, window_s)
    by_criterion = change_k is not None and abs(change_k) <= most_k
    missing_k = settling.missing_k
    enough_k = max(LEAST_MISSING_K, MOST_MISSING * abs(settling.rise.value))
    settled = by_criterion and abs(missing_k) <= enough_k and not settling.poor
    seen = _seen(change_k, describe_duration(window_s), most_k)
    outcome = "settled" if settled else "not settled, so the settled rise is a fitted asymptote"
    sentence = (
        f"The {name} phase {seen}, and {missing_k:+.2f} K were still to come: {outcome}"
        " (criterion of IEC 62368-1, from memory)."
    )
    return Steadiness(by_criterion, settled, sentence)


def _change_k(profile: Profile, rise_k: Floats, window_s: float) -> float | None:
    """Change of the fitted rise in the last `window_s`; None when the phase is shorter."""
    if profile.span_s < window_s:
        return None
    since_s = profile.t_s[-1] - window_s
    return float(rise_k[-1] - np.interp(since_s, profile.t_s, rise_k))


def _seen(change_k: float | None, window: str, most_k: float) -> str:
    if change_k is None:
        return f"is shorter than the {window} over which steadiness is judged"
    return f"changed by {change_k:+.2f} K in its last {window} ({most_k:g} K are allowed)"

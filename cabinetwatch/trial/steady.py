"""Whether a phase reached the steady state, by a published criterion and by what is missing."""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from cabinetwatch.times import describe_duration
from cabinetwatch.trial.data import Floats
from cabinetwatch.trial.profile import Profile
from cabinetwatch.trial.settling import Settling

LONG_WINDOW_S, LONG_CHANGE_K = 1800.0, 3.0
SHORT_WINDOW_S, SHORT_CHANGE_K = 300.0, 1.0
"""IEC 62368-1, steady state, from memory: the rise changes by no more than 3 K in 30 min; or, when
at least 10 % below its limit, by no more than 1 K in 5 min. What has no limit counts as below."""

MOST_MISSING = 0.05
LEAST_MISSING_K = 0.3
"""The criterion is met long before the end by slow or little warmed gear. So the phase must also
have shown all but 5 % of the rise (three time constants), or all but 0.3 K; our choice."""

LEFT = 2.0
"""A phase that had settled has left the steady state when it passes its limits by this factor; our
choice. Without it, one near its limits would be settled one minute and not the next."""


@dataclass(frozen=True)
class Steadiness:
    """`by_criterion` alone, `settled` with what is missing besides, and both in words.

    `near`: not settled, but it would still be if it had been before.
    """

    by_criterion: bool
    settled: bool
    sentence: str
    near: bool = False


class _Seen(NamedTuple):
    """The change that a window shows, K (None when the phase is shorter), and what is allowed."""

    change_k: float | None
    window_s: float
    most_k: float

    @property
    def part(self) -> float:
        """The change as a part of what is allowed."""
        return math.inf if self.change_k is None else abs(self.change_k) / self.most_k

    @property
    def words(self) -> str:
        window = describe_duration(self.window_s)
        if self.change_k is None:
            return f"is shorter than the {window} over which steadiness is judged"
        allowed = f"({self.most_k:zg} K are allowed)"
        return f"changed by {_signed(self.change_k)} in its last {window} {allowed}"


def judge_steadiness(
    settling: Settling, profile: Profile, limit_c: float | None, name: str
) -> Steadiness:
    """Judge a phase; `limit_c` is the threshold that its temperature must stay under, if known."""
    rise_k = settling.fitted_c - settling.felt_ambient_c
    below = limit_c is None or float(settling.fitted_c[-1]) <= 0.9 * limit_c
    seen = [_Seen(_change_k(profile, rise_k, LONG_WINDOW_S), LONG_WINDOW_S, LONG_CHANGE_K)]
    if below:
        seen.append(
            _Seen(_change_k(profile, rise_k, SHORT_WINDOW_S), SHORT_WINDOW_S, SHORT_CHANGE_K)
        )
    calmest = min(seen, key=lambda each: each.part)
    missing_k = settling.missing_k
    enough_k = max(LEAST_MISSING_K, MOST_MISSING * abs(settling.rise.value))
    by_criterion = calmest.part <= 1
    furthest = max(calmest.part, abs(missing_k) / enough_k)
    settled = furthest <= 1 and not settling.poor
    near = furthest <= LEFT and not settling.poor and not settled
    outcome = "settled" if settled else "not settled, so the settled rise is a fitted asymptote"
    sentence = (
        f"The {name} phase {calmest.words}, and {_signed(missing_k)} were still to come: {outcome}"
        " (criterion of IEC 62368-1, from memory)."
    )
    return Steadiness(by_criterion, settled, sentence, near)


def held(steadiness: Steadiness, name: str) -> Steadiness:
    """Give the judgement of a phase that is near its limits and had settled before."""
    sentence = (
        f"The {name} phase had settled, and has moved since by no more than {LEFT:zg} times what"
        " settled gear may: settled (criterion of IEC 62368-1, from memory)."
    )
    return Steadiness(steadiness.by_criterion, True, sentence)


def _change_k(profile: Profile, rise_k: Floats, window_s: float) -> float | None:
    """Change of the fitted rise in the last `window_s`; None when the phase is shorter."""
    if profile.span_s < window_s:
        return None
    since_s = profile.t_s[-1] - window_s
    return float(rise_k[-1] - np.interp(since_s, profile.t_s, rise_k))


def _signed(value_k: float) -> str:
    return f"{value_k:+z.1f} K"

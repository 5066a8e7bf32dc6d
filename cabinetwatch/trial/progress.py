"""A phase under way: whether it has settled and the next may start, and how long that will take."""

import math
from dataclasses import dataclass

from cabinetwatch.times import describe_duration
from cabinetwatch.trial.data import Phase, Subject
from cabinetwatch.trial.phases import PhaseResult, analyse_phase, with_history
from cabinetwatch.trial.steady import LEAST_MISSING_K, MOST_MISSING, SHORT_WINDOW_S
from cabinetwatch.trial.zero import zero_offset

LONGEST_TOLD_S = 2 * 86_400.0


@dataclass(frozen=True)
class Progress:
    """Where a phase stands.

    `settled`: the next may start. `left_s`: how long that will still take, None where it can't be
    told. `sentence`: both in words.
    """

    settled: bool
    left_s: float | None
    sentence: str


def phase_progress(phase: Phase, name: str, limit_c: float | None) -> Progress:
    """Judge a before or after phase that still goes on; `phase` ends now."""
    result = analyse_phase(phase, name, limit_c)
    if isinstance(result, str):
        return Progress(False, None, f"{result} It can't be said yet how long the phase must last.")
    result = with_history(result, name, limit_c)
    rise = result.settling.rise
    measured = f"a rise of {rise.value:z.1f} K ({rise.low:z.1f} to {rise.high:z.1f})"
    if result.settling.poor:
        return Progress(
            False,
            None,
            f"The {name} phase does not follow the response of a device at steady cooling:"
            " something changed within it; begin the phase anew once all is as it shall be.",
        )
    if result.steadiness.settled:
        return Progress(
            True, 0.0, f"The {name} phase has settled at {measured}; the next may start."
        )
    left_s = _left_s(result)
    if left_s is None:
        return Progress(
            False, None, f"The {name} phase has not settled; how long it takes can't be told yet."
        )
    missing_k = result.settling.missing_k
    return Progress(
        False,
        left_s,
        f"The {name} phase has not settled: heading for {measured}, {missing_k:+z.1f} K are still"
        f" to come; about {describe_duration(left_s)} more.",
    )


def zero_progress(phase: Phase, subject: Subject, limit_k: float) -> Progress:
    """Judge a zero phase that still goes on: device off, sensors in the same air."""
    zero = zero_offset(phase, subject, None, limit_k)
    if zero.offset_k is None:
        return Progress(False, None, zero.sentence)
    return Progress(True, 0.0, f"{zero.sentence} The next phase may start.")


def _left_s(result: PhaseResult) -> float | None:
    """Time until so little is missing that it counts as settled."""
    settling, span_s = result.settling, result.profile.span_s
    window_s = max(0.0, SHORT_WINDOW_S - span_s)
    tau_s = settling.rough_time_constant_s
    if tau_s is None:
        return None
    enough_k = max(LEAST_MISSING_K, MOST_MISSING * abs(settling.rise.value))
    missing_k = abs(settling.missing_k)
    decay_s = 0.0
    if missing_k > enough_k:
        decay_s = tau_s * math.log(missing_k / enough_k)
    left_s = max(decay_s, window_s, 60.0)
    return None if left_s > LONGEST_TOLD_S else left_s

"""The time constants of both phases, each from its own response and from the other phase's.

A change of cooling changes the thermal resistance, not the heat capacity. So the time constant of a
single mass goes with its settled rise per W: tau_after = tau_before R_after / R_before. A phase
that began near its steady state shows next to nothing of its own response, and has it from there.

Where part of the heat goes another way (a second mass, the case's own way to the room, a probe in
the exhaust) the time constant follows the resistance by less: a power of it below 1.

In a short phase time constant and rise hang together: a slower response means a higher end. So the
phases are compared hypothesis by hypothesis: each pair of time constants counts by how well it goes
with the rises that go with it.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from cabinetwatch.times import describe_duration
from cabinetwatch.trial.data import Floats
from cabinetwatch.trial.phases import PhaseResult
from cabinetwatch.trial.settling import Hypotheses, TimeConstant

FOLLOWS, FOLLOWS_SD = 0.85, 0.2
"""The power of the resistance's ratio by which a time constant follows, and its spread: 1 for a
single mass, 0.65 to 1.1 for the two-node devices that we simulated; our choice."""

CARRIED_SD = 0.04
"""What else may differ between two phases of one device; our choice."""

UNMEASURED_LOAD_SD = 0.05
"""How far apart loads that nobody measured may be; our choice."""

COLD_START_SD, WARM_START_SD = 0.06, 0.15
"""No time constant of a phase's own is known better (our choice, held against simulated trials).
One that began warm is worse: a change warms the masses in other shares than a start from cold."""

WARM = 0.5
"""Part of its settled rise from which on a phase began warm; our choice."""

WORST_SD = 0.35
"""A time constant known no better (95 % from half to twice of it) is not told; our choice."""

_DOF = 4.0
"""Of the distribution that disagreement is weighed by: its tails let one of two phases be wrong."""

_LEAST_RISE_K = 0.3
_MIDDLE_68 = (0.16, 0.5, 0.84)

Name = Literal["before", "after"]


@dataclass(frozen=True)
class Told:
    """The time constant that a phase is reported with, s; `sentence` where there is one to say."""

    value_s: float | None
    sentence: str | None = None


@dataclass(frozen=True)
class _Pairs:
    """Every hypothesis of before (n,) with every one of after (m,), all (n, m).

    `disagreement`: logarithm of the after time constant less what before lets expect of it, with
    its `variance`; `weight` of the pair.
    """

    disagreement: Floats
    variance: Floats
    weight: Floats


def tell_alone(result: PhaseResult, name: Name) -> Told:
    """Give what a phase tells of its own response, where there is no other one to go by."""
    own = _own(result)
    if own.log_sd <= WORST_SD:
        return Told(own.value_s)
    return Told(None, f"The {name} phase shows too little of a response to tell a time constant.")


def tell_both(
    before: PhaseResult, after: PhaseResult, offset_k: float, *, equal_load: bool
) -> tuple[Told, Told]:
    """Give the time constants of both phases; a phase that can't be trusted lends nothing.

    `offset_k` of the sensors is in both rises. Without `equal_load` the ratio of the rises tells
    little of the thermal resistance, and each phase stands alone.
    """
    alone = tell_alone(before, "before"), tell_alone(after, "after")
    rises_k = before.rise.value - offset_k, after.rise.value - offset_k
    trusted = equal_load and not (before.settling.poor or after.settling.poor)
    if min(rises_k) < _LEAST_RISE_K or not trusted:
        return alone
    first = _lifted(before.settling.hypotheses, offset_k)
    last = _lifted(after.settling.hypotheses, offset_k)
    floors = _floor_sd(before), _floor_sd(after)
    load_ratio = after.power_w / before.power_w if before.power_w and after.power_w else None
    pairs = _pair(first, last, floors, load_ratio)
    best_before = _marginal(first.log_tau[:, None], pairs, floors[0], 1.0)
    best_after = _marginal(last.log_tau, pairs, floors[1], -1.0)
    ratio = rises_k[1] / rises_k[0] / (load_ratio or 1.0)
    return (
        _worded(best_before, before, ("before", "after"), 1 / ratio) if _tells(after) else alone[0],
        _worded(best_after, after, ("after", "before"), ratio) if _tells(before) else alone[1],
    )


def _tells(result: PhaseResult) -> bool:
    """Whether a phase has anything to lend."""
    return result.settling.rough_time_constant_s is not None


def _lifted(told: Hypotheses, offset_k: float) -> Hypotheses:
    """Hypotheses without the offset of the sensors; none of no rise, which has no logarithm."""
    return told._replace(rise_k=np.maximum(told.rise_k - offset_k, _LEAST_RISE_K))


def _floor_sd(result: PhaseResult) -> float:
    settling = result.settling
    first_k = float(settling.fitted_c[0] - settling.felt_ambient_c[0])
    warm = abs(first_k) > WARM * abs(settling.rise.value)
    return WARM_START_SD if warm else COLD_START_SD


def _own(result: PhaseResult) -> TimeConstant:
    """What the phase's own response tells, known no better than its start allows."""
    own = result.settling.time_constant
    return TimeConstant(own.value_s, math.hypot(own.log_sd, _floor_sd(result)))


def _pair(
    first: Hypotheses,
    last: Hypotheses,
    floors: tuple[float, float],
    load_ratio: float | None,
) -> _Pairs:
    """Hold each time constant of before, brought over by its rises, against each of after."""
    log_ratio = np.log(last.rise_k) - np.log(first.rise_k)[:, None] - np.log(load_ratio or 1.0)
    disagreement = last.log_tau - first.log_tau[:, None] - FOLLOWS * log_ratio
    rises = (first.rise_sd_k / first.rise_k)[:, None] ** 2 + (last.rise_sd_k / last.rise_k) ** 2
    load = UNMEASURED_LOAD_SD**2 if load_ratio is None else 0.0
    variance = floors[0] ** 2 + floors[1] ** 2 + CARRIED_SD**2
    variance = variance + (FOLLOWS_SD * log_ratio) ** 2 + FOLLOWS**2 * (rises + load)
    tails = (1 + disagreement**2 / (_DOF * variance)) ** (-(_DOF + 1) / 2)
    weight = first.weight[:, None] * last.weight * tails / np.sqrt(variance)
    return _Pairs(disagreement, variance, weight / np.sum(weight))


def _marginal(log_tau: Floats, pairs: _Pairs, floor: float, towards: float) -> TimeConstant:
    """The time constant of one phase over all pairs, each moved towards what the other one says.

    By what part is as for any two figures of known variance: its own over that of the difference.
    """
    part = floor**2 / pairs.variance
    moved = (log_tau + towards * part * pairs.disagreement).ravel()
    left = float(np.sum(pairs.weight * floor**2 * (1 - part)))
    order = np.argsort(moved)
    weight = pairs.weight.ravel()[order]
    low, middle, high = np.interp(_MIDDLE_68, np.cumsum(weight) - weight / 2, moved[order])
    half = max(high - middle, middle - low)
    return TimeConstant(float(np.exp(middle)), math.hypot(half, math.sqrt(left)))


def _worded(
    best: TimeConstant, result: PhaseResult, names: tuple[Name, Name], ratio: float
) -> Told:
    """Say where a time constant comes from when it is less the phase's own than the other's."""
    name, other = names
    if best.log_sd > WORST_SD:
        return Told(
            None,
            f"The {name} phase shows too little of a response to tell a time constant, and the"
            f" {other} phase does not make up for it.",
        )
    carried = 1 - (best.log_sd / _own(result).log_sd) ** 2
    if carried <= 0.5:
        return Told(best.value_s)
    return Told(
        best.value_s,
        f"The time constant of the {name} phase ({describe_duration(best.value_s)}) is mostly"
        f" carried over from the {other} phase, which shows more of the response: the heat"
        f" capacity stays, and the thermal resistance is {ratio:z.2f} times as high.",
    )

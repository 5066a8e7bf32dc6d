"""One phase analysed, alone and beside the other: steadiness, zero, cover, time constants.

*Settled* is by a published criterion and by how much is still missing. So that everybody who asks
while it goes on gets the same answer, a phase under way is always judged up to its last mark.

*Time constants of both.* A change of cooling changes the thermal resistance, not the heat capacity.
So the time constant of a single mass goes with its settled rise per W: tau_after = tau_before
R_after / R_before. A phase that began near its steady state shows next to nothing of its own
response, and has it from there. Where part of the heat goes another way (a second mass, the case's
own way to the room, a probe in the exhaust) the time constant follows the resistance by less: a
power of it below 1. In a short phase time constant and rise hang together: a slower response means
a higher end. So each pair of hypotheses of the two phases counts by how well its time constants go
with its rises, and by whether they can be one device: its structure moves little with its cooling,
and its load wanders alike in both. The rises are averaged over the same pairs: where one phase has
shown that nothing slower is there, the other is no longer open to it.
"""

import math
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cabinetwatch.text import TemperatureUnit, describe_duration
from cabinetwatch.trial.fit import (
    LOADS,
    MIDDLE_68,
    STRUCTURES,
    Hypotheses,
    Settling,
    TimeConstant,
    settle,
)
from cabinetwatch.trial.readings import (
    COVERAGE_FACTOR,
    Estimate,
    Floats,
    Name,
    Phase,
    Profile,
    Series,
    Subject,
    UnusablePhaseError,
    clean,
    make_profile,
    mean_of,
    scatter,
    smallest_step,
)

BEGINNING = 10.0
"""A beginning of so many time constants shows the whole response; our choice."""

LONG_WINDOW = (1800.0, 3.0)
SHORT_WINDOW = (300.0, 1.0)
"""IEC 62368-1, steady state, from memory: the rise changes by no more than 3 K in 30 min; or, when
at least 10 % below its limit, by no more than 1 K in 5 min. What has no limit counts as below."""

MOST_MISSING = 0.05
LEAST_MISSING_K = 0.3
"""The criterion is met long before the end by slow or little warmed gear. So the phase must also
have shown all but 5 % of the rise (three time constants), or all but 0.3 K; our choice."""

STRAYS = 2.0
"""Nor is a phase settled whose end strays from its fit by this many times as much; our choice: less
may be a load that wanders."""

FIRST_MARK_S, MARK_GROWTH = 60.0, 1.05
"""Instants at which a phase under way is judged, in s from its beginning: a first one, and each
later by this factor than the one before; our choice."""


@dataclass(frozen=True)
class Steadiness:
    """`by_criterion` alone, `settled` with what is missing besides, and both in words."""

    by_criterion: bool
    settled: bool
    sentence: str


@dataclass(frozen=True)
class PhaseResult:
    """A phase that could be used. `rise` is without the sensors' accuracy, but with quantisation.

    `power_w` is the mean load, None where it isn't known. `is_coarse`: its response is faster than
    the groups in which it was fitted, so that its hypotheses tell of the rise alone; the response
    is that of its `beginning`, where that can be used.
    """

    phase: Phase
    profile: Profile
    settling: Settling
    steadiness: Steadiness
    rise: Estimate
    ambient_c: float
    power_w: float | None
    samples: int
    steps_k: float = 0.0
    is_coarse: bool = False
    beginning: "PhaseResult | None" = None

    @property
    def shown(self) -> "PhaseResult":
        """The phase, or its beginning, that shows the response most closely."""
        return self if self.beginning is None else self.beginning.shown

    def with_weights(self, weight: NDArray[Any]) -> Estimate:
        """Give the rise with other weights of its hypotheses."""
        return self.settling.hypotheses._replace(weight=weight).rise().widened(self.steps_k)


def analyse_phase(
    phase: Phase,
    name: str,
    limit_c: float | None,
    unit: TemperatureUnit,
    other: Phase | None = None,
) -> PhaseResult | str:
    """Analyse a phase; a sentence when it can't be used.

    `limit_c` is the threshold that its temperature must stay under, if known; `unit` that of the
    temperatures in sentences; `other` another phase of the same sensors.
    """
    try:
        cleaned = clean(phase, name, other)
    except UnusablePhaseError as problem:
        return str(problem)
    profile = make_profile(cleaned)
    settling = settle(profile)
    rough_s, beginning = settling.rough_time_constant_s, None
    is_coarse = rough_s is not None and rough_s < profile.group_s
    if rough_s is not None and is_coarse:
        until_ms = phase.start_ms + round(1000 * BEGINNING * rough_s)
        found = analyse_phase(replace(phase, end_ms=until_ms), name, limit_c, unit, other)
        beginning = None if isinstance(found, str) else found
        unknown = TimeConstant(rough_s, math.inf)
        seen = unknown if beginning is None else beginning.settling.time_constant
        settling = replace(settling, time_constant=seen)
    steps_k = math.hypot(_step_error_k(cleaned.temperature), _step_error_k(cleaned.ambient))
    return PhaseResult(
        phase=cleaned,
        profile=profile,
        settling=settling,
        steadiness=_judge_steadiness(settling, profile, limit_c, name, unit),
        rise=settling.rise.widened(COVERAGE_FACTOR * steps_k),
        steps_k=COVERAGE_FACTOR * steps_k,
        ambient_c=float(np.mean(profile.ambient_c)),
        power_w=profile.mean_power_w,
        samples=len(cleaned.temperature.value),
        is_coarse=is_coarse,
        beginning=beginning,
    )


def _step_error_k(series: Series) -> float:
    """Standard uncertainty that the steps of a sensor leave in a mean.

    A value that stays within a step is off by up to half of it: step / sqrt(12) (GUM, JCGM
    100:2008, F.2.2.1). Scatter of sd s smooths the steps out, by exp(-2 pi^2 (s / step)^2)
    (theory of dither, from memory).
    """
    step_k = smallest_step(series.value)
    if step_k == 0.0:
        return 0.0
    smoothed = math.exp(-2 * (math.pi * scatter(series.value) / step_k) ** 2)
    return step_k / math.sqrt(12.0) * smoothed


def _judge_steadiness(
    settling: Settling, profile: Profile, limit_c: float | None, name: str, unit: TemperatureUnit
) -> Steadiness:
    rise_k = settling.fitted_c - settling.felt_ambient_c
    read = profile.count > 0

    def stray_k(at_s: float, window_s: float) -> float:
        """How far the temperature strays from the fit, over a tenth of the window up to then."""
        about_s = np.linspace(at_s - window_s / 10, at_s, 10)
        apart_k = (profile.temperature_c - settling.fitted_c)[read]
        return float(np.mean(np.interp(about_s, profile.t_s[read], apart_k)))

    below = limit_c is None or float(settling.fitted_c[-1]) <= 0.9 * limit_c
    seen: list[tuple[float, str]] = []
    for window_s, most_k in (SHORT_WINDOW, LONG_WINDOW) if below else (LONG_WINDOW,):
        window = describe_duration(window_s)
        if profile.span_s < window_s:
            words = f"is shorter than the {window} over which steadiness is judged"
            seen.append((math.inf, words))
            continue
        begin_s, end_s = profile.t_s[-1] - window_s, profile.t_s[-1]
        change_k = float(rise_k[-1] - np.interp(begin_s, profile.t_s, rise_k))
        change_k += stray_k(end_s, window_s) - stray_k(begin_s, window_s)
        allowed = f"({unit.difference(most_k)} are allowed)"
        words = f"changed by {unit.difference(change_k, sign=True)} in its last {window} {allowed}"
        seen.append((abs(change_k) / most_k, words))
    # Of two windows the calmer one counts; either part is that of what is allowed.
    part, words = min(seen, key=lambda each: each[0])
    missing_k = settling.missing_k
    left_k, enough_k = stray_k(profile.t_s[-1], SHORT_WINDOW[0]), _enough_k(settling)
    settled = max(part, abs(missing_k) / enough_k) <= 1 and not settling.poor
    outcome = "it had settled"
    if abs(left_k) > STRAYS * enough_k:
        settled = False
        outcome = (
            "it had not settled: at its end the temperature had left the fitted response by"
            f" {unit.difference(left_k, sign=True)}"
        )
    elif not settled:
        outcome = (
            f"it had not settled: the fit leads {unit.difference(missing_k, sign=True)} further"
        )
    sentence = f"The {name} phase {words}; {outcome}."
    return Steadiness(part <= 1, settled, sentence)


def _enough_k(settling: Settling) -> float:
    """How much may be missing of a settled rise."""
    return max(LEAST_MISSING_K, MOST_MISSING * abs(settling.rise.value))


def last_mark_ms(start_ms: int, now_ms: int) -> int:
    """Give the last mark of a phase under way; now when there is none yet."""
    lasted_s = (now_ms - start_ms) / 1000.0
    if lasted_s < FIRST_MARK_S:
        return now_ms
    # A mark is passed in the millisecond that it is rounded to.
    number = math.floor(math.log((lasted_s + 0.0005) / FIRST_MARK_S) / math.log(MARK_GROWTH))
    return start_ms + round(1000 * FIRST_MARK_S * MARK_GROWTH**number)


LONGEST_TOLD_S = 2 * 86_400.0


class Progress(NamedTuple):
    """Where a phase under way stands.

    `settled`: the next may start. `left_s`: how long that will still take, None where it can't be
    told. `sentence`: both in words.
    """

    settled: bool
    left_s: float | None
    sentence: str


def progress_of(result: PhaseResult | str, name: str, unit: TemperatureUnit) -> Progress:
    """Say how a before or after phase stands that was analysed up to now."""
    if isinstance(result, str):
        return Progress(False, None, f"{result} How long the phase must last is not known yet.")
    settling, rise = result.settling, result.settling.rise
    measured = rise.written(unit)
    if settling.poor:
        return Progress(
            False,
            None,
            f"The {name} phase does not follow the response of a device at steady cooling:"
            " something changed within it; begin the phase again once all is as it will be.",
        )
    if result.steadiness.settled:
        return Progress(
            True, 0.0, f"The {name} phase has settled at {measured}; the next may start."
        )
    left_s = _left_s(settling, result.profile.span_s)
    if left_s is None:
        return Progress(
            False,
            None,
            f"The {name} phase has not settled; how long it will take is not known yet.",
        )
    return Progress(
        False,
        left_s,
        f"The {name} phase has not settled: settling at {measured},"
        f" {unit.difference(settling.missing_k, sign=True)} from now; about"
        f" {describe_duration(left_s)} more.",
    )


def _left_s(settling: Settling, span_s: float) -> float | None:
    """Time until so little is missing that it counts as settled."""
    tau_s = settling.rough_time_constant_s
    if tau_s is None:
        return None
    missing, enough = abs(settling.missing_k), _enough_k(settling)
    decay_s = tau_s * math.log(missing / enough) if missing > enough else 0.0
    left_s = max(decay_s, SHORT_WINDOW[0] - span_s, 60.0)
    return None if left_s > LONGEST_TOLD_S else left_s


MOST_DRIFT_K = 0.3
"""Most that the difference may move from the first third of the phase to the last; our choice."""

OFF_PART = 0.1
"""A device that draws more than this part of its running load is not off; our choice."""


class Zero(NamedTuple):
    """The offset of the rise in K, None when the phase can't be used, and why in words.

    `apart_k`: how far the sensors then were apart all the same, K; 0 where that tells nothing.
    """

    offset_k: Estimate | None
    sentence: str
    apart_k: float = 0.0


NO_ZERO = Zero(None, "")
"""Of a trial without a zero phase."""


def zero_offset(phase: Phase, subject: Subject, running_w: float | None = None) -> Zero:
    """Measure the offset, unless the phase shows that the device was not off or not yet cold.

    `running_w` is the power of the before phase.
    """
    try:
        cleaned = clean(phase, "zero")
    except UnusablePhaseError as problem:
        return Zero(None, f"The zero phase is not used. {problem}")
    profile = make_profile(cleaned)
    power_w = profile.mean_power_w
    if power_w is not None and running_w is not None and power_w > OFF_PART * running_w:
        return Zero(
            None,
            f"The zero phase is not used: {subject.device} drew {power_w:z.1f} W, it was not off.",
        )
    apart_k = (profile.temperature_c - profile.ambient_c)[profile.count > 0]
    third, unit = len(apart_k) // 3, subject.unit
    drift_k = float(np.mean(apart_k[-third:]) - np.mean(apart_k[:third]))
    if abs(drift_k) > MOST_DRIFT_K:
        return Zero(
            None,
            f"The zero phase is not used: the difference still moved by"
            f" {unit.difference(drift_k, 2, sign=True)},"
            " so the device was not yet as cold as the air.",
        )
    offset, limit_k = mean_of(apart_k), sum(subject.accuracies_k)
    written = unit.difference(offset.value, 2, sign=True)
    if offset.low > limit_k or offset.high < -limit_k:
        return Zero(
            None,
            f"The zero phase is not used: the sensors differ by {written}, more than their"
            f" accuracies allow ({unit.difference(limit_k, 2)}): they were not in the same air,"
            " or one is bad. The intervals of the rises allow for that.",
            abs(offset.value),
        )
    return Zero(offset, f"An offset of {written} between the sensors (zero phase) is taken off.")


def zero_progress(phase: Phase, subject: Subject) -> Progress:
    """Judge a zero phase that still goes on: device off, sensors in the same air."""
    zero = zero_offset(phase, subject)
    if zero.offset_k is None:
        return Progress(False, None, zero.sentence)
    return Progress(True, 0.0, f"{zero.sentence} The next phase may start.")


WITHIN_S = 600.0
"""Taking the cover off drops the temperature within minutes (common practice, no source)."""

LEAST_FALL_K = 1.5
LEAST_PART = 0.2
"""A fall that counts, in K and as a part of the rise before it; our choice."""

MOST_BY_AMBIENT = 0.4
MOST_BY_LOAD = 0.15
"""A fall is explained when the ambient fell by this part of it, or the load by this part of
itself; our choice."""


class Fall(NamedTuple):
    """The steepest fall that nothing explains: how far, K, and how long into the phase, s."""

    fall_k: float
    at_s: float
    metered: bool

    def sentence(self, name: str, unit: TemperatureUnit) -> str:
        """Say what fell, and what it may have been."""
        why = "neither the surrounding air nor the load did: the cover may have been off"
        if not self.metered:
            why = (
                "the surrounding air did not: the cover may have been off, or the load, which is"
                " not measured, fell"
            )
        return (
            f"In the {name} phase the temperature fell by {unit.difference(self.fall_k)} within ten"
            f" minutes, some {describe_duration(self.at_s)} after it began, and {why}. Begin the"
            " phase again."
        )


def cover_off(profile: Profile) -> Fall | None:
    """Find where the temperature suddenly fell with neither ambient nor load behind it.

    A phase that begins warm falls too, but from its start on and ever slower: a fall counts only
    after ten minutes in which the temperature did not fall.
    """
    rows = np.flatnonzero(profile.count > 0)
    t_s, temperature, ambient = profile.t_s[rows], profile.temperature_c[rows], profile.ambient_c
    if len(t_s) < 3 or t_s[-1] - t_s[0] < 3 * WITHIN_S:
        return None
    starts = t_s[(t_s >= t_s[0] + WITHIN_S) & (t_s <= t_s[-1] - WITHIN_S)]

    def fell(values: Floats, from_s: float, to_s: float) -> Floats:
        first, last = (np.interp(starts + at_s, t_s, values) for at_s in (from_s, to_s))
        return np.asarray(first - last)

    fell_k = fell(temperature, 0.0, WITHIN_S)
    rise_k = np.interp(starts, t_s, temperature) - np.interp(starts, t_s, ambient[rows])
    sudden = fell_k >= np.maximum(LEAST_FALL_K, LEAST_PART * rise_k)
    sudden &= fell(temperature, -WITHIN_S, 0.0) < 0.25 * fell_k
    sudden &= fell(ambient[rows], -WITHIN_S, WITHIN_S) < MOST_BY_AMBIENT * fell_k
    if profile.power_w is not None:
        first_w, last_w = (
            np.interp(starts + at_s, profile.t_s, profile.power_w) for at_s in (-WITHIN_S, WITHIN_S)
        )
        sudden &= ~(first_w - last_w > MOST_BY_LOAD * np.abs(first_w))
    if not np.any(sudden):
        return None
    worst = int(np.argmax(np.where(sudden, fell_k, -np.inf)))
    return Fall(float(fell_k[worst]), float(starts[worst]), profile.power_w is not None)


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

SHARE_SD, RATIO_SD = 0.1, 0.6
"""How far the share of the slow part, and the logarithm of the ratio of the time constants, move
with the cooling of one device. Of 1,200 simulated ones of two nodes (no longer kept) 90 % moved by
-0.06 to 0.16 and by -0.24 to 0.49; half the grid's step comes on top."""

STRANGE = 0.05
"""Part of all devices that may change their structure altogether, or the way that their load
wanders; our choice."""

UNLIKELY_PAIR = 1e-5
"""Pairs of less weight than this, beside the likeliest of their load, are let go."""

DOF = 4.0
"""Of the distribution that disagreement is weighed by: its tails let one of two phases be wrong."""

LEAST_RISE_K = 0.3

MOST_DISAGREEMENT = 3.0
"""Time constants further from what the rises let expect, in standard deviations, are not those of
one device at two coolings: a phase shows how its probe came back to the stream, or the like."""


class ReportedTimeConstant(NamedTuple):
    """The time constant that a phase is reported with, s; `sentence` where there is one to say."""

    value_s: float | None
    sentence: str | None = None


_AT_ODDS = ReportedTimeConstant(
    None,
    "No time constant is given: the responses that the two phases show are not those of one device"
    " at these rises. A phase that begins with the probe out of the warm air shows the probe's.",
)


class Together(NamedTuple):
    """What two phases tell together: settled rises in K as of `PhaseResult`, time constants.

    `wander`: what of the load wandered unmeasured, a standard deviation as a share of it.
    """

    before: Estimate
    after: Estimate
    times: tuple[ReportedTimeConstant, ReportedTimeConstant]
    wander: float


class _Pairs(NamedTuple):
    """Likely pairs of a hypothesis of before and one of after, each (n,).

    Which ones they are; `disagreement`: logarithm of the after time constant less what before lets
    expect of it, with its `variance`; `weight` of the pair.
    """

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    disagreement: Floats
    variance: Floats
    weight: Floats


def tell_alone(result: PhaseResult, name: Name) -> ReportedTimeConstant:
    """Give what a phase tells of its own response, where there is no other one to go by."""
    own = _own(result.shown)
    if own.log_sd <= WORST_SD:
        return ReportedTimeConstant(own.value_s)
    return ReportedTimeConstant(
        None, f"The {name} phase shows too little of a response to give a time constant."
    )


def tell_both(
    before: PhaseResult, after: PhaseResult, offset_k: float, *, equal_load: bool
) -> Together:
    """Tell what both phases show together; a phase that can't be trusted lends nothing.

    `offset_k` of the sensors is in both rises. Without `equal_load` the ratio of the rises tells
    little of the thermal resistance, and each phase stands alone. Of a coarse one the beginning
    tells of time constants.
    """
    told = _tell(before, after, offset_k, lends=equal_load)
    if not (before.is_coarse or after.is_coarse):
        return told
    shown = before.shown, after.shown
    lends = not any(each.is_coarse for each in shown)
    lends = lends and not (before.settling.poor or after.settling.poor)
    return told._replace(times=_tell(*shown, offset_k, lends=equal_load and lends).times)


def _tell(before: PhaseResult, after: PhaseResult, offset_k: float, *, lends: bool) -> Together:
    """Tell what two phases show in one view of them; without `lends` each stands alone."""
    alone = tell_alone(before, "before"), tell_alone(after, "after")
    rises_k = before.rise.value - offset_k, after.rise.value - offset_k
    trusted = lends and not (before.settling.poor or after.settling.poor)
    trusted = trusted and _one_load(before.settling.hypotheses, after.settling.hypotheses)
    if min(rises_k) < LEAST_RISE_K or not trusted:
        wander = max(each.settling.hypotheses.wander for each in (before, after))
        return Together(before.rise, after.rise, alone, wander)
    # A hypothesis of no rise has no logarithm.
    first, last = (
        told._replace(rise_k=np.maximum(told.rise_k - offset_k, LEAST_RISE_K))
        for told in (before.settling.hypotheses, after.settling.hypotheses)
    )
    floors = _floor_sd(before), _floor_sd(after)
    load_ratio = after.power_w / before.power_w if before.power_w and after.power_w else None
    pairs = _pair(first, last, floors, load_ratio)
    best_before = _marginal(first.log_tau[pairs.first], pairs, floors[0], 1.0)
    best_after = _marginal(last.log_tau[pairs.last], pairs, floors[1], -1.0)
    rises = (
        before.with_weights(np.bincount(pairs.first, pairs.weight, len(first.weight))),
        after.with_weights(np.bincount(pairs.last, pairs.weight, len(last.weight))),
    )
    resistances = (rises[0].value - offset_k) * (load_ratio or 1.0), rises[1].value - offset_k
    ratio = resistances[1] / max(resistances[0], LEAST_RISE_K)
    # A phase whose time constant is not even roughly known has nothing to lend.
    times = (
        _worded(best_before, (before, after), ("before", "after"), 1 / max(ratio, 1e-3))
        if after.settling.rough_time_constant_s is not None
        else alone[0],
        _worded(best_after, (after, before), ("after", "before"), ratio)
        if before.settling.rough_time_constant_s is not None
        else alone[1],
    )
    if float(pairs.weight @ (pairs.disagreement**2 / pairs.variance)) > MOST_DISAGREEMENT**2:
        times = _AT_ODDS, ReportedTimeConstant(None)
    return Together(*rises, times, float(pairs.weight @ LOADS[first.load[pairs.first], 0]))


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
    first: Hypotheses, last: Hypotheses, floors: tuple[float, float], load_ratio: float | None
) -> _Pairs:
    """Hold each hypothesis of before, brought over by its rises, against each of after.

    The load wanders alike in both phases, so that only hypotheses of one load make a pair.
    """
    found: list[_Pairs] = []
    floor = floors[0] ** 2 + floors[1] ** 2 + CARRIED_SD**2
    load = UNMEASURED_LOAD_SD**2 if load_ratio is None else 0.0
    for each in np.intersect1d(first.load, last.load):
        i, j = (np.flatnonzero(told.load == each) for told in (first, last))
        log_ratio = np.log(last.rise_k[j]) - np.log(first.rise_k[i])[:, None]
        log_ratio -= math.log(load_ratio or 1.0)
        disagreement = last.log_tau[j] - first.log_tau[i][:, None] - FOLLOWS * log_ratio
        rises = (first.rise_sd_k[i] / first.rise_k[i])[:, None] ** 2
        rises = rises + (last.rise_sd_k[j] / last.rise_k[j]) ** 2
        variance = floor + (FOLLOWS_SD * log_ratio) ** 2 + FOLLOWS**2 * (rises + load)
        tails = (1 + disagreement**2 / (DOF * variance)) ** (-(DOF + 1) / 2)
        weight = first.weight[i][:, None] * last.weight[j] * tails / np.sqrt(variance)
        weight *= _akin()[first.structure[i][:, None], last.structure[j]] / LOADS[each, 2]
        rows, columns = np.nonzero(weight > UNLIKELY_PAIR * np.max(weight))
        kept = (rows, columns)
        found.append(_Pairs(i[rows], j[columns], disagreement[kept], variance[kept], weight[kept]))
    pairs = _Pairs(*(np.concatenate(parts) for parts in zip(*found, strict=True)))
    return pairs._replace(weight=pairs.weight / np.sum(pairs.weight))


def _one_load(first: Hypotheses, last: Hypotheses) -> bool:
    """Whether the load may have wandered alike in both phases: by the ratio of likelihoods."""
    alike = [np.bincount(told.load, told.weight, len(LOADS)) for told in (first, last)]
    ratio = float(np.sum(alike[0] * alike[1] / LOADS[:, 2]))
    return ratio * (1 - STRANGE) > STRANGE


@cache
def _akin() -> Floats:
    """How much likelier two structures are those of one device than of any two (s, s)."""
    share, ratio, prior = STRUCTURES.T
    # A single mass is one whose fast part is nothing, of whatever ratio.
    one = share == 1.0
    apart = ((share[:, None] - share) / SHARE_SD) ** 2
    ratios = (np.log(ratio[:, None] / ratio) / RATIO_SD) ** 2
    apart += np.where(one[:, None] | one, 0.0, ratios)
    akin = np.exp(-apart / 2)
    akin /= akin @ prior[:, None]
    return np.asarray((1 - STRANGE) * akin + STRANGE)


def _marginal(log_tau: Floats, pairs: _Pairs, floor: float, towards: float) -> TimeConstant:
    """The time constant of one phase over all pairs, each moved towards what the other one says.

    By what part is as for any two figures of known variance: its own over that of the difference.
    """
    part = floor**2 / pairs.variance
    moved = log_tau + towards * part * pairs.disagreement
    left = float(np.sum(pairs.weight * floor**2 * (1 - part)))
    order = np.argsort(moved)
    weight = pairs.weight[order]
    low, middle, high = np.interp(MIDDLE_68, np.cumsum(weight) - weight / 2, moved[order])
    half = max(high - middle, middle - low)
    return TimeConstant(float(np.exp(middle)), math.hypot(half, math.sqrt(left)))


def _worded(
    best: TimeConstant,
    results: tuple[PhaseResult, PhaseResult],
    names: tuple[Name, Name],
    ratio: float,
) -> ReportedTimeConstant:
    """Say where a time constant comes from when it is less the phase's own than the other's."""
    name, other = names
    own, others = (_own(result) for result in results)
    if best.log_sd > WORST_SD:
        return ReportedTimeConstant(
            None,
            f"The {name} phase shows too little of a response to give a time constant, and the"
            f" {other} phase does not make up for it.",
        )
    carried = 1 - (best.log_sd / own.log_sd) ** 2
    if carried <= 0.5 or own.log_sd <= others.log_sd:
        return ReportedTimeConstant(best.value_s)
    return ReportedTimeConstant(
        best.value_s,
        f"The time constant of the {name} phase ({describe_duration(best.value_s)}) is mostly"
        f" carried over from the {other} phase, which shows more of the response: the heat"
        f" capacity stays, and the thermal resistance is {ratio:z.2f} times as high.",
    )

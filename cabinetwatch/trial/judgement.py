"""What a trial means: the hottest day, life, sound, reasons, verdict, setpoints."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

import numpy as np

from cabinetwatch.clock import describe_duration
from cabinetwatch.text import rounded
from cabinetwatch.thermal.derating import (
    DeratingCurve,
    arrhenius_factor,
    hot_day_temperature_c,
    ten_degree_factor,
)
from cabinetwatch.thermal.fan import mean_level_db, speed_change_db
from cabinetwatch.trial.phases import PhaseResult, ReportedTimeConstant, Zero, cover_off
from cabinetwatch.trial.readings import Estimate, Floats, Phase, Series, Subject, Terms, Trial

CAUTIONS = (
    (
        "Opened gear holds mains voltage, and charged capacitors long after the plug is out; leave"
        " power supplies and UPS to licensed people."
    ),
    "Put no padding that burns into a cabinet, and cover no vent.",
    "A slowed fan must be seen to start from cold, and again after a power cut.",
    "A resistor at its dissipation is hot.",
    "A verdict is a sum on your figures, not an approval.",
    "This is no smoke alarm, and it can fail together with its sensors.",
    "Local codes and licensed practice come first.",
)


MOST_APART = 0.1
"""Loads further apart than this are not called equal; our choice. Rise is in proportion to power
only near one load, and thinner still is the ground for a verdict from another."""


@dataclass(frozen=True)
class Comparison:
    """The change of the settled rise at the after phase's load, and what is to be said of load.

    `equal` is False when the loads lie too far apart for a verdict.
    """

    change: Estimate
    equal: bool
    sentence: str


def compare(
    before: Estimate,
    after: Estimate,
    before_w: float | None,
    after_w: float | None,
    *,
    spreads_k: tuple[float, float],
) -> Comparison:
    """Compare two rises, each at its phase's mean load.

    With power in both phases, the rise of before is brought to the load of after through its
    thermal resistance; how much that moved it is counted in full as uncertain, since rise is in
    proportion to power only roughly. Without, equal load is assumed.
    """
    plain = after.minus(before)
    if not before_w or not after_w:
        return Comparison(
            plain,
            True,
            "Equal load in both phases is assumed: no power was measured. About the fitted response"
            f" the temperature scattered by {spreads_k[0]:z.2f} K before and {spreads_k[1]:z.2f} K"
            " after.",
        )
    ratio = after_w / before_w
    moved_k = abs(before.value * (ratio - 1.0))
    change = after.minus(before.scaled(ratio)).widened(moved_k)
    words = (
        f"Mean load: {before_w:z.1f} W before ({before.value / before_w:z.3f} K/W),"
        f" {after_w:z.1f} W after ({after.value / after_w:z.3f} K/W)"
    )
    if abs(ratio - 1.0) > MOST_APART:
        words += f"; that is {100 * (ratio - 1):+z.0f} %, no equal load"
        return Comparison(change, False, f"{words}.")
    return Comparison(change, True, f"{words}; compared at the latter.")


@dataclass(frozen=True)
class HotDay:
    """The hottest day. `margin` in K is None without a curve; `sentence` shows the sum."""

    temperature_c: float
    threshold_c: float | None
    margin: Estimate | None
    sentence: str


def threshold_c(subject: Subject, power_w: float | None) -> float | None:
    """Give the temperature at which a load is just allowed, degC, lowered for altitude.

    The load is full where the power or the rated power isn't known, or where it is more than the
    rated one. None without a curve; -inf for a load that is never allowed.
    """
    if subject.derating is None:
        return None
    fraction = None
    if power_w is not None and subject.rated_power_w is not None:
        fraction = power_w / subject.rated_power_w
    return DeratingCurve(subject.derating).threshold_c(fraction) - subject.curve_lowering_k


def hot_day(subject: Subject, rise: Estimate, power_w: float | None) -> HotDay | str:
    """Carry a settled rise to the hottest day; a sentence when an enclosing rise is missing."""
    enclosing = []
    for around in subject.enclosing:
        if around.settled_rise_k is None:
            return (
                f"The settled rise of {around.device}, which encloses {subject.device}, is not"
                " known; the hottest day can't be reckoned without it."
            )
        enclosing.append(around.settled_rise_k)
    own = [rise.value] if subject.derating_air == "device" else []
    temperature_c = hot_day_temperature_c(subject.design_ambient_c, [*enclosing, *own])
    limit_c = threshold_c(subject, power_w)
    words = _sum_in_words(subject, rise.value, temperature_c)
    if limit_c is None:
        return HotDay(temperature_c, None, None, f"{words}.")
    if math.isinf(limit_c):
        load = "full load, which counts where power or rated power is not known"
        if power_w is not None and subject.rated_power_w is not None:
            load = f"the load of {power_w:z.1f} W"
        return f"The derating curve of {subject.device} never allows {load}."
    margin = _margin(subject, rise, limit_c - temperature_c)
    left = (
        f"{margin.value:z.1f} K are left"
        if margin.value >= 0
        else f"it would be {-margin.value:z.1f} K too hot"
    )
    sentence = f"{words}; the threshold at this load is {limit_c:z.1f} °C, so {left}."
    return HotDay(temperature_c, limit_c, margin, sentence)


def _margin(subject: Subject, rise: Estimate, value_k: float) -> Estimate:
    """The margin with its interval: that of the rise, turned about, and of the enclosing rises."""
    below_k, above_k = rise.high - rise.value, rise.value - rise.low
    if subject.derating_air == "ambient":
        below_k = above_k = 0.0
    margin = Estimate(value_k, value_k - below_k, value_k + above_k, rise.dof)
    around_k = math.hypot(*(around.uncertainty_k for around in subject.enclosing), 0.0)
    return margin.widened(around_k)


def _sum_in_words(subject: Subject, rise_k: float, temperature_c: float) -> str:
    parts = [f"{subject.design_ambient_c:z.1f} °C outside"]
    parts += [f"{around.settled_rise_k:z.1f} K of {around.device}" for around in subject.enclosing]
    if subject.derating_air == "device":
        parts.append(f"{rise_k:z.1f} K of its own")
    return f"On the hottest day it comes to {temperature_c:z.1f} °C ({' + '.join(parts)})"


def life_factors(
    ambient_c: float, rise_after_k: float, change_k: float, terms: Terms
) -> tuple[float, float]:
    """Give life after over before by Arrhenius and by the ten-degree rule, at one ambient.

    Raises:
        ValueError: temperatures below absolute zero.
    """
    after_c = ambient_c + rise_after_k
    return (
        arrhenius_factor(after_c - change_k, after_c, terms.activation_energy_ev),
        ten_degree_factor(change_k),
    )


_LOUDEST_DB = 200.0
_STANDS_RPM = 1.0
_LONGEST_MOMENT = 0.01
"""Of the phase: a reading or two that were lost are no standstill."""


class SoundFigures(NamedTuple):
    """Leq of each phase and the change, dB; None where unknown. `sentence` says where from."""

    before_dba: float | None
    after_dba: float | None
    change_db: float | None
    sentence: str | None


def sound_figures(before: Phase | None, after: Phase | None) -> SoundFigures:
    """Compare the sound of two phases: measured where it was, else by the fan law, else not."""
    first_dba, last_dba = _level_dba(before), _level_dba(after)
    if first_dba is not None and last_dba is not None:
        change_db = last_dba - first_dba
        words = (
            f"Sound changed by {change_db:+z.1f} dB, from {first_dba:z.1f} to {last_dba:z.1f} dB(A)"
        )
        return SoundFigures(first_dba, last_dba, change_db, f"{words} (energy means, measured).")
    if _fan_stood(before) or _fan_stood(after):
        sentence = (
            "How the sound changed can't be told from the fan's speed: the fan stood still for part"
            " of a phase."
        )
        return SoundFigures(first_dba, last_dba, None, sentence)
    first_rpm, last_rpm = _speed_rpm(before), _speed_rpm(after)
    if first_rpm and last_rpm:
        change_db = speed_change_db(last_rpm / first_rpm)
        sentence = (
            f"Sound is expected to change by {change_db:+z.1f} dB, by the fan law from"
            f" {first_rpm:z.0f} to {last_rpm:z.0f} rpm; it was not measured in both phases."
        )
        return SoundFigures(first_dba, last_dba, change_db, sentence)
    return SoundFigures(first_dba, last_dba, None, None)


def _level_dba(phase: Phase | None) -> float | None:
    """Energy mean of the level; None where too little of it was measured."""
    if phase is None or phase.sound is None:
        return None
    series = phase.sound
    sane = np.abs(series.value) <= _LOUDEST_DB
    if np.count_nonzero(sane) < 2:
        return None
    return mean_level_db(series.value[sane].tolist(), _durations_s(series, phase)[sane].tolist())


def _speed_rpm(phase: Phase | None) -> float | None:
    """Time mean of the fan's speed; None where it isn't known."""
    if phase is None or phase.fan is None:
        return None
    return float(np.average(phase.fan.value, weights=_durations_s(phase.fan, phase)))


def _fan_stood(phase: Phase | None) -> bool:
    """Whether the fan stood still for more than a moment: then its mean speed says nothing."""
    if phase is None or phase.fan is None:
        return False
    lasting_s = _durations_s(phase.fan, phase)
    stood_s = float(lasting_s[phase.fan.value < _STANDS_RPM].sum())
    return stood_s > _LONGEST_MOMENT * float(lasting_s.sum())


def _durations_s(series: Series, phase: Phase) -> Floats:
    """How long each reading stands for: until the next one, at most thrice the usual interval."""
    until = np.append(series.t_ms[1:], phase.end_ms)
    lasting_s = (until - series.t_ms) / 1000.0
    return np.minimum(lasting_s, 3 * max(float(np.median(lasting_s)), 1e-3))


ROOM_PART, ROOM_K = 0.25, 3.0
"""What `max_rise_k` leaves above the settled rise: a quarter of it, at least 3 K; our choice."""


@dataclass(frozen=True)
class Setpoints:
    """Keys of the table of one device and their values; empty when nothing follows."""

    device: str
    values: Mapping[str, float]

    def as_toml(self) -> str:
        """Write the stanza; empty text when there are no values."""
        if not self.values:
            return ""
        lines = [f"{key} = {value}" for key, value in self.values.items()]
        return "\n".join([f"[devices.{self.device}]", *lines]) + "\n"


def make_setpoints(
    device: str,
    rise: Estimate,
    power_w: float | None,
    *,
    time_constant_s: float | None,
    most_rise_k: float | None,
) -> Setpoints:
    """Derive the settings from an after phase.

    `most_rise_k` is the rise that leaves no margin on the hottest day, None where it isn't known:
    `max_rise_k` never lies above it. A rise or a limit at 0 or below gives none.
    """
    if rise.value <= 0:
        return Setpoints(device, {})
    values = {"normal_rise_k": _tenth(rise.value)}
    if power_w is not None and power_w > 0:
        values["normal_power_w"] = _tenth(power_w)
    if time_constant_s is not None:
        values["time_constant_s"] = float(round(time_constant_s))
    highest_k = rise.high + max(ROOM_K, ROOM_PART * rise.value)
    if most_rise_k is not None:
        highest_k = min(highest_k, most_rise_k)
    if highest_k > rise.value:
        values["max_rise_k"] = math.floor(highest_k * 10) / 10
    return Setpoints(device, {key: value for key, value in values.items() if value > 0})


def _tenth(value: float) -> float:
    return rounded(value, 1)


Verdict = Literal["accept", "watch", "reject", "undecided"]


@dataclass(frozen=True)
class PhaseFigures:
    """One phase as it is reported; `rise` with its whole uncertainty. What is unknown is None."""

    rise: Estimate | None = None
    settled: bool = False
    time_constant_s: float | None = None
    ambient_c: float | None = None
    samples: int = 0
    sound_dba: float | None = None
    power_w: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Give JSON-able values; `sound_dba` only where it was measured."""
        rise = self.rise
        figures: dict[str, Any] = {
            "rise_k": _rounded(rise.value if rise else None),
            "rise_ci95_k": _interval(rise),
            "settled": self.settled,
            "time_constant_s": _rounded(self.time_constant_s, 1),
            "ambient_c": _rounded(self.ambient_c),
            "samples": self.samples,
        }
        if self.sound_dba is not None:
            figures["sound_dba"] = _rounded(self.sound_dba, 1)
        return figures


@dataclass(frozen=True)
class TrialFigures:
    """Everything that a trial found. Every change is after minus before."""

    device: str
    before: PhaseFigures
    after: PhaseFigures
    verdict: Verdict
    reasons: tuple[str, ...]
    change: Estimate | None = None
    hot_day_temperature_c: float | None = None
    hot_day_margin: Estimate | None = None
    threshold_c: float | None = None
    life_factor: float | None = None
    life_factor_capacitor: float | None = None
    sound_change_db: float | None = None
    setpoints: Setpoints = field(default_factory=lambda: Setpoints("", {}))

    def as_json(self) -> dict[str, Any]:
        """Give the JSON-able report."""
        margin = self.hot_day_margin
        return {
            "device": self.device,
            "before": self.before.as_json(),
            "after": self.after.as_json(),
            "time_constant_s": _rounded(self.after.time_constant_s, 1),
            "change_k": _rounded(self.change.value if self.change else None),
            "change_ci95_k": _interval(self.change),
            "hot_day_temperature_c": _rounded(self.hot_day_temperature_c),
            "hot_day_margin_k": _rounded(margin.value if margin else None),
            "life_factor": _rounded(self.life_factor, 4),
            "life_factor_capacitor": _rounded(self.life_factor_capacitor, 4),
            "sound_change_db": _rounded(self.sound_change_db, 2),
            "verdict": self.verdict,
            "reasons": list(self.reasons),
            "setpoints": self.setpoints.as_toml() or None,
        }


def _rounded(value: float | None, digits: int = 3) -> float | None:
    return None if value is None else rounded(value, digits)


def _interval(estimate: Estimate | None) -> list[float] | None:
    return None if estimate is None else [rounded(estimate.low, 3), rounded(estimate.high, 3)]


MEASURED_NOT_APPROVED = (
    "This is a sum on the figures given, no approval: local codes and licensed practice come first."
)


def judge(
    margin: Estimate | None, obstacles: Sequence[str], terms: Terms
) -> tuple[Verdict, tuple[str, ...]]:
    """Give the verdict and its reasons; any obstacle makes it undecided.

    `accept` when the lower end of the margin's interval is at least the margin to accept at,
    `watch` when it is at least 0, `reject` when the upper end is below 0, else `undecided`.
    """
    if obstacles:
        return "undecided", tuple(obstacles)
    if margin is None:
        return "undecided", ("Without a derating curve there is no margin to judge by.",)
    interval = (
        f"the hot-day margin lies between {margin.low:+z.1f} and {margin.high:+z.1f} K (95 %)"
    )
    wanted_k = terms.accept_margin_k
    if margin.low >= wanted_k:
        return "accept", (
            f"Accept: {interval}, at least the {wanted_k:zg} K asked for.",
            MEASURED_NOT_APPROVED,
        )
    if margin.low >= 0:
        return "watch", (
            f"Watch: {interval}, above 0 but not surely the {wanted_k:zg} K asked for.",
            MEASURED_NOT_APPROVED,
        )
    if margin.high < 0:
        return "reject", (f"Reject: {interval}, below 0: undo the change.",)
    return "undecided", (f"Undecided: {interval}, on both sides of 0; measure for longer.",)


ASSUMED_ACCURACY_K = 0.5
"""Taken where a sensor's accuracy isn't stated: that of the common digital ones (DS18B20 from -10
to 85 degC, by its data sheet)."""

LEAST_LENGTH = 0.5
"""Shortest after phase, in time constants, from which a verdict is given; our choice."""


@dataclass(frozen=True)
class Evidence:
    """Everything that was found; the rises with their whole uncertainty, K.

    `day` is a sentence where the hottest day can't be reckoned.
    """

    trial: Trial
    before: PhaseResult
    after: PhaseResult
    before_rise: Estimate
    after_rise: Estimate
    zero: Zero | None
    comparison: Comparison
    day: HotDay | str
    sound: SoundFigures
    before_time: ReportedTimeConstant
    after_time: ReportedTimeConstant

    @property
    def hot_day(self) -> HotDay | None:
        """The hottest day, where it could be reckoned."""
        return None if isinstance(self.day, str) else self.day


def obstacles(evidence: Evidence) -> list[str]:
    """Give what stands against any verdict."""
    return [
        *_distrust(evidence.before, "before", evidence.before_rise),
        *_distrust(evidence.after, "after", evidence.after_rise),
        *_too_short(evidence),
        *([] if evidence.comparison.equal else [evidence.comparison.sentence]),
        *([evidence.day] if isinstance(evidence.day, str) else []),
    ]


def remarks(evidence: Evidence) -> list[str]:
    """Give the sentences that belong to every report, after those of the verdict."""
    day, zero = evidence.hot_day, evidence.zero
    sentences = [day.sentence] if day is not None else []
    sentences += [evidence.before.steadiness.sentence, evidence.after.steadiness.sentence]
    times = (evidence.before_time, evidence.after_time)
    sentences += [told.sentence for told in times if told.sentence is not None]
    if evidence.comparison.equal:
        sentences.append(evidence.comparison.sentence)
    if zero is not None:
        sentences.append(zero.sentence)
    if zero is None or zero.offset_k is None:
        sentences += _unstated_accuracies(evidence.trial)
    sentences.append(
        "The life factors are ratios at one ambient, not dates: they know nothing of wear and dust."
    )
    if evidence.sound.sentence:
        sentences.append(evidence.sound.sentence)
    return sentences


def _distrust(result: PhaseResult, name: str, rise: Estimate) -> list[str]:
    """What makes a phase that could be fitted no ground for a verdict."""
    sentences = _cover(result, name)
    if result.settling.poor:
        sentences.append(
            f"The {name} phase does not follow the response of a device at steady cooling (it"
            f" strays by {result.settling.spread_k:z.2f} K from the best one): something changed"
            " within it."
        )
    if rise.high <= 0:
        sentences.append(
            f"In the {name} phase the device is colder than its ambient ({rise.value:+z.1f} K):"
            " the two sensors look swapped, or the probe has slipped."
        )
    return sentences


def _cover(result: PhaseResult, name: str) -> list[str]:
    fall = cover_off(result.profile)
    if fall is None:
        return []
    sentence = (
        f"In the {name} phase the temperature fell by {fall.fall_k:z.1f} K within ten minutes, some"
        f" {describe_duration(fall.at_s)} after it began, and neither ambient nor load did: it"
        " looks as if the cover was off, though nobody said so. Begin the phase anew."
    )
    return [sentence]


def _too_short(evidence: Evidence) -> list[str]:
    """Whether the after phase shows too little of its response to be carried to its end.

    A change of cooling changes the time constant, but seldom by more than two; so that of before
    tells too how long after must be.
    """
    if evidence.after.steadiness.settled:
        return []
    span_s = evidence.after.profile.span_s
    times = (
        (evidence.after_time, evidence.after.settling),
        (evidence.before_time, evidence.before.settling),
    )
    taus = [told.value_s or settling.rough_time_constant_s for told, settling in times]
    known_s = [tau_s for tau_s in taus if tau_s is not None]
    if not known_s:
        return ["The after phase tells no time constant and has not settled; measure for longer."]
    if span_s >= LEAST_LENGTH * max(known_s):
        return []
    lasted, tau = describe_duration(span_s), describe_duration(max(known_s))
    sentence = (
        f"The after phase lasted {lasted}, too short to be carried to its end with a time constant"
        f" of some {tau}; three of them are best."
    )
    return [sentence]


def _unstated_accuracies(trial: Trial) -> list[str]:
    stated = {
        "temperature": trial.subject.temperature_accuracy_k,
        "ambient": trial.subject.ambient_accuracy_k,
    }
    unstated = [name for name, accuracy in stated.items() if accuracy is None]
    if not unstated:
        return []
    sentence = (
        f"No accuracy is stated for the {' and '.join(unstated)} sensor;"
        f" {ASSUMED_ACCURACY_K:zg} K is assumed."
    )
    return [sentence]

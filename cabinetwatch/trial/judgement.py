"""A whole trial judged: change, hottest day, life, sound, verdict, reasons, setpoints.

`analyse` is the one way in. Each phase is fitted once; what is fitted stays with the figures
(`PhaseFigures.result`), so that whoever draws or words them fits nothing again. A phase that can't
be used is no error: the verdict is then `undecided`, with the reason.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Any, Literal, NamedTuple

import numpy as np

from cabinetwatch.text import (
    TemperatureUnit,
    UsageError,
    describe_duration,
    plain,
    rounded,
    to_rfc3339,
)
from cabinetwatch.thermal.derating import (
    DeratingCurve,
    arrhenius_factor,
    hot_day_temperature_c,
    ten_degree_factor,
)
from cabinetwatch.thermal.fan import mean_level_db, speed_change_db
from cabinetwatch.trial.phases import (
    NO_ZERO,
    PhaseResult,
    ReportedTimeConstant,
    Zero,
    analyse_phase,
    cover_off,
    tell_alone,
    tell_both,
    zero_offset,
)
from cabinetwatch.trial.readings import (
    ASSUMED_ACCURACY_K,
    Enclosing,
    Estimate,
    Floats,
    Name,
    Phase,
    Series,
    Subject,
    Terms,
    Trial,
    rectangular,
)

CAUTIONS = (
    (
        "Opened gear holds mains voltage, and charged capacitors long after the plug is out; leave"
        " power supplies and UPS to licensed people."
    ),
    "Never pad a cabinet with anything that can burn, and never cover a vent.",
    "A slowed fan must be seen to start from cold, and again after a power cut.",
    "A resistor gets hot.",
    "A verdict is a calculation from your figures, not an approval.",
    "This is no smoke alarm, and it can fail together with its sensors.",
    "Local codes and licensed practice come first.",
)
MEASURED_NOT_APPROVED = (
    "This is a calculation from the figures given, not an approval: local codes and licensed"
    " practice come first."
)

RATIOS = "Life is a ratio at the same surrounding air, not a date; it ignores wear and dust."

MOST_APART = 0.1
"""Loads further apart than this are not called equal; our choice. Rise is in proportion to power
only near one load, and thinner still is the ground for a verdict from another."""

LEAST_LENGTH = 0.7
"""Shortest after phase, in time constants, from which a verdict is given: shorter ones are not
among the simulated trials that the intervals are held against."""

ROOM_PART, ROOM_K = 0.25, 3.0
"""What `max_rise_k` leaves above the settled rise: a quarter of it, at least 3 K; our choice."""

COLDEST_C = -100.0
"""No gear is colder; a rise brought to quite another load may seem to be."""

LOUDEST_DB = 200.0
STANDS_RPM = 1.0
LONGEST_MOMENT = 0.01
"""Of the phase: a reading or two that were lost are no standstill."""

Verdict = Literal["accept", "watch", "reject", "undecided"]


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


@dataclass(frozen=True)
class PhaseFigures:
    """One phase as it is reported; `rise` with its whole uncertainty. What is unknown is None.

    `result` is the analysis that the figures are from.
    """

    rise: Estimate | None = None
    settled: bool = False
    time_constant_s: float | None = None
    ambient_c: float | None = None
    samples: int = 0
    sound_dba: float | None = None
    power_w: float | None = None
    result: PhaseResult | None = field(default=None, compare=False, repr=False)

    def as_json(self) -> dict[str, Any]:
        """Give JSON-able values; `sound_dba` only where it was measured."""
        figures: dict[str, Any] = {
            **_with_interval("rise", self.rise),
            "settled": self.settled,
            "time_constant_s": rounded(self.time_constant_s, 1),
            "ambient_c": rounded(self.ambient_c, 3),
            "samples": self.samples,
        }
        if self.sound_dba is not None:
            figures["sound_dba"] = rounded(self.sound_dba, 1)
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
    enclosing: tuple[Enclosing, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Give the JSON-able report."""
        margin = self.hot_day_margin
        return {
            "device": self.device,
            "before": self.before.as_json(),
            "after": self.after.as_json(),
            "time_constant_s": rounded(self.after.time_constant_s, 1),
            **_with_interval("change", self.change),
            "hot_day_temperature_c": rounded(self.hot_day_temperature_c, 3),
            "hot_day_margin_k": rounded(margin.value if margin else None, 3),
            "life_factor": rounded(self.life_factor, 4),
            "life_factor_capacitor": rounded(self.life_factor_capacitor, 4),
            "sound_change_db": rounded(self.sound_change_db, 2),
            "verdict": self.verdict,
            "reasons": [plain(each) for each in self.reasons],
            "setpoints": self.setpoints.as_toml() or None,
        }


def _with_interval(name: str, told: Estimate | None) -> dict[str, Any]:
    interval = None if told is None else [rounded(told.low, 3), rounded(told.high, 3)]
    return {f"{name}_k": rounded(told.value if told else None, 3), f"{name}_ci95_k": interval}


def analyse(trial: Trial, terms: Terms | None = None) -> TrialFigures:
    """Analyse a trial, as far as it has come.

    Raises:
        UsageError: phases in the wrong order, overlapping, or empty intervals.
    """
    check_intervals({"zero": trial.zero, "before": trial.before, "after": trial.after})
    subject, unknown = trial.subject, PhaseFigures()
    if trial.before is None:
        why = ("There is no before phase yet.",)
        return TrialFigures(subject.device, unknown, unknown, "undecided", why)
    limit_c = threshold_c(subject, None)
    before, after = (
        f"There is no {name} phase yet."
        if phase is None
        else analyse_phase(phase, name, limit_c, subject.unit, other)
        for name, phase, other in (
            ("before", trial.before, trial.after),
            ("after", trial.after, trial.before),
        )
    )
    zero = NO_ZERO
    if trial.zero is not None:
        running_w = None if isinstance(before, str) else before.power_w
        zero = zero_offset(trial.zero, subject, running_w)
    if not isinstance(before, str) and not isinstance(after, str):
        return _judge(subject, before, after, zero, terms or Terms())
    sound = _compare_sound(before, after)

    def figures(result: PhaseResult | str, name: Name, dba: float | None) -> PhaseFigures:
        if isinstance(result, str):
            return unknown
        rise = _whole_rise(result, subject, zero)
        return _phase_figures(result, rise, dba, tell_alone(result, name))

    return TrialFigures(
        subject.device,
        figures(before, "before", sound.before_dba),
        figures(after, "after", sound.after_dba),
        "undecided",
        tuple(each for each in (before, after, sound.sentence) if isinstance(each, str)),
        sound_change_db=sound.change_db,
        enclosing=subject.enclosing,
    )


def check_intervals(phases: Mapping[str, Phase | None]) -> None:
    """Refuse phases (zero, before and after) that are empty, overlap, or come in the wrong order.

    Raises:
        UsageError: with the sentence.
    """
    named = [(name, phase) for name, phase in phases.items() if phase is not None]
    for name, phase in named:
        if phase.end_ms <= phase.start_ms:
            raise UsageError(
                f"the {name} phase ends at {to_rfc3339(phase.end_ms)}, not after it begins at"
                f" {to_rfc3339(phase.start_ms)}; give an interval with a later end"
            )
    before, after = phases.get("before"), phases.get("after")
    if before and after and after.end_ms <= before.start_ms:
        raise UsageError("the after phase lies before the before phase; exchange the two intervals")
    for (name, phase), (other_name, other) in combinations(named, 2):
        if phase.start_ms < other.end_ms and other.start_ms < phase.end_ms:
            raise UsageError(
                f"the {name} and the {other_name} phase overlap between"
                f" {to_rfc3339(max(phase.start_ms, other.start_ms))} and"
                f" {to_rfc3339(min(phase.end_ms, other.end_ms))}; give intervals apart"
            )


def _judge(
    subject: Subject, before: PhaseResult, after: PhaseResult, zero: Zero, terms: Terms
) -> TrialFigures:
    """Compare two phases that can be used, and judge.

    The verdict is `accept` when the lower end of the hot-day margin's interval is at least the
    margin to accept at, `watch` when it is at least 0, `reject` when the upper end is below 0, else
    `undecided`; any obstacle makes it that.
    """
    offset_k = 0.0 if zero.offset_k is None else zero.offset_k.value
    equal_load, load_words = _compare_loads(before, after, offset_k, subject.unit)
    together = tell_both(before, after, offset_k, equal_load=equal_load)
    before, after = replace(before, rise=together.before), replace(after, rise=together.after)
    rises = _whole_rise(before, subject, zero), _whole_rise(after, subject, zero)
    times = together.times
    day = _hot_day(subject, rises[1], after.power_w)
    sound = _compare_sound(before, after)

    distrust = (
        _distrust(before, "before", rises[0], subject.unit),
        _distrust(after, "after", rises[1], subject.unit),
    )
    obstacles = [
        *distrust[0],
        *distrust[1],
        *_too_short((before, after), times),
        *([] if equal_load else [load_words]),
        *([day] if isinstance(day, str) else []),
    ]
    # Nothing follows from a phase that can't be trusted.
    found = None if isinstance(day, str) or distrust[1] else day
    change = None if any(distrust) else _change(before, after, offset_k)
    margin = None if found is None else found.margin
    verdict, reasons = _verdict(margin, obstacles, terms, subject.unit)
    # What can't be trusted comes first, else the sum that the verdict is of.
    reasons += [] if found is None else [found.sentence]
    reasons += [MEASURED_NOT_APPROVED] if verdict in ("accept", "watch") else []
    reasons += [before.steadiness.sentence, after.steadiness.sentence]
    reasons += [told.sentence for told in times if told.sentence is not None]
    reasons += [load_words] if equal_load else []
    reasons += [_within_intervals(together.wander, metered=bool(after.power_w))]
    reasons += [zero.sentence] if zero.sentence else []
    accuracies_k = subject.temperature_accuracy_k, subject.ambient_accuracy_k
    sensors = zip(accuracies_k, ("temperature", "surrounding-air"), strict=True)
    unstated = " and ".join(words for stated_k, words in sensors if stated_k is None)
    if unstated and zero.offset_k is None:
        reasons.append(
            f"No accuracy is stated for the {unstated} sensor;"
            f" {subject.unit.difference(ASSUMED_ACCURACY_K)} is assumed."
        )
    reasons += [] if change is None else [RATIOS]
    reasons += [sound.sentence] if sound.sentence else []

    setpoints = Setpoints(subject.device, {})
    if not obstacles and verdict != "reject":
        most_k = None
        if margin is not None and subject.derating_air == "device":
            most_k = rises[1].value + margin.value
        setpoints = _setpoints(subject.device, rises[1], after.power_w, times[1].value_s, most_k)
    life = None if change is None else _life(before, after, rises[1].value, change.value, terms)
    return TrialFigures(
        device=subject.device,
        before=_phase_figures(before, rises[0], sound.before_dba, times[0]),
        after=_phase_figures(after, rises[1], sound.after_dba, times[1]),
        verdict=verdict,
        reasons=tuple(reasons),
        change=change,
        hot_day_temperature_c=found and found.temperature_c,
        hot_day_margin=margin,
        threshold_c=found and found.threshold_c,
        life_factor=life,
        life_factor_capacitor=None if change is None else ten_degree_factor(change.value),
        sound_change_db=sound.change_db,
        setpoints=setpoints,
        enclosing=subject.enclosing,
    )


def _life(
    before: PhaseResult, after: PhaseResult, rise_k: float, change_k: float, terms: Terms
) -> float | None:
    """Life of after over that of before in one ambient, by Arrhenius."""
    after_c = (before.ambient_c + after.ambient_c) / 2 + rise_k
    before_c = after_c - change_k
    # Brought to another load a rise may be none that can be.
    if min(before_c, after_c) <= COLDEST_C:
        return None
    return arrhenius_factor(before_c, after_c, terms.activation_energy_ev)


def _phase_figures(
    result: PhaseResult, rise: Estimate, sound_dba: float | None, told: ReportedTimeConstant
) -> PhaseFigures:
    return PhaseFigures(
        rise,
        result.steadiness.settled,
        told.value_s,
        result.ambient_c,
        result.samples,
        sound_dba,
        result.power_w,
        result,
    )


def _whole_rise(result: PhaseResult, subject: Subject, zero: Zero) -> Estimate:
    """The absolute rise: a zero phase takes the sensors' systematic part off, else it counts."""
    if zero.offset_k is not None:
        return result.rise.minus(zero.offset_k)
    return result.rise.widened(max(rectangular(*subject.accuracies_k), zero.apart_k))


def _compare_loads(
    before: PhaseResult, after: PhaseResult, offset_k: float, unit: TemperatureUnit
) -> tuple[bool, str]:
    """Whether the loads are equal, and words on them; without power, equal load is assumed."""
    before_w, after_w = before.power_w, after.power_w
    if not before_w or not after_w:
        words = (
            "Equal load in both phases is assumed: power was not measured in both. About the fitted"
            " response the temperature scattered by"
            f" {unit.difference(before.settling.spread_k, 2)} before and"
            f" {unit.difference(after.settling.spread_k, 2)} after."
        )
        return True, words
    ratio = after_w / before_w
    one, other = (
        unit.difference((each.rise.value - offset_k) / power_w, 3, per="/W")
        for each, power_w in ((before, before_w), (after, after_w))
    )
    words = f"Mean load: {before_w:z.1f} W before ({one}), {after_w:z.1f} W after ({other})"
    if abs(ratio - 1.0) > MOST_APART:
        words += f"; that is {100 * (ratio - 1):+z.0f} %, not an equal load."
        return False, words
    return True, f"{words}; compared at the latter."


def _within_intervals(wander: float, *, metered: bool) -> str:
    """Say what the intervals of the rises hold."""
    load = "what the measured load leaves unexplained" if metered else "a load that nobody measured"
    return (
        f"The intervals allow for the sensors, for {load} (about {100 * wander:z.1f} %"
        " up and down, as the temperature tells), and for what the phases were too short to show;"
        " not for a sensor that was moved or exchanged between the phases."
    )


def _change(before: PhaseResult, after: PhaseResult, offset_k: float) -> Estimate:
    """The change of the rise at the load of after.

    With power in both phases, the rise of before is brought to the load of after through its
    thermal resistance; how much that moved it is counted in full as uncertain, since rise is in
    proportion to power only roughly.
    """
    rise, rise_after = before.rise.shifted(-offset_k), after.rise.shifted(-offset_k)
    if not before.power_w or not after.power_w:
        return rise_after.minus(rise)
    ratio = after.power_w / before.power_w
    moved_k = abs(rise.value * (ratio - 1.0))
    return rise_after.minus(rise.scaled(ratio)).widened(moved_k)


class _HotDay(NamedTuple):
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


def rises_to_sum(
    enclosing: tuple[Enclosing, ...], unit: TemperatureUnit
) -> list[tuple[float, str]]:
    """Give the known rises of what encloses a device, each with its words."""
    return [
        (around.settled_rise_k, f"{unit.difference(around.settled_rise_k)} of {around.device}")
        for around in enclosing
        if around.settled_rise_k is not None
    ]


def _hot_day(subject: Subject, rise: Estimate, power_w: float | None) -> _HotDay | str:
    """Carry a settled rise to the hottest day; a sentence when an enclosing rise is missing."""
    for around in subject.enclosing:
        if around.settled_rise_k is None:
            return (
                f"Where {around.device}, which encloses {subject.device}, is settling is not"
                " known; the hottest day can't be calculated without it."
            )
    own, unit = subject.derating_air == "device", subject.unit
    rises = rises_to_sum(subject.enclosing, unit)
    rises += [(rise.value, f"{unit.difference(rise.value)} of its own")] if own else []
    temperature_c = hot_day_temperature_c(subject.design_ambient_c, [each for each, _ in rises])
    outside = f"{unit.temperature(subject.design_ambient_c)} outside"
    total = " + ".join([outside, *(words for _, words in rises)])
    hottest = unit.temperature(temperature_c)
    words = f"Temperature on the hottest day: {hottest} ({total})"
    limit_c = threshold_c(subject, power_w)
    if limit_c is None:
        return _HotDay(temperature_c, None, None, f"{words}.")
    if math.isinf(limit_c):
        load = "full load, which counts where power or rated power is not known"
        if power_w is not None and subject.rated_power_w is not None:
            load = f"the load of {power_w:z.1f} W"
        return f"The derating curve of {subject.device} never allows {load}."
    # Its interval is that of the rise, turned about, and of the enclosing rises.
    left_k = limit_c - temperature_c
    below_k, above_k = (rise.high - rise.value, rise.value - rise.low) if own else (0.0, 0.0)
    around_k = math.hypot(*(around.uncertainty_k for around in subject.enclosing), 0.0)
    margin = Estimate(left_k, left_k - below_k, left_k + above_k, rise.dof).widened(around_k)
    where = "below" if left_k >= 0 else "above"
    threshold = f"the derating threshold of {unit.temperature(limit_c)}"
    if power_w is None or subject.rated_power_w is None:
        threshold += " at full load (power or rated power is not known)"
    elif power_w > subject.rated_power_w:
        threshold += f" at full load (it draws more than its rated {subject.rated_power_w:zg} W)"
    sentence = f"{words}, {unit.difference(abs(left_k))} {where} {threshold}."
    return _HotDay(temperature_c, limit_c, margin, sentence)


def _verdict(
    margin: Estimate | None, obstacles: list[str], terms: Terms, unit: TemperatureUnit
) -> tuple[Verdict, list[str]]:
    if obstacles:
        return "undecided", obstacles[:]
    if margin is None:
        return "undecided", ["Without a derating curve there is no margin to judge by."]
    told = f"The hot-day margin is {margin.written(unit)}"
    wanted = f"the {unit.difference(terms.accept_margin_k)} asked for"
    if margin.low >= terms.accept_margin_k:
        return "accept", [f"{told}: at least {wanted}."]
    if margin.low >= 0:
        return "watch", [f"{told}: above zero, but not surely {wanted}."]
    if margin.high < 0:
        return "reject", [f"{told}: below zero."]
    return "undecided", [f"{told}: it may be above or below zero; measure for longer."]


def _distrust(result: PhaseResult, name: Name, rise: Estimate, unit: TemperatureUnit) -> list[str]:
    """What makes a phase that could be fitted no ground for a verdict."""
    sentences = []
    fall = cover_off(result.profile)
    if fall is not None:
        sentences.append(fall.sentence(name, unit))
    if result.settling.poor:
        sentences.append(
            f"The {name} phase does not follow the response of a device at steady cooling (it"
            f" strays by {unit.difference(result.settling.spread_k, 2)} from the best one):"
            " something changed within it."
        )
    if rise.high <= 0:
        sentences.append(
            f"In the {name} phase the device is colder than the surrounding air"
            f" ({unit.difference(rise.value, sign=True)}): the two sensors look swapped, or"
            " the probe has slipped."
        )
    return sentences


def _too_short(
    results: tuple[PhaseResult, PhaseResult],
    times: tuple[ReportedTimeConstant, ReportedTimeConstant],
) -> list[str]:
    """Whether the after phase shows too little of its response to be carried to its end.

    A change of cooling changes the time constant, but seldom by more than two; so that of before
    tells too how long after must be.
    """
    _, after = results
    if after.steadiness.settled:
        return []
    taus_s = [
        told.value_s or result.settling.rough_time_constant_s
        for told, result in zip(times, results, strict=True)
    ]
    longest_s = max((tau_s for tau_s in taus_s if tau_s is not None), default=None)
    if longest_s is None:
        return ["The after phase shows no time constant and has not settled; measure for longer."]
    if after.profile.span_s >= LEAST_LENGTH * longest_s:
        return []
    lasted, tau = describe_duration(after.profile.span_s), describe_duration(longest_s)
    sentence = (
        f"The after phase lasted {lasted}, too short to be carried to its end with a time constant"
        f" of some {tau}; three of them are best."
    )
    return [sentence]


class _Sound(NamedTuple):
    """Leq of each phase and the change, dB; None where unknown. `sentence` says where from."""

    before_dba: float | None
    after_dba: float | None
    change_db: float | None
    sentence: str | None


def _compare_sound(before: PhaseResult | str, after: PhaseResult | str) -> _Sound:
    """Compare the sound of two phases: measured where it was, else by the fan law, else not."""
    phases = [None if isinstance(each, str) else each.phase for each in (before, after)]
    first_dba, last_dba = (_level_dba(phase) for phase in phases)
    if first_dba is not None and last_dba is not None:
        change_db = last_dba - first_dba
        words = (
            f"Sound changed by {change_db:+z.1f} dB, from {first_dba:z.1f} to {last_dba:z.1f} dB(A)"
            " (energy means, measured)."
        )
        return _Sound(first_dba, last_dba, change_db, words)
    first_rpm, last_rpm = (_speed_rpm(phase) for phase in phases)
    if first_rpm == 0.0 or last_rpm == 0.0:
        words = (
            "How the sound changed can't be calculated from the fan speed: the fan was stopped for"
            " part of a phase."
        )
        return _Sound(first_dba, last_dba, None, words)
    if first_rpm is None or last_rpm is None:
        return _Sound(first_dba, last_dba, None, None)
    change_db = speed_change_db(last_rpm / first_rpm)
    words = (
        f"Sound is expected to change by {change_db:+z.1f} dB, by the fan law from"
        f" {first_rpm:z.0f} to {last_rpm:z.0f} rpm; it was not measured in both phases."
    )
    return _Sound(first_dba, last_dba, change_db, words)


def _level_dba(phase: Phase | None) -> float | None:
    """Energy mean of the level; None where too little of it was measured."""
    if phase is None or phase.sound is None:
        return None
    sane = np.abs(phase.sound.value) <= LOUDEST_DB
    if np.count_nonzero(sane) < 2:
        return None
    lasting_s = _durations_s(phase.sound, phase)
    return mean_level_db(phase.sound.value[sane].tolist(), lasting_s[sane].tolist())


def _speed_rpm(phase: Phase | None) -> float | None:
    """Time mean of the fan's speed; None where it isn't known, 0 where it stood for a time."""
    if phase is None or phase.fan is None:
        return None
    lasting_s = _durations_s(phase.fan, phase)
    stood_s = float(lasting_s[phase.fan.value < STANDS_RPM].sum())
    if stood_s > LONGEST_MOMENT * float(lasting_s.sum()):
        return 0.0
    return float(np.average(phase.fan.value, weights=lasting_s))


def _durations_s(series: Series, phase: Phase) -> Floats:
    """How long each reading stands for: until the next one, at most thrice the usual interval."""
    until = np.append(series.t_ms[1:], phase.end_ms)
    lasting_s = (until - series.t_ms) / 1000.0
    return np.minimum(lasting_s, 3 * max(float(np.median(lasting_s)), 1e-3))


def _setpoints(
    device: str,
    rise: Estimate,
    power_w: float | None,
    time_constant_s: float | None,
    most_rise_k: float | None,
) -> Setpoints:
    """Derive the settings from an after phase that can be believed.

    `most_rise_k` is the rise that leaves no margin on the hottest day, None where it isn't known:
    `max_rise_k` never lies above it. A rise or a limit at 0 or below gives none.
    """
    if rise.value <= 0:
        return Setpoints(device, {})
    values = {"normal_rise_k": rounded(rise.value, 1)}
    if power_w is not None and power_w > 0:
        values["normal_power_w"] = rounded(power_w, 1)
    if time_constant_s is not None:
        values["time_constant_s"] = float(round(time_constant_s))
    highest_k = rise.high + max(ROOM_K, ROOM_PART * rise.value)
    if most_rise_k is not None:
        highest_k = min(highest_k, most_rise_k)
    if highest_k > rise.value:
        values["max_rise_k"] = math.floor(highest_k * 10) / 10
    return Setpoints(device, {key: value for key, value in values.items() if value > 0})

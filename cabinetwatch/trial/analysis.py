"""A whole trial: from the readings of its phases to figures, verdict and settings."""

from cabinetwatch.clock import to_rfc3339
from cabinetwatch.text import UsageError
from cabinetwatch.trial.judgement import (
    ASSUMED_ACCURACY_K,
    Evidence,
    PhaseFigures,
    Setpoints,
    TrialFigures,
    compare,
    hot_day,
    judge,
    life_factors,
    make_setpoints,
    obstacles,
    remarks,
    sound_figures,
    threshold_c,
)
from cabinetwatch.trial.phases import (
    PhaseResult,
    ReportedTimeConstant,
    Zero,
    analyse_phase,
    tell_alone,
    tell_both,
    with_history,
    zero_offset,
)
from cabinetwatch.trial.readings import Estimate, Phase, Subject, Terms, Trial, rectangular


def analyse(trial: Trial, terms: Terms | None = None) -> TrialFigures:
    """Analyse a trial.

    A phase that can't be used gives no error but `undecided`, with the reason.

    Raises:
        UsageError: phases in the wrong order, overlapping, or empty intervals.
    """
    check_intervals(trial)
    terms = terms or Terms()
    subject = trial.subject
    limit_c = threshold_c(subject, None)
    before = _analysed(trial.before, "before", limit_c, trial.after)
    after = _analysed(trial.after, "after", limit_c, trial.before)
    if isinstance(before, PhaseResult) and isinstance(after, PhaseResult):
        return _conclude(_evidence(trial, before, after), terms)
    return _unusable(trial, before, after)


def _analysed(phase: Phase, name: str, limit_c: float | None, other: Phase) -> PhaseResult | str:
    result = analyse_phase(phase, name, limit_c, other)
    return result if isinstance(result, str) else with_history(result, name, limit_c)


def check_intervals(trial: Trial) -> None:
    """Refuse phases that are empty, overlap, or come in the wrong order.

    Raises:
        UsageError: with the sentence.
    """
    named = [("before", trial.before), ("after", trial.after)]
    if trial.zero is not None:
        named.insert(0, ("zero", trial.zero))
    for name, phase in named:
        if phase.end_ms <= phase.start_ms:
            raise UsageError(
                f"the {name} phase ends at {to_rfc3339(phase.end_ms)}, not after it begins at"
                f" {to_rfc3339(phase.start_ms)}; give an interval with a later end"
            )
    if trial.after.end_ms <= trial.before.start_ms:
        raise UsageError("the after phase lies before the before phase; exchange the two intervals")
    for i, (name, phase) in enumerate(named):
        for other_name, other in named[i + 1 :]:
            if phase.start_ms < other.end_ms and other.start_ms < phase.end_ms:
                raise UsageError(
                    f"the {name} and the {other_name} phase overlap between"
                    f" {to_rfc3339(max(phase.start_ms, other.start_ms))} and"
                    f" {to_rfc3339(min(phase.end_ms, other.end_ms))}; give intervals apart"
                )


def _unusable(trial: Trial, before: PhaseResult | str, after: PhaseResult | str) -> TrialFigures:
    """What can be told when a phase could not be used: the other one, and why."""
    zero = _zero(trial, before)
    sound = sound_figures(_phase(before), _phase(after))
    reasons = [problem for problem in (before, after) if isinstance(problem, str)]
    told = [
        ReportedTimeConstant(None) if isinstance(before, str) else tell_alone(before, "before"),
        ReportedTimeConstant(None) if isinstance(after, str) else tell_alone(after, "after"),
    ]
    return TrialFigures(
        device=trial.subject.device,
        before=_phase_figures(before, trial.subject, zero, sound.before_dba, told[0]),
        after=_phase_figures(after, trial.subject, zero, sound.after_dba, told[1]),
        verdict="undecided",
        reasons=(*reasons, *([sound.sentence] if sound.sentence else [])),
        sound_change_db=sound.change_db,
    )


def _evidence(trial: Trial, before: PhaseResult, after: PhaseResult) -> Evidence:
    """Compare two phases that can be used."""
    subject = trial.subject
    zero = _zero(trial, before)
    offset_k = 0.0 if zero is None or zero.offset_k is None else zero.offset_k.value
    rise = _whole_rise(after, subject, zero)
    rises_k = before.rise.shifted(-offset_k), after.rise.shifted(-offset_k)
    comparison = compare(
        *rises_k,
        before.power_w,
        after.power_w,
        spreads_k=(before.settling.spread_k, after.settling.spread_k),
    )
    before_time, after_time = tell_both(before, after, offset_k, equal_load=comparison.equal)
    return Evidence(
        trial=trial,
        before=before,
        after=after,
        before_rise=_whole_rise(before, subject, zero),
        after_rise=rise,
        zero=zero,
        comparison=comparison,
        day=hot_day(subject, rise, after.power_w),
        sound=sound_figures(before.phase, after.phase),
        before_time=before_time,
        after_time=after_time,
    )


def _conclude(evidence: Evidence, terms: Terms) -> TrialFigures:
    """Judge, and put all figures together."""
    subject, day, sound = evidence.trial.subject, evidence.hot_day, evidence.sound
    against = obstacles(evidence)
    margin = None if day is None else day.margin
    verdict, why = judge(margin, against, terms)
    change = evidence.comparison.change
    one_ambient_c = (evidence.before.ambient_c + evidence.after.ambient_c) / 2
    life, capacitor = life_factors(one_ambient_c, evidence.after_rise.value, change.value, terms)
    believed = not against and verdict != "reject"
    return TrialFigures(
        device=subject.device,
        before=_phase_figures(
            evidence.before, subject, evidence.zero, sound.before_dba, evidence.before_time
        ),
        after=_phase_figures(
            evidence.after, subject, evidence.zero, sound.after_dba, evidence.after_time
        ),
        verdict=verdict,
        reasons=(*why, *remarks(evidence)),
        change=change,
        hot_day_temperature_c=None if day is None else day.temperature_c,
        hot_day_margin=margin,
        threshold_c=None if day is None else day.threshold_c,
        life_factor=life,
        life_factor_capacitor=capacitor,
        sound_change_db=sound.change_db,
        setpoints=_setpoints(evidence) if believed else Setpoints(subject.device, {}),
    )


def _phase(result: PhaseResult | str) -> Phase | None:
    return None if isinstance(result, str) else result.phase


def _accuracies_k(subject: Subject) -> tuple[float, float]:
    stated = (subject.temperature_accuracy_k, subject.ambient_accuracy_k)
    temperature, ambient = (ASSUMED_ACCURACY_K if a is None else a for a in stated)
    return temperature, ambient


def _zero(trial: Trial, before: PhaseResult | str) -> Zero | None:
    if trial.zero is None:
        return None
    running_w = None if isinstance(before, str) else before.power_w
    return zero_offset(trial.zero, trial.subject, running_w, sum(_accuracies_k(trial.subject)))


def _whole_rise(result: PhaseResult, subject: Subject, zero: Zero | None) -> Estimate:
    """The absolute rise: a zero phase takes the sensors' systematic part off, else it counts."""
    if zero is not None and zero.offset_k is not None:
        return result.rise.minus(zero.offset_k)
    return result.rise.widened(rectangular(*_accuracies_k(subject)))


def _phase_figures(
    result: PhaseResult | str,
    subject: Subject,
    zero: Zero | None,
    sound_dba: float | None,
    time_constant: ReportedTimeConstant,
) -> PhaseFigures:
    if isinstance(result, str):
        return PhaseFigures()
    return PhaseFigures(
        rise=_whole_rise(result, subject, zero),
        settled=result.steadiness.settled,
        time_constant_s=time_constant.value_s,
        ambient_c=result.ambient_c,
        samples=result.samples,
        sound_dba=sound_dba,
        power_w=result.power_w,
    )


def _setpoints(evidence: Evidence) -> Setpoints:
    """Settings that follow from a measurement that can be believed."""
    subject, rise, day = evidence.trial.subject, evidence.after_rise, evidence.hot_day
    most_rise_k = None
    if day is not None and day.margin is not None and subject.derating_air == "device":
        most_rise_k = rise.value + day.margin.value
    return make_setpoints(
        subject.device,
        rise,
        evidence.after.power_w,
        time_constant_s=evidence.after_time.value_s,
        most_rise_k=most_rise_k,
    )

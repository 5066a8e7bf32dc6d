"""Why a trial can be believed or not, and what belongs to every report: sentences."""

from dataclasses import dataclass

from cabinetwatch.times import describe_duration
from cabinetwatch.trial.carrying import Told
from cabinetwatch.trial.consequence import HotDay
from cabinetwatch.trial.cover import cover_off
from cabinetwatch.trial.data import Trial
from cabinetwatch.trial.estimate import Estimate
from cabinetwatch.trial.load import Comparison
from cabinetwatch.trial.phases import PhaseResult
from cabinetwatch.trial.sound import SoundFigures
from cabinetwatch.trial.zero import Zero

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
    before_time: Told
    after_time: Told

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

"""Trials under way: what phase each is in, whether that has settled, and what people must know."""

from dataclasses import dataclass
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.report.trial_case import Case, subject_of
from cabinetwatch.report.trial_readings import Interval
from cabinetwatch.report.trial_stored import with_stored_readings
from cabinetwatch.store.store import Store
from cabinetwatch.times import describe_duration, to_rfc3339
from cabinetwatch.trial.consequence import threshold_c
from cabinetwatch.trial.cover import cover_off
from cabinetwatch.trial.data import Phase
from cabinetwatch.trial.phases import analyse_phase, last_mark_ms
from cabinetwatch.trial.progress import Progress, phase_progress, zero_progress
from cabinetwatch.trial.reasons import ASSUMED_ACCURACY_K
from cabinetwatch.watch.trials import CHANGED, MEASURED, PHASES, WITHHELD, TrialRecord

LONG_OPEN_MS = 86_400_000
"""A phase that is open for longer has likely been forgotten."""


@dataclass(frozen=True)
class TrialState:
    """An open trial as it stands.

    `settled`: the phase has settled, the next may start. `left_s`: how long that will still take;
    None where it can't be told. `sentences`: all of it in words; `warnings` are among them.
    """

    trial: TrialRecord
    settled: bool
    left_s: float | None
    sentences: tuple[str, ...]

    def public(self) -> dict[str, Any]:
        """Give JSON-able values."""
        trial = self.trial
        return {
            "name": trial.name,
            "device": trial.device,
            "change": trial.change,
            "begun": to_rfc3339(trial.begun_utc_ms),
            "ended": None if trial.ended_utc_ms is None else to_rfc3339(trial.ended_utc_ms),
            "phase": trial.phase,
            "since": to_rfc3339(trial.since_utc_ms),
            "settled": self.settled,
            "time_left_s": None if self.left_s is None else round(self.left_s),
            "sentences": list(self.sentences),
        }


def case_of(store: Store, config: Config, trial: TrialRecord, now_utc_ms: int) -> Case:
    """Put a trial together from the store; a phase that still lasts ends at its last mark.

    Raises:
        StoreError: the store can't be read.
    """
    intervals: dict[str, Interval] = {}
    for phase in PHASES:
        interval = trial.interval(phase)
        if interval is not None:
            start_ms, end_ms = interval
            intervals[phase] = start_ms, end_ms or _end_so_far(phase, start_ms, now_utc_ms)
    before, after = intervals.get("before"), intervals.get("after")
    if before is not None and after is not None and after[0] < before[0]:
        # The before phase was begun anew: an after phase from earlier counts no more.
        del intervals["after"]
    case = Case(
        title=trial.name,
        device=trial.device,
        change=trial.change,
        config=config,
        intervals=intervals,
        readings={},
    )
    return with_stored_readings(case, store)


def _end_so_far(phase: str, start_ms: int, now_ms: int) -> int:
    """Where a phase under way ends for now; one that counts at a mark, so that all judge alike."""
    end_ms = last_mark_ms(start_ms, now_ms) if phase in MEASURED else now_ms
    return max(end_ms, start_ms + 1)


def state_of(store: Store, config: Config, trial: TrialRecord, now_utc_ms: int) -> TrialState:
    """Say how an open trial stands.

    Raises:
        StoreError: the store can't be read.
    """
    if not trial.open:
        return TrialState(trial, True, None, ())
    device = config.devices.get(trial.device)
    if device is None or device.ambient is None:
        sentence = f"{trial.device} with an ambient sensor is no longer in the configuration."
        return TrialState(trial, False, None, (sentence,))
    case = case_of(store, config, trial, now_utc_ms)
    progress = _progress(case, trial)
    sentences = [progress.sentence, *_warnings(case, trial, now_utc_ms)]
    return TrialState(trial, progress.settled, progress.left_s, tuple(sentences))


def _progress(case: Case, trial: TrialRecord) -> Progress:
    name = trial.phase
    phase = None if name is None else case.phase(name)
    if name is None or phase is None:
        return Progress(
            False,
            None,
            "No phase has begun yet. Next: zero with the device off and cold (optional), or before"
            " with all as it is now.",
        )
    if name == "change":
        return Progress(
            False,
            None,
            "The change phase is not counted. When the change is made and the cover is on again,"
            " begin the after phase.",
        )
    subject = subject_of(case)
    if name == "zero":
        stated = (subject.temperature_accuracy_k, subject.ambient_accuracy_k)
        limit_k = sum(ASSUMED_ACCURACY_K if each is None else each for each in stated)
        return zero_progress(phase, subject, limit_k)
    return phase_progress(phase, name, threshold_c(subject, None))


def _warnings(case: Case, trial: TrialRecord, now_utc_ms: int) -> list[str]:
    """Say what looks wrong, and what is suppressed."""
    warnings = []
    name = trial.phase
    phase = None if name is None else case.phase(name)
    if name in {"before", "after"} and phase is not None:
        warnings += _cover(phase, name)
    open_ms = now_utc_ms - trial.since_utc_ms
    what = f"The {name} phase" if name else "The trial"
    if open_ms > LONG_OPEN_MS:
        warnings.append(
            f"WARNING: {what} of {trial.name} has been open for"
            f" {describe_duration(open_ms / 1000)}; was it forgotten? Enter the next phase, or end"
            f" it: cabinetwatch trial end {trial.name}."
        )
    if name in CHANGED:
        warnings.append(
            f"While it lasts {', '.join(sorted(WITHHELD))} of {trial.device} are suppressed;"
            " over-derating and derating-forecast are told."
        )
    return warnings


def _cover(phase: Phase, name: str) -> list[str]:
    result = analyse_phase(phase, name, None)
    fall = None if isinstance(result, str) else cover_off(result.profile)
    if fall is None:
        return []
    sentence = (
        f"WARNING: the temperature fell by {fall.fall_k:z.1f} K within ten minutes, some"
        f" {describe_duration(fall.at_s)} after the {name} phase began, and neither ambient nor"
        " load did: was the cover off? If so, begin the phase anew."
    )
    return [sentence]

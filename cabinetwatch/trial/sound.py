"""What a trial says of sound: measured levels, or what the fan's speed lets expect."""

from typing import NamedTuple

import numpy as np

from cabinetwatch.thermal.sound import mean_level_db, speed_change_db
from cabinetwatch.trial.data import Floats, Phase, Series

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

"""What of a phase can be used: its readings in order, without what can't be true."""

from dataclasses import replace

import numpy as np

from cabinetwatch.errors import CabinetwatchError
from cabinetwatch.text import counted
from cabinetwatch.times import describe_duration
from cabinetwatch.trial.data import Phase, Series
from cabinetwatch.trial.stillness import stood_still

LEAST_READINGS = 12
"""Fewer can't tell five unknowns with anything to spare; our choice."""

LARGEST_HOLE = 0.25
"""Largest part of a phase in which a temperature may be missing; our choice."""

LARGEST_LOAD_HOLE = 0.5
_WILD_K = 3.0


class UnusablePhaseError(CabinetwatchError):
    """Why a phase tells nothing, as one sentence."""


def clean(phase: Phase, name: str, other: Phase | None = None) -> Phase:
    """Give the phase with usable readings only, in order of time.

    Readings outside the interval, that are no numbers, or that stand alone and wild between calm
    neighbours are left out. An optional sensor with too little to say becomes None. `other` is
    another phase of the same sensors, to know them by.

    Raises:
        UnusablePhaseError: too few readings, too large a hole, or a sensor that stood still.
    """
    if phase.end_ms <= phase.start_ms:
        raise UnusablePhaseError(f"The {name} phase is empty: it ends when it begins.")
    temperature = _without_wild(_within(phase.temperature, phase))
    ambient = _without_wild(_within(phase.ambient, phase))
    for series, what in ((temperature, "temperature"), (ambient, "ambient")):
        _check_amount(series, phase, f"The {name} phase", what)
    _check_stirs(temperature, ambient, None if other is None else other.temperature, name)
    _check_stirs(ambient, None, None if other is None else other.ambient, name)
    return replace(
        phase,
        temperature=temperature,
        ambient=ambient,
        power=_optional(phase.power, phase),
        fan=_optional(phase.fan, phase),
        sound=_optional(phase.sound, phase),
    )


def largest_hole(series: Series, phase: Phase) -> float:
    """Give the longest time without a reading, as a part of the phase; 1 for no readings."""
    marks = np.concatenate([[phase.start_ms], series.t_ms, [phase.end_ms]])
    return float(np.max(np.diff(marks))) / (phase.end_ms - phase.start_ms)


def _within(series: Series, phase: Phase) -> Series:
    keep = (
        (series.t_ms >= phase.start_ms) & (series.t_ms < phase.end_ms) & np.isfinite(series.value)
    )
    order = np.argsort(series.t_ms[keep], kind="stable")
    return Series(series.t_ms[keep][order], series.value[keep][order])


def _without_wild(series: Series) -> Series:
    """Leave out a reading far from two neighbours that agree with each other."""
    value = series.value
    if len(value) < 3:
        return series
    apart = np.abs(value[2:] - value[:-2])
    off = np.abs(value[1:-1] - (value[2:] + value[:-2]) / 2)
    wild = np.zeros(len(value), dtype=bool)
    wild[1:-1] = off > np.maximum(_WILD_K, 3 * apart)
    wild[0] = abs(value[0] - value[1]) > max(_WILD_K, 5 * abs(value[1] - value[2]))
    wild[-1] = abs(value[-1] - value[-2]) > max(_WILD_K, 5 * abs(value[-2] - value[-3]))
    return Series(series.t_ms[~wild], value[~wild])


def _check_amount(series: Series, phase: Phase, begin: str, what: str) -> None:
    count = len(series.value)
    if phase.let_go and (count < LEAST_READINGS or largest_hole(series, phase) > LARGEST_HOLE):
        raise UnusablePhaseError(
            f"{begin} can't be judged any more: single readings of its {what} were let go. The"
            " store keeps them for keep_raw_days, and those of a trial's phases for"
            " keep_minutes_days, up to a week of each."
        )
    if count == 0:
        raise UnusablePhaseError(f"{begin} has no readings of the {what}.")
    if count < LEAST_READINGS:
        raise UnusablePhaseError(
            f"{begin} has only {counted(count, 'reading')} of the {what}; at least {LEAST_READINGS}"
            " are needed, and a phase of three time constants is better."
        )
    hole = largest_hole(series, phase)
    if hole > LARGEST_HOLE:
        hole_s = hole * (phase.end_ms - phase.start_ms) / 1000
        raise UnusablePhaseError(
            f"{begin} has no reading of the {what} for {describe_duration(hole_s)},"
            f" {100 * hole:z.0f} % of it: the sensor was silent."
        )


def _check_stirs(
    series: Series, witness: Series | None, elsewhere: Series | None, name: str
) -> None:
    """Refuse a sensor that stood still as only a dead one can.

    The device must follow its ambient, so that is a witness for it; not the other way about.
    """
    part = stood_still(series, witness, elsewhere)
    if part is not None:
        what = "ambient" if witness is None else "temperature"
        raise UnusablePhaseError(
            f"The {what} did not move at all for {100 * part:z.0f} % of the {name} phase, though it"
            " or the air moved at other times: its sensor looks dead."
        )


def _optional(series: Series | None, phase: Phase) -> Series | None:
    if series is None:
        return None
    within = _within(series, phase)
    if len(within.value) < 2 or largest_hole(within, phase) > LARGEST_LOAD_HOLE:
        return None
    return within

"""Trials of an invented NAS under the stairs, made by hand for the tests of single rules."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cabinetwatch.trial.readings import Enclosing, Floats, Phase, Series, Subject, Trial

START_MS = 1_780_000_000_000
SUBJECT = Subject(
    device="nas",
    design_ambient_c=33.0,
    derating=((50.0, 1.0), (70.0, 0.5)),
    rated_power_w=50.0,
    temperature_accuracy_k=0.3,
    ambient_accuracy_k=0.3,
)


@dataclass(frozen=True)
class Recipe:
    """One phase: a step response of one mass from `from_k` to `rise_k`."""

    begin_s: float = 0.0
    length_s: float = 7200.0
    rise_k: float = 10.0
    from_k: float = 0.0
    tau_s: float = 1200.0
    ambient_c: float = 21.0
    power_w: float | None = 40.0
    offset_k: float = 0.0
    noise_k: float = 0.05
    every_s: float = 10.0
    seed: int = 1


def make_phase(recipe: Recipe) -> Phase:
    """Make a phase whose ambient swings a little."""
    rng = np.random.default_rng(recipe.seed)
    t_s = np.arange(0.0, recipe.length_s, recipe.every_s)
    rise_k = recipe.rise_k + (recipe.from_k - recipe.rise_k) * np.exp(-t_s / recipe.tau_s)
    ambient_c = recipe.ambient_c + 0.1 * np.sin(t_s / 3000.0)

    def read(true: Floats) -> Series:
        value = true + recipe.noise_k * rng.standard_normal(len(t_s))
        return Series(_times(recipe.begin_s, t_s), np.round(value, 2))

    return Phase(
        START_MS + round(recipe.begin_s * 1000),
        START_MS + round((recipe.begin_s + recipe.length_s) * 1000),
        read(ambient_c + rise_k + recipe.offset_k),
        read(ambient_c),
        None
        if recipe.power_w is None
        else Series(_times(recipe.begin_s, t_s), np.full(len(t_s), recipe.power_w)),
    )


def _times(begin_s: float, t_s: Floats) -> NDArray[np.int64]:
    return (START_MS + (begin_s + t_s) * 1000).astype(np.int64)


BEFORE = Recipe()
AFTER = Recipe(begin_s=7800.0, from_k=10.0, rise_k=14.0, tau_s=1500.0, length_s=9000.0, seed=2)


def make_trial(
    before: Recipe = BEFORE,
    after: Recipe = AFTER,
    subject: Subject = SUBJECT,
    zero: Recipe | None = None,
) -> Trial:
    """Make a trial; by default a slowed fan: 10 K before, 14 K after."""
    return Trial(
        subject, make_phase(before), make_phase(after), None if zero is None else make_phase(zero)
    )


def enclosed_by(*rises_k: float | None) -> Subject:
    """Give the NAS inside cabinets of these settled rises."""
    return replace(
        SUBJECT, enclosing=tuple(Enclosing(f"around-{i}", rise) for i, rise in enumerate(rises_k))
    )


def cover_opened(phase: Phase, from_s: float, to_s: float, fall_k: float = 6.0) -> Phase:
    """Take the cover off for a time: the rise falls within minutes, and comes back."""
    t_s = (phase.temperature.t_ms - phase.start_ms) / 1000.0
    kept = np.where(t_s < to_s, 1 - np.exp(-(t_s - from_s) / 150.0), 0.0)
    after = (1 - np.exp(-(to_s - from_s) / 150.0)) * np.exp(-(t_s - to_s) / 900.0)
    lost_k = fall_k * np.where(t_s < from_s, 0.0, np.where(t_s < to_s, kept, after))
    value = phase.temperature.value - lost_k
    return replace(phase, temperature=phase.temperature._replace(value=value))

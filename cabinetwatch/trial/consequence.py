"""What a measured rise means on the hottest day, and for life."""

import math
from dataclasses import dataclass

from cabinetwatch.thermal.derating import DeratingCurve
from cabinetwatch.thermal.hotday import hot_day_temperature_c
from cabinetwatch.thermal.life import arrhenius_factor, ten_degree_factor
from cabinetwatch.trial.data import Subject, Terms
from cabinetwatch.trial.estimate import Estimate


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

"""How temperature wears: Arrhenius, the ten-degree rule of capacitors, fan bearings.

Factors say how many times faster ageing goes at the second temperature. They rank changes; none of
them foretells a failure.
"""

from __future__ import annotations

from math import exp

BOLTZMANN_EV_PER_K = 1.380649e-23 / 1.602176634e-19
ZERO_CELSIUS_K = 273.15
LONGEST_CAPACITOR_LIFE_H = 15.0 * 8760.0
"""Seals age too: no capacitor is promised more than about 15 years (common practice, no source)."""


def arrhenius_factor(first_c: float, second_c: float, activation_ev: float = 0.7) -> float:
    """exp[(Ea/k)(1/T1 - 1/T2)], temperatures in kelvin."""
    first_k, second_k = first_c + ZERO_CELSIUS_K, second_c + ZERO_CELSIUS_K
    return exp(activation_ev / BOLTZMANN_EV_PER_K * (1.0 / first_k - 1.0 / second_k))


def ten_degree_factor(first_c: float, second_c: float) -> float:
    """Ageing doubles with every 10 K (Rubycon technical note 5-1; TDK electronics primer)."""
    return float(2.0 ** ((second_c - first_c) / 10.0))


def capacitor_life_h(
    rated_life_h: float,
    rated_c: float,
    actual_c: float,
    longest_h: float = LONGEST_CAPACITOR_LIFE_H,
) -> float:
    """Life of an electrolytic capacitor by the ten-degree rule, capped."""
    return min(longest_h, rated_life_h * ten_degree_factor(actual_c, rated_c))


def fan_life_h(
    rated_life_h: float, rated_c: float, actual_c: float, factor: float = 1.5, per_k: float = 10.0
) -> float:
    """Bearing life L10; makers disagree (1.5 per 10 K, 2 per 15 K): use the data sheet's."""
    return float(rated_life_h * factor ** ((rated_c - actual_c) / per_k))

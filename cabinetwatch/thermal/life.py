"""What a change of temperature does to life: ratios and hours, never dates.

ValueError for figures that lead beyond what can be reckoned.
"""

import math

from cabinetwatch.thermal.bounds import check, check_positive, checked

BOLTZMANN_EV_K = 1.380649e-23 / 1.602176634e-19
"""Boltzmann's constant in eV/K, from the exact constants of the SI (2019)."""

ABSOLUTE_ZERO_C = -273.15
DEFAULT_ACTIVATION_ENERGY_EV = 0.7
"""Usual for silicon when nothing better is known (common practice, no source)."""

KELVIN_PER_HALVING = 10.0
_MOST_EXPONENT = 600.0
_HOTTEST_K = 1e5
HOURS_A_YEAR = 8760.0
LONGEST_CAPACITOR_LIFE_H = 15 * HOURS_A_YEAR
"""Seals age whatever the temperature; some 15 years (common practice, no source)."""


def arrhenius_factor(
    from_c: float, to_c: float, activation_energy_ev: float = DEFAULT_ACTIVATION_ENERGY_EV
) -> float:
    """Give how many times as long life lasts at `to_c` as at `from_c`; below 1 is shorter.

    exp[(Ea / k) (1 / T_to - 1 / T_from)], temperatures in K (Arrhenius; NIST/SEMATECH e-Handbook,
    8.1.5.1).

    Raises:
        ValueError: a temperature at or below absolute zero.
    """
    from_k, to_k = from_c - ABSOLUTE_ZERO_C, to_c - ABSOLUTE_ZERO_C
    if not (from_k > 0 and to_k > 0):
        raise ValueError("a temperature lies at or below absolute zero")
    check_positive(from_k, to_k)
    return _exp(activation_energy_ev / BOLTZMANN_EV_K * (1 / to_k - 1 / from_k))


def ten_degree_factor(change_k: float) -> float:
    """Give how many times as long an electrolytic capacitor lasts when warmer by `change_k`.

    Its life halves with every 10 K: 2^(-change / 10) (Rubycon, technical notes on aluminium
    electrolytic capacitors, 5-1; TDK, electronics primer). Makers hold it to agree with Arrhenius
    from 70 to 90 degC; below about 60 degC it promises more than is known.
    """
    return _exp(-change_k / KELVIN_PER_HALVING * math.log(2.0))


def capacitor_life_h(rated_life_h: float, rated_c: float, at_c: float) -> float:
    """Give the hours an electrolytic capacitor lasts by the ten-degree rule, at most 15 years."""
    check(rated_life_h)
    return min(
        rated_life_h * ten_degree_factor(at_c - rated_c),
        max(LONGEST_CAPACITOR_LIFE_H, rated_life_h),
    )


def equivalent_activation_energy_ev(at_c: float) -> float:
    """Give the activation energy at which ageing just doubles from `at_c` to 10 K above it."""
    cool_k = at_c - ABSOLUTE_ZERO_C
    if not 0 < cool_k <= _HOTTEST_K:
        raise ValueError(f"nothing ages at {at_c:zg} °C that could be told")
    warm_k = cool_k + KELVIN_PER_HALVING
    return BOLTZMANN_EV_K * math.log(2.0) / (1 / cool_k - 1 / warm_k)


def bearing_life_h(
    life_h: float, at_c: float, to_c: float, factor: float = 1.5, per_k: float = 10.0
) -> float:
    """Give the life of a fan's bearing (10 % failed) at another temperature.

    It divides by `factor` with every `per_k`. Makers disagree: 1.5 per 10 K (Jamicon, note on fan
    life; attributed there to IPC-9591), 2 per 15 K (EAO / Sanyo Denki). Ask for the data sheet's.
    """
    check(life_h, at_c, to_c)
    check_positive(factor, per_k)
    return checked(life_h * _exp((at_c - to_c) / per_k * math.log(factor)))


def _exp(exponent: float) -> float:
    if not exponent <= _MOST_EXPONENT:
        raise ValueError("the figures given lead beyond all numbers; check them")
    return math.exp(exponent)

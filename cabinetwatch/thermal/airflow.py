"""Air that carries heat away: flow for a rise, rise for a flow, at altitude."""

import math

from cabinetwatch.thermal.bounds import LARGEST, checked

GAS_CONSTANT_J_KGK = 287.05287
"""Of dry air (ICAO standard atmosphere)."""

HEAT_CAPACITY_J_KGK = 1006.0
"""Of dry air at constant pressure near room temperature (CoolProp: 1006.1 at 20 degC)."""

SEA_LEVEL_PA = 101_325.0
M3_H_PER_M3_S = 3600.0
CFM_PER_M3_S = 1 / 4.719474432e-4
"""Cubic feet a minute; exact from foot and minute."""

HIGHEST_M = 11_000.0


def pressure_pa(altitude_m: float) -> float:
    """Give the pressure of the standard atmosphere: 101325 (1 - 2.25577e-5 h)^5.2559 (ICAO).

    Raises:
        ValueError: above 11 000 m or below -500 m, where the formula doesn't hold.
    """
    if not -500 <= altitude_m <= HIGHEST_M:
        raise ValueError(f"the altitude lies from -500 to 11000 m, not at {altitude_m:zg}")
    return SEA_LEVEL_PA * math.pow(1 - 2.25577e-5 * altitude_m, 5.2559)


def density_kg_m3(temperature_c: float, altitude_m: float = 0.0) -> float:
    """Give the density of dry air: p / (R T).

    Raises:
        ValueError: a temperature at or below absolute zero, or beyond all reckoning.
    """
    if not 0 < temperature_c + 273.15 <= LARGEST:
        raise ValueError(f"air can't be at {temperature_c:zg} °C")
    return pressure_pa(altitude_m) / (GAS_CONSTANT_J_KGK * (temperature_c + 273.15))


def flow_m3_s(
    heat_w: float, rise_k: float, temperature_c: float = 20.0, altitude_m: float = 0.0
) -> float:
    """Give the flow that carries `heat_w` away with a rise of `rise_k`: P / (rho cp dT).

    `temperature_c` is that of the air where the flow is counted.

    Raises:
        ValueError: heat or rise not above 0.
    """
    if not (heat_w > 0 and rise_k > 0):
        raise ValueError("heat and rise must lie above 0")
    per_m3_j = density_kg_m3(temperature_c, altitude_m) * HEAT_CAPACITY_J_KGK
    return checked(heat_w / per_m3_j / rise_k)


def rise_k(
    heat_w: float, flow_m3_s: float, temperature_c: float = 20.0, altitude_m: float = 0.0
) -> float:
    """Give the rise of air that carries `heat_w` away at a flow: P / (rho cp Q).

    Raises:
        ValueError: heat or flow not above 0.
    """
    if not (heat_w > 0 and flow_m3_s > 0):
        raise ValueError("heat and flow must lie above 0")
    per_m3_j = density_kg_m3(temperature_c, altitude_m) * HEAT_CAPACITY_J_KGK
    return checked(heat_w / per_m3_j / flow_m3_s)

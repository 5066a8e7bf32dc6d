"""A DC fan slowed by a resistor, the fan laws, the air it moves and the sound it makes.

ValueError for what should lie above 0 and doesn't, or lies beyond what can be reckoned, and for
levels that are no sound.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from cabinetwatch.thermal.windows import LARGEST, SMALLEST, check, check_positive, checked

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

    ValueError above 11 000 m or below -500 m, where the formula doesn't hold.
    """
    if not -500 <= altitude_m <= HIGHEST_M:
        raise ValueError(f"the altitude lies from -500 to 11000 m, not at {altitude_m:zg}")
    return SEA_LEVEL_PA * math.pow(1 - 2.25577e-5 * altitude_m, 5.2559)


def density_kg_m3(temperature_c: float, altitude_m: float = 0.0) -> float:
    """Give the density of dry air: p / (R T).

    ValueError for a temperature at or below absolute zero, or beyond all reckoning.
    """
    if not 0 < temperature_c + 273.15 <= LARGEST:
        raise ValueError(f"air can't be at {temperature_c:zg} °C")
    return pressure_pa(altitude_m) / (GAS_CONSTANT_J_KGK * (temperature_c + 273.15))


def flow_m3_s(
    heat_w: float, rise_k: float, temperature_c: float = 20.0, altitude_m: float = 0.0
) -> float:
    """Give the flow that carries `heat_w` away with a rise of `rise_k`: P / (rho cp dT).

    `temperature_c` is that of the air where the flow is counted.
    """
    if not (heat_w > 0 and rise_k > 0):
        raise ValueError("heat and rise must lie above 0")
    per_m3_j = density_kg_m3(temperature_c, altitude_m) * HEAT_CAPACITY_J_KGK
    return checked(heat_w / per_m3_j / rise_k)


def rise_k(
    heat_w: float, flow_m3_s: float, temperature_c: float = 20.0, altitude_m: float = 0.0
) -> float:
    """Give the rise of air that carries `heat_w` away at a flow: P / (rho cp Q)."""
    if not (heat_w > 0 and flow_m3_s > 0):
        raise ValueError("heat and flow must lie above 0")
    per_m3_j = density_kg_m3(temperature_c, altitude_m) * HEAT_CAPACITY_J_KGK
    return checked(heat_w / per_m3_j / flow_m3_s)


E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E24 = tuple(sorted((*E12, 11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91)))
"""Preferred values of IEC 60063: a list, since powers of 10^(1/12) or 10^(1/24) miss some."""

Series = Literal["E12", "E24"]
SERIES: dict[Series, tuple[int, ...]] = {"E12": E12, "E24": E24}

RATING_FACTOR = 2.0
"""A resistor is bought for twice its dissipation (common practice, no source)."""

POWER_RATINGS_W = (0.125, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 25.0)
"""Usual ratings of resistors (common practice, no source)."""

START_PART = 7 / 12
"""A 12 V fan starts at 4 to 7 V (common practice, no source): the cautious end, as a part."""

LEAST_PART, LEAST_TAKEN = 0.25, 0.01
"""A resistor that leaves a fan less than this part of its voltage stops it by every model; one that
takes less than this part of the supply does nothing; our choice."""

_HALVINGS = 200


class OperatingPoint(NamedTuple):
    """What a fan behind a resistor settles at."""

    fan_v: float
    current_a: float
    dissipation_w: float


@dataclass(frozen=True)
class CurrentModel:
    """How a fan's current follows its voltage; `current_a` never falls with voltage."""

    name: str
    law: str
    current_a: Callable[[float], float]


class FanLaws(NamedTuple):
    """What follows from a change of speed, as ratios; `sound_db` is the change of level."""

    flow: float
    pressure: float
    power: float
    rise: float
    sound_db: float


def rated_models(rated_v: float, rated_a: float) -> tuple[CurrentModel, ...]:
    """Give three models through the rated point; they bracket what a fan does.

    Current in proportion to voltage; to its square (power with the cube of speed); the same at all
    voltages.
    """
    _check_positive(rated_v=rated_v, rated_a=rated_a)
    return (
        CurrentModel("proportional", "I = I0 V/V0", lambda v: rated_a * v / rated_v),
        CurrentModel("square", "I = I0 (V/V0)^2", lambda v: rated_a * (v / rated_v) ** 2),
        CurrentModel("constant", "I = I0", lambda _: rated_a),
    )


def measured_model(first: tuple[float, float], second: tuple[float, float]) -> CurrentModel:
    """Give the straight line through two measured points (V, A).

    ValueError for points that aren't above 0, of one voltage, or with a current that falls.
    """
    (low_v, low_a), (high_v, high_a) = sorted((first, second))
    for voltage, current in (first, second):
        _check_positive(voltage=voltage, current=current)
    if low_v == high_v:
        raise ValueError(f"both points were measured at {low_v:zg} V; measure at two voltages")
    slope = (high_a - low_a) / (high_v - low_v)
    if slope < 0:
        raise ValueError(
            f"the fan draws less at {high_v:zg} V than at {low_v:zg} V: it limits its speed itself,"
            " and a resistor would slow it in a way that can't be reckoned"
        )
    intercept = low_a - slope * low_v
    sign = "-" if intercept < 0 else "+"
    return CurrentModel(
        "measured",
        f"I = {slope:z.4g} V {sign} {abs(intercept):z.4g}",
        lambda v: max(0.0, intercept + slope * v),
    )


def with_resistor(model: CurrentModel, supply_v: float, resistance_ohm: float) -> OperatingPoint:
    """Solve V_fan = V_supply - R I(V_fan) (Kirchhoff) by halving.

    ValueError for a supply or resistance not above 0, or one that leaves the fan nothing.
    """
    _check_positive(supply_v=supply_v, resistance_ohm=resistance_ohm)
    low_v, high_v = 0.0, supply_v
    if supply_v - resistance_ohm * model.current_a(0.0) <= 0:
        raise ValueError(
            f"{resistance_ohm:zg} ohm leaves the fan no voltage by the {model.name} model"
        )
    for _ in range(_HALVINGS):
        middle_v = (low_v + high_v) / 2
        if supply_v - resistance_ohm * model.current_a(middle_v) > middle_v:
            low_v = middle_v
        else:
            high_v = middle_v
    fan_v = (low_v + high_v) / 2
    current_a = (supply_v - fan_v) / resistance_ohm
    return OperatingPoint(fan_v, current_a, current_a**2 * resistance_ohm)


def resistor_for(model: CurrentModel, supply_v: float, fan_v: float) -> float:
    """Give the resistance in ohm that leaves `fan_v` to the fan: (V_supply - V_fan) / I(V_fan).

    ValueError for a wanted voltage not between 0 and the supply, or without current.
    """
    _check_positive(supply_v=supply_v)
    if not 0 < fan_v < supply_v:
        raise ValueError(
            f"the fan's voltage must lie between 0 and {supply_v:zg} V, not at {fan_v:zg}"
        )
    current_a = model.current_a(fan_v)
    if current_a <= 0:
        raise ValueError(f"by the {model.name} model the fan draws nothing at {fan_v:zg} V")
    return (supply_v - fan_v) / current_a


def check_resistor(
    models: tuple[CurrentModel, ...], supply_v: float, resistance_ohm: float, full_v: float
) -> None:
    """Refuse a resistor that no model lets a fan turn behind, or that changes nothing.

    `models`: the one to go by first; `full_v`: what the fan is made for, or the highest voltage
    that it was measured at. The ValueError names the range that would be right.
    """
    _check_positive(supply_v=supply_v, resistance_ohm=resistance_ohm, full_v=full_v)
    if not models:
        raise ValueError("nothing is known of the fan")
    fan_v = max(
        0.0
        if supply_v <= resistance_ohm * model.current_a(0.0)
        else with_resistor(model, supply_v, resistance_ohm).fan_v
        for model in models
    )
    most_v, half_v = min(0.95 * supply_v, full_v), 0.5 * min(supply_v, full_v)
    # Two digits, without an exponent.
    least, most = (
        f"{float(f'{resistor_for(models[0], supply_v, part_v):z.2g}'):zg}"
        for part_v in (most_v, half_v)
    )
    right = (
        f"something from {least} to {most} ohm ({most_v:z.3g} to {half_v:z.3g} V at the fan) would"
        " be right"
    )
    if fan_v < LEAST_PART * min(supply_v, full_v):
        raise ValueError(
            f"{resistance_ohm:zg} ohm leaves the fan {fan_v:z.2g} V at most, so that it stands"
            f" still; {right}"
        )
    if supply_v - fan_v < LEAST_TAKEN * supply_v:
        raise ValueError(
            f"{resistance_ohm:zg} ohm takes less than {100 * LEAST_TAKEN:zg} % of the {supply_v:zg}"
            f" V and slows no fan; {right}"
        )


def value_below(resistance_ohm: float, series: Series) -> float:
    """Give the largest preferred value not above a resistance: the fan turns faster, not slower."""
    _check_positive(resistance_ohm=resistance_ohm)
    decade = 10.0 ** (math.floor(math.log10(resistance_ohm * (1 + 1e-12))) - 1)
    fitting = [v * decade for v in SERIES[series] if v * decade <= resistance_ohm * (1 + 1e-9)]
    return round(max(fitting), 10)


def pair_below(resistance_ohm: float, series: Series) -> tuple[float, float]:
    """Give two preferred values in series that come nearest to a resistance from below."""
    _check_positive(resistance_ohm=resistance_ohm)
    lowest = math.floor(math.log10(resistance_ohm)) - 3
    values = [
        value * 10.0**decade for decade in range(lowest, lowest + 4) for value in SERIES[series]
    ]
    best = (0.0, 0.0)
    for large in values:
        rest = resistance_ohm * (1 + 1e-9) - large
        small = max((v for v in values if v <= min(rest, large)), default=0.0)
        if small > 0 and large + small > sum(best):
            best = (large, small)
    return round(best[0], 10), round(best[1], 10)


def rating_to_buy_w(dissipation_w: float) -> float:
    """Give the usual power rating that is at least twice a dissipation.

    ValueError for more than any usual resistor bears.
    """
    if not dissipation_w >= 0:
        raise ValueError(f"a resistor doesn't dissipate {dissipation_w:zg} W")
    needed_w = RATING_FACTOR * dissipation_w
    for rating_w in POWER_RATINGS_W:
        if rating_w >= needed_w * (1 - 1e-9):
            return rating_w
    raise ValueError(f"no usual resistor bears {needed_w:z.3g} W; use a fan of another speed")


def fan_laws(speed_ratio: float) -> FanLaws:
    """Give what follows from n2 / n1, for one fan in one duct.

    Flow with n, pressure with n^2, power with n^3, sound by 50 log10; the rise of the air with 1/n
    where all heat leaves with it ("Basic Fan Laws", cpemma).
    """
    _check_positive(speed_ratio=speed_ratio)
    return FanLaws(
        speed_ratio, speed_ratio**2, speed_ratio**3, 1 / speed_ratio, 50 * math.log10(speed_ratio)
    )


def _check_positive(**figures: float) -> None:
    for name, value in figures.items():
        if not SMALLEST <= value <= LARGEST:
            raise ValueError(f"{name} must lie above 0, not at {value:zg}")


_MOST_DB = 1000.0
_SHORTEST_S = 1e-9


def _energy(level_db: float) -> float:
    if not -_MOST_DB <= level_db <= _MOST_DB:
        raise ValueError(f"{level_db:zg} dB is no level of a sound")
    return float(10 ** (level_db / 10))


def sum_level_db(levels_db: Sequence[float]) -> float:
    """Add sources that know nothing of each other: 10 log10 sum 10^(L/10)."""
    if not levels_db:
        raise ValueError("no level to add")
    return 10 * math.log10(math.fsum(_energy(level) for level in levels_db))


def mean_level_db(levels_db: Sequence[float], durations_s: Sequence[float]) -> float:
    """Give the energy-mean level Leq: 10 log10 (sum t 10^(L/10) / sum t).

    Source: IEC 61672-1, from memory.

    ValueError for no level, numbers that don't match, a negative duration, or none above 0.
    """
    if len(levels_db) != len(durations_s) or not levels_db:
        raise ValueError("every level needs a duration, and there must be one")
    check(*durations_s)
    if min(durations_s) < 0 or math.fsum(durations_s) < _SHORTEST_S:
        raise ValueError("durations lie at 0 or above, and not all at 0")
    energy = math.fsum(t * _energy(level) for level, t in zip(levels_db, durations_s, strict=True))
    return 10 * math.log10(energy / math.fsum(durations_s))


def without_background_db(total_db: float, background_db: float) -> float:
    """Take a background off a level: 10 log10(10^(Lt/10) - 10^(Lb/10)).

    ValueError where the background is as loud as the whole or louder.
    """
    if background_db >= total_db:
        raise ValueError(
            f"a background of {background_db:zg} dB can't be part of {total_db:zg} dB in all"
        )
    source = _energy(total_db) - _energy(background_db)
    if source <= 0:
        raise ValueError(
            f"{total_db:zg} dB hardly differ from a background of {background_db:zg} dB"
        )
    return 10 * math.log10(source)


def speed_change_db(speed_ratio: float) -> float:
    """Give the change of a fan's sound level with its speed: 50 log10(n2 / n1).

    Source: the fan laws as cpemma's page on fans prints them (12 to 7 V: 11.7 dB); some take 55.
    Bearing and motor noise don't follow it.
    """
    if speed_ratio <= 0:
        raise ValueError("a fan that stands still has no level to reckon with")
    check_positive(speed_ratio)
    return 50 * math.log10(speed_ratio)

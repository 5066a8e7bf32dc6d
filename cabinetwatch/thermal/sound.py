"""Sound levels in dB: adding, averaging, background, and a fan's speed.

ValueError for levels that are no sound: beyond 1000 dB either way.
"""

import math
from collections.abc import Sequence

from cabinetwatch.thermal.bounds import check, check_positive

_MOST_DB = 1000.0
_SHORTEST_S = 1e-9


def _energy(level_db: float) -> float:
    if not -_MOST_DB <= level_db <= _MOST_DB:
        raise ValueError(f"{level_db:zg} dB is no level of a sound")
    return float(10 ** (level_db / 10))


def sum_level_db(levels_db: Sequence[float]) -> float:
    """Add sources that know nothing of each other: 10 log10 sum 10^(L/10).

    Raises:
        ValueError: no level.
    """
    if not levels_db:
        raise ValueError("no level to add")
    return 10 * math.log10(math.fsum(_energy(level) for level in levels_db))


def mean_level_db(levels_db: Sequence[float], durations_s: Sequence[float]) -> float:
    """Give the energy-mean level Leq: 10 log10 (sum t 10^(L/10) / sum t).

    Source: IEC 61672-1, from memory.

    Raises:
        ValueError: no level, numbers that don't match, a negative duration, or none above 0.
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

    Raises:
        ValueError: the background is as loud as the whole or louder.
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

    Raises:
        ValueError: a ratio that isn't above 0.
    """
    if speed_ratio <= 0:
        raise ValueError("a fan that stands still has no level to reckon with")
    check_positive(speed_ratio)
    return 50 * math.log10(speed_ratio)

"""Sound levels in dB: adding, averaging, background, and a fan's speed."""

import math
from collections.abc import Sequence


def sum_level_db(levels_db: Sequence[float]) -> float:
    """Add sources that know nothing of each other: 10 log10 sum 10^(L/10).

    Raises:
        ValueError: no level.
    """
    if not levels_db:
        raise ValueError("no level to add")
    return 10 * math.log10(math.fsum(10 ** (level / 10) for level in levels_db))


def mean_level_db(levels_db: Sequence[float], durations_s: Sequence[float]) -> float:
    """Give the energy-mean level Leq: 10 log10 (sum t 10^(L/10) / sum t).

    Source: IEC 61672-1, from memory.

    Raises:
        ValueError: no level, numbers that don't match, a negative duration, or none above 0.
    """
    if len(levels_db) != len(durations_s) or not levels_db:
        raise ValueError("every level needs a duration, and there must be one")
    if min(durations_s) < 0 or math.fsum(durations_s) <= 0:
        raise ValueError("durations lie at 0 or above, and not all at 0")
    energy = math.fsum(
        t * 10 ** (level / 10) for level, t in zip(levels_db, durations_s, strict=True)
    )
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
    return 10 * math.log10(10 ** (total_db / 10) - 10 ** (background_db / 10))


def speed_change_db(speed_ratio: float) -> float:
    """Give the change of a fan's sound level with its speed: 50 log10(n2 / n1).

    Source: the fan laws as cpemma's page on fans prints them (12 to 7 V: 11.7 dB); some take 55.
    Bearing and motor noise don't follow it.

    Raises:
        ValueError: a ratio that isn't above 0.
    """
    if speed_ratio <= 0:
        raise ValueError("a fan that stands still has no level to reckon with")
    return 50 * math.log10(speed_ratio)

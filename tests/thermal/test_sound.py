"""Sound levels, against published figures."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.thermal.fan import (
    mean_level_db,
    speed_change_db,
    sum_level_db,
    without_background_db,
)


@pytest.mark.parametrize(
    ("levels_db", "together_db", "tolerance"),
    [
        # Rotron, page on acoustic noise, prints 89, 87 and 101.
        ([86, 86], 89, 0.05),
        ([86, 80], 87, 0.05),
        ([100, 94], 101, 0.05),
        # acoustic-toolbox 0.2.2, dbsum.
        ([35, 38, 41], 43.436, 1e-3),
        # Arithmetic.
        ([30] * 10, 40.0, 1e-9),
    ],
)
def test_sources_add(levels_db: list[float], together_db: float, tolerance: float) -> None:
    assert sum_level_db(levels_db) == pytest.approx(together_db, abs=tolerance)


@pytest.mark.parametrize(
    ("levels_db", "durations_s", "mean_db"),
    [
        ([40, 30], [1, 1], 37.404),  # acoustic-toolbox 0.2.2, dbmean
        ([40, 30], [900, 2700], 35.119),  # arithmetic
        ([60, 40], [3600, 7 * 3600], 51.263),  # arithmetic
    ],
)
def test_the_mean_is_of_energy(
    levels_db: list[float], durations_s: list[float], mean_db: float
) -> None:
    assert mean_level_db(levels_db, durations_s) == pytest.approx(mean_db, abs=1e-3)


def test_a_background_is_taken_off() -> None:
    # acoustic-toolbox 0.2.2, dbsub.
    assert without_background_db(45, 42) == pytest.approx(41.979, abs=1e-3)


def test_a_background_louder_than_the_whole_is_refused() -> None:
    with pytest.raises(ValueError, match="background"):
        without_background_db(42, 45)


@pytest.mark.parametrize(
    ("ratio", "change_db", "tolerance"),
    [
        # "Basic Fan Laws", cpemma: 12 -> 7 V 11.7 dB, 12 -> 9 V 6.25 dB, 11 -> 6 V 13 dB.
        (7 / 12, -11.7, 0.05),
        (9 / 12, -6.25, 0.05),
        (6 / 11, -13.0, 0.2),
        # Levitronix, note on fan noise: 10 % faster is about 2 dB louder.
        (1.1, 2.0, 0.1),
    ],
)
def test_sound_follows_speed(ratio: float, change_db: float, tolerance: float) -> None:
    assert speed_change_db(ratio) == pytest.approx(change_db, abs=tolerance)


def test_a_standing_fan_is_refused() -> None:
    with pytest.raises(ValueError, match="stands still"):
        speed_change_db(0)


@given(st.floats(-50, 150), st.floats(-50, 150))
def test_a_background_added_can_be_taken_off(source_db: float, background_db: float) -> None:
    if abs(source_db - background_db) < 60:
        total_db = sum_level_db([source_db, background_db])
        assert without_background_db(total_db, background_db) == pytest.approx(source_db, abs=1e-6)

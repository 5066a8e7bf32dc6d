"""A fan behind a resistor, against figures worked by hand and published tables."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.thermal.fan import (
    E12,
    E24,
    Series,
    fan_laws,
    measured_model,
    pair_below,
    rated_models,
    rating_to_buy_w,
    resistor_for,
    value_below,
    with_resistor,
)

PROPORTIONAL, SQUARE, CONSTANT = rated_models(12.0, 0.10)


@pytest.mark.parametrize(
    ("resistance", "proportional", "square", "constant"),
    # Kirchhoff by hand, for a fan of 12 V and 0.10 A: V at the fan and W in the resistor.
    [
        (47, (8.623, 0.243), (9.223, 0.164), (7.30, 0.470)),
        (82, (7.129, 0.289), (8.185, 0.178), (3.80, 0.820)),
        (100, (6.545, 0.298), (7.788, 0.177), (2.00, 1.000)),
    ],
)
def test_three_models_bracket_the_fan(
    resistance: float,
    proportional: tuple[float, float],
    square: tuple[float, float],
    constant: tuple[float, float],
) -> None:
    for model, (fan_v, heat_w) in zip(
        (PROPORTIONAL, SQUARE, CONSTANT), (proportional, square, constant), strict=True
    ):
        point = with_resistor(model, 12.0, resistance)
        assert point.fan_v == pytest.approx(fan_v, abs=6e-4)
        assert point.dissipation_w == pytest.approx(heat_w, abs=6e-4)


def test_the_resistor_for_seven_volts() -> None:
    assert resistor_for(PROPORTIONAL, 12, 7) == pytest.approx(85.714, abs=1e-3)
    assert resistor_for(SQUARE, 12, 7) == pytest.approx(146.94, abs=5e-3)


def test_two_measured_points_give_a_straight_line() -> None:
    # By hand: a = -0.02 A, b = 0.01 A/V; V = (Vs - R a) / (1 + R b).
    model = measured_model((7.0, 0.05), (12.0, 0.10))
    point = with_resistor(model, 12.0, 56.0)
    assert point.fan_v == pytest.approx(8.41026, abs=1e-5)
    assert point.current_a == pytest.approx(0.0641026, abs=1e-7)
    assert point.dissipation_w == pytest.approx(0.230112, abs=1e-6)
    assert resistor_for(model, 12.0, 7.0) == pytest.approx(100.0)


def test_small_fans_of_the_trade_still_get_their_voltage() -> None:
    # Common practice, no source: a 40 mm fan for 12 V still starts and runs behind about 78 ohm.
    point = with_resistor(rated_models(12.0, 0.08)[0], 12.0, 78.0)
    assert point.fan_v > 12.0 * 7 / 12


@pytest.mark.parametrize(
    ("ratio", "pressure", "power", "rise", "sound_db"),
    # "Basic Fan Laws", cpemma; arithmetic.
    [
        (0.5, 0.25, 0.125, 2.0, -15.051),
        (7 / 12, 0.3403, 0.1985, 1.714, -11.704),
        (0.7, 0.49, 0.343, 1.429, -7.745),
        (1.1, 1.21, 1.331, 0.909, 2.070),
    ],
)
def test_the_fan_laws(
    ratio: float, pressure: float, power: float, rise: float, sound_db: float
) -> None:
    laws = fan_laws(ratio)
    assert laws.flow == ratio
    assert laws.pressure == pytest.approx(pressure, rel=1e-3)
    assert laws.power == pytest.approx(power, rel=1e-3)
    assert laws.rise == pytest.approx(rise, rel=1e-3)
    assert laws.sound_db == pytest.approx(sound_db, abs=1e-3)


def test_preferred_values_are_those_of_the_standard() -> None:
    # IEC 60063, as the Python package eseries 1.2.1 carries it.
    assert len(E12) == 12
    assert len(E24) == 24
    assert set(E12) < set(E24)
    # Powers of 10^(1/12) would give 26, 32, 38, 46 and 83 here.
    assert {27, 33, 39, 47, 82} < set(E12)


@pytest.mark.parametrize(
    ("exact", "series", "value"),
    [
        (85.714, "E12", 82),
        (85.714, "E24", 82),
        (146.94, "E12", 120),
        (100.0, "E12", 100),
        (9.99, "E24", 9.1),
    ],
)
def test_rounding_goes_to_the_faster_fan(exact: float, series: Series, value: float) -> None:
    assert value_below(exact, series) == pytest.approx(value)


@given(st.floats(0.5, 1e5), st.sampled_from(["E12", "E24"]))
def test_neither_one_resistor_nor_two_exceed_what_was_asked(exact: float, series: Series) -> None:
    one, pair = value_below(exact, series), pair_below(exact, series)
    assert one <= exact * (1 + 1e-8)
    assert sum(pair) <= exact * (1 + 1e-8)
    assert sum(pair) > 0.85 * exact


def test_a_rating_is_twice_the_heat() -> None:
    # Common practice, no source.
    assert rating_to_buy_w(0.289) == 1.0
    assert rating_to_buy_w(0.25) == 0.5
    with pytest.raises(ValueError, match="no usual resistor"):
        rating_to_buy_w(40.0)


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 12 V"):
        resistor_for(PROPORTIONAL, 12.0, 13.0)
    with pytest.raises(ValueError, match="measure at two voltages"):
        measured_model((7.0, 0.05), (7.0, 0.06))
    with pytest.raises(ValueError, match="draws less at 12 V"):
        measured_model((7.0, 0.10), (12.0, 0.05))
    with pytest.raises(ValueError, match="no voltage"):
        with_resistor(CONSTANT, 12.0, 150.0)
    with pytest.raises(ValueError, match="above 0"):
        rated_models(12.0, 0.0)


@given(st.floats(1, 500), st.floats(0.01, 0.5))
def test_a_resistor_found_gives_back_the_voltage(resistance: float, rated_a: float) -> None:
    model = rated_models(12.0, rated_a)[0]
    point = with_resistor(model, 12.0, resistance)
    assert resistor_for(model, 12.0, point.fan_v) == pytest.approx(resistance, rel=1e-6)

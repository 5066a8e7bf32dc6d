"""A fan behind a resistor, the air it moves and its sound, against published figures."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.thermal.fan import (
    CFM_PER_M3_S,
    E12,
    E24,
    M3_H_PER_M3_S,
    Series,
    density_kg_m3,
    fan_laws,
    flow_m3_s,
    mean_level_db,
    measured_model,
    pair_below,
    pressure_pa,
    rated_models,
    rating_to_buy_w,
    resistor_for,
    rise_k,
    speed_change_db,
    sum_level_db,
    value_below,
    with_resistor,
    without_background_db,
)

# --- air ---


@pytest.mark.parametrize(
    ("air_c", "density"), [(0, 1.29232), (20, 1.20415), (35, 1.14554), (60, 1.05957)]
)
def test_density_agrees_with_the_reference(air_c: float, density: float) -> None:
    # PsychroLib 2.5.0, dry air at 101325 Pa; CoolProp 8.0.0 lies 0.05 % higher.
    assert density_kg_m3(air_c) == pytest.approx(density, rel=1e-3)


@pytest.mark.parametrize(
    ("altitude_m", "pressure"),
    [(0, 101_325.0), (1000, 89_874.5), (2000, 79_495.1), (3000, 70_108.4)],
)
def test_pressure_agrees_with_the_standard_atmosphere(altitude_m: float, pressure: float) -> None:
    # PsychroLib 2.5.0; ambiance 1.3.1 and fluids 1.3.1 lie up to 0.02 % higher.
    assert pressure_pa(altitude_m) == pytest.approx(pressure, rel=5e-4)


@pytest.mark.parametrize(
    ("heat_w", "rise", "flow_cfm"),
    [
        # Parker, questions and answers on enclosure cooling: 3160 ft3/min a kW and degF.
        (1000, 1 / 1.8, 3160),
        # Arithmetic with density 1.2: a page that divides watts by 1.08 gets 2.64 and 30.9 here.
        (100, 10, 17.55),
        (40, 8, 8.78),
        (100, 35, 5.015),
        (500, 15, 58.51),
    ],
)
def test_flow_for_a_rise(heat_w: float, rise: float, flow_cfm: float) -> None:
    assert flow_m3_s(heat_w, rise) * CFM_PER_M3_S == pytest.approx(flow_cfm, rel=0.01)
    # The foot and the minute are exact.
    assert pytest.approx(1.69901, abs=1e-5) == M3_H_PER_M3_S / CFM_PER_M3_S


@pytest.mark.parametrize(("altitude_m", "rise"), [(1000, 11.274), (1500, 11.983), (2000, 12.746)])
def test_thin_air_warms_more(altitude_m: float, rise: float) -> None:
    # The ratio of PsychroLib's densities at 20 degC.
    flow = flow_m3_s(100.0, 10.0)
    assert rise_k(100.0, flow, altitude_m=altitude_m) == pytest.approx(rise, rel=1e-3)


@given(st.floats(1, 1e4), st.floats(0.1, 50), st.floats(-20, 60), st.floats(-400, 5000))
def test_flow_and_rise_are_each_others_inverse(
    heat_w: float, rise: float, air_c: float, altitude_m: float
) -> None:
    flow = flow_m3_s(heat_w, rise, air_c, altitude_m)
    assert rise_k(heat_w, flow, air_c, altitude_m) == pytest.approx(rise)


# --- resistor ---

PROPORTIONAL, SQUARE, CONSTANT = rated_models(12.0, 0.10)


@pytest.mark.parametrize(
    ("resistance", "points"),
    # Kirchhoff by hand, for a fan of 12 V and 0.10 A: V at the fan and W in the resistor.
    [
        (47, [(8.623, 0.243), (9.223, 0.164), (7.30, 0.470)]),
        (82, [(7.129, 0.289), (8.185, 0.178), (3.80, 0.820)]),
        (100, [(6.545, 0.298), (7.788, 0.177), (2.00, 1.000)]),
    ],
)
def test_three_models_bracket_the_fan(resistance: float, points: list[tuple[float, float]]) -> None:
    for model, (fan_v, heat_w) in zip((PROPORTIONAL, SQUARE, CONSTANT), points, strict=True):
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
    assert with_resistor(rated_models(12.0, 0.08)[0], 12.0, 78.0).fan_v > 12.0 * 7 / 12


@given(st.floats(1, 500), st.floats(0.01, 0.5))
def test_a_resistor_found_gives_back_the_voltage(resistance: float, rated_a: float) -> None:
    model = rated_models(12.0, rated_a)[0]
    point = with_resistor(model, 12.0, resistance)
    assert resistor_for(model, 12.0, point.fan_v) == pytest.approx(resistance, rel=1e-6)


def test_preferred_values_are_those_of_the_standard() -> None:
    # IEC 60063, as the Python package eseries 1.2.1 carries it.
    assert E12 == (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
    assert set(E24) - set(E12) == {11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91}


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
    assert 0.85 * exact < sum(pair) <= exact * (1 + 1e-8)


def test_a_rating_is_twice_the_heat() -> None:
    # Common practice, no source.
    assert rating_to_buy_w(0.289) == 1.0
    assert rating_to_buy_w(0.25) == 0.5


@pytest.mark.parametrize(
    ("words", "call"),
    [
        ("between 0 and 12 V", lambda: resistor_for(PROPORTIONAL, 12.0, 13.0)),
        ("measure at two voltages", lambda: measured_model((7.0, 0.05), (7.0, 0.06))),
        ("draws less at 12 V", lambda: measured_model((7.0, 0.10), (12.0, 0.05))),
        ("no voltage", lambda: with_resistor(CONSTANT, 12.0, 150.0)),
        ("rated_a must lie above 0", lambda: rated_models(12.0, 0.0)),
        ("no usual resistor", lambda: rating_to_buy_w(40.0)),
        ("altitude", lambda: pressure_pa(20_000)),
        ("heat and rise must lie above 0", lambda: flow_m3_s(-3, 5)),
        ("a background of 45 dB", lambda: without_background_db(42, 45)),
        ("stands still", lambda: speed_change_db(0)),
    ],
)
def test_nonsense_is_refused(words: str, call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=words):
        call()


# --- laws and sound ---


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
    expected = (ratio, pressure, power, rise, sound_db)
    assert fan_laws(ratio) == pytest.approx(expected, rel=1e-3, abs=1e-3)


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


@pytest.mark.parametrize(
    ("levels_db", "together_db", "tolerance"),
    [
        # Rotron, page on acoustic noise, prints 89, 87 and 101.
        ([86, 86], 89, 0.05),
        ([86, 80], 87, 0.05),
        ([100, 94], 101, 0.05),
        ([35, 38, 41], 43.436, 1e-3),  # acoustic-toolbox 0.2.2, dbsum
        ([30] * 10, 40.0, 1e-9),  # arithmetic
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

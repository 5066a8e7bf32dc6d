"""Air flow and heat, against published figures."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.thermal.fan import (
    CFM_PER_M3_S,
    M3_H_PER_M3_S,
    density_kg_m3,
    flow_m3_s,
    pressure_pa,
    rise_k,
)


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


def test_flow_per_watt_agrees_with_a_published_constant() -> None:
    # Parker, questions and answers on enclosure cooling: 3160 ft3/min a kW and degF.
    flow = flow_m3_s(1000.0, 1 / 1.8)
    assert flow * CFM_PER_M3_S == pytest.approx(3160, rel=0.01)


@pytest.mark.parametrize(
    ("heat_w", "rise", "flow_cfm"),
    # Arithmetic with density 1.2: a web page that divides watts by 1.08 gets 2.64 and 30.9 here.
    [(100, 10, 17.55), (40, 8, 8.78), (100, 35, 5.015), (500, 15, 58.51)],
)
def test_flow_for_a_rise(heat_w: float, rise: float, flow_cfm: float) -> None:
    assert flow_m3_s(heat_w, rise) * CFM_PER_M3_S == pytest.approx(flow_cfm, rel=0.01)


@pytest.mark.parametrize(("altitude_m", "rise"), [(1000, 11.274), (1500, 11.983), (2000, 12.746)])
def test_thin_air_warms_more(altitude_m: float, rise: float) -> None:
    # The ratio of PsychroLib's densities at 20 degC.
    flow = flow_m3_s(100.0, 10.0)
    assert rise_k(100.0, flow, altitude_m=altitude_m) == pytest.approx(rise, rel=1e-3)


def test_units_are_exact() -> None:
    assert pytest.approx(1.69901, abs=1e-5) == M3_H_PER_M3_S / CFM_PER_M3_S


@pytest.mark.parametrize("altitude_m", [-1000, 20_000])
def test_an_altitude_beyond_the_formula_is_refused(altitude_m: float) -> None:
    with pytest.raises(ValueError, match="altitude"):
        pressure_pa(altitude_m)


@pytest.mark.parametrize(("heat_w", "rise"), [(0, 5), (-3, 5), (5, 0)])
def test_no_heat_or_no_rise_is_refused(heat_w: float, rise: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        flow_m3_s(heat_w, rise)


@given(st.floats(1, 1e4), st.floats(0.1, 50), st.floats(-20, 60), st.floats(-400, 5000))
def test_flow_and_rise_are_each_others_inverse(
    heat_w: float, rise: float, air_c: float, altitude_m: float
) -> None:
    flow = flow_m3_s(heat_w, rise, air_c, altitude_m)
    assert rise_k(heat_w, flow, air_c, altitude_m) == pytest.approx(rise)

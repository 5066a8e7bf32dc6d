"""The simulated cabinet obeys the conservation of energy, and answers doors, fans and dust."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.demo.cabinet import (
    MAX_STEP_S,
    NAS,
    Build,
    Cabinet,
    SimulatedDevice,
    Surroundings,
    under_stairs,
)

STEADY = Surroundings(hall_swing_k=0.0, hall_wander_k=0.0, load_wander=0.0)
PLAIN_FAN = Build(0.8, 500.0, 2000.0, 1.0, 1.0, 0.5, fan_rpm=1000.0, fan_flow_m3_s=0.002)


def steady_cabinet(build: Build, power_w: float, step_s: float = 1.0) -> Cabinet:
    """A cabinet with one device, a constant load and a constant hall."""
    box = SimulatedDevice(build, lambda _: power_w)
    return Cabinet({"box": box}, start_hour=12.0, seed=1, surroundings=STEADY, step_s=step_s)


def rise_by_bisection(build: Build, heat_w: float, air_flow_m3_s: float) -> float:
    """The part's rise above the cabinet's air at which as much heat leaves as is made.

    From first principles: a stream of air carries density times specific heat times flow for each
    kelvin; the case passes on what it takes in, by conduction, and gives it off by free convection
    with the 1.25th power of its own rise.
    """
    straight_w_k = 1.2 * 1005.0 * air_flow_m3_s + build.vent_w_k

    def case_w(case_k: float) -> float:
        return build.chassis_to_air_w_k * case_k * math.pow(case_k / 10.0, 0.25)

    low_k, high_k = 0.0, 1000.0
    for _ in range(200):
        case_k = (low_k + high_k) / 2
        part_k = case_k + case_w(case_k) / build.part_to_chassis_w_k
        if straight_w_k * part_k + case_w(case_k) > heat_w:
            high_k = case_k
        else:
            low_k = case_k
    return low_k + case_w(low_k) / build.part_to_chassis_w_k


@pytest.mark.parametrize(
    ("build", "power_w", "heat_w", "stalled"),
    # Of 50 W metered 80 % become heat here.
    [(PLAIN_FAN, 50.0, 40.0, False), (NAS, 42.0, 42.0, True)],
    ids=["fan in order", "stalled"],
)
def test_at_steady_state_all_is_as_warm_as_the_heat_balance_says(
    build: Build, power_w: float, heat_w: float, stalled: bool
) -> None:
    cabinet = steady_cabinet(build, power_w, MAX_STEP_S)
    box = cabinet.devices["box"]
    box.fan_stalled = stalled
    cabinet.advance(48 * 3600)
    # Through 20 W/K of walls and leaks.
    assert cabinet.air_c - cabinet.hall_c == pytest.approx(heat_w / 20.0, abs=1e-3)
    assert cabinet.wood_c == pytest.approx(cabinet.air_c, abs=1e-3)
    assert box.fan_rpm == pytest.approx(0.0 if stalled else build.fan_rpm, abs=1e-6)
    flow_m3_s = 0.0 if stalled else build.fan_flow_m3_s
    rise_k = box.part_c - cabinet.air_c
    assert rise_k == pytest.approx(rise_by_bisection(build, heat_w, flow_m3_s), abs=0.01)


@settings(max_examples=8, deadline=None)
@given(
    power_w=st.floats(0.0, 200.0),
    stalled=st.booleans(),
    dust=st.floats(0.0, 1.0),
    door_open=st.booleans(),
    minutes=st.integers(1, 30),
)
def test_heat_made_is_heat_stored_or_gone_to_the_hall(
    power_w: float, stalled: bool, dust: float, door_open: bool, minutes: int
) -> None:
    cabinet = steady_cabinet(replace(NAS, heat_share=0.9), power_w)
    box, around = cabinet.devices["box"], cabinet.surroundings
    box.fan_stalled, box.dust, cabinet.door_open = stalled, dust, door_open
    gone_j = 0.0
    for _ in range(minutes * 60):
        gone_j += cabinet.to_hall_w_k * (cabinet.air_c - cabinet.hall_c) * 1.0
        cabinet.advance(1.0)
    stored_j = (
        NAS.part_j_k * (box.part_c - 20.0)
        + NAS.chassis_j_k * (box.chassis_c - 20.0)
        + around.air_j_k * (cabinet.air_c - 20.0)
        + around.wood_j_k * (cabinet.wood_c - 20.0)
    )
    assert stored_j + gone_j == pytest.approx(0.9 * power_w * minutes * 60, rel=1e-9, abs=1e-6)


def test_a_stall_warms_for_long_on_two_time_scales_and_a_fan_put_right_cools_again() -> None:
    cabinet = under_stairs(start_hour=19.5, seed=3)
    nas = cabinet.devices["nas"]
    rises_k = [nas.part_c - cabinet.air_c]
    for stalled, seconds in ((True, 600), (True, 7200), (False, 7200)):
        nas.fan_stalled = stalled
        cabinet.advance(seconds)
        rises_k.append(nas.part_c - cabinet.air_c)
    before_k, early_k, late_k, mended_k = rises_k
    assert before_k + 10.0 < early_k + 5.0 < late_k
    assert mended_k == pytest.approx(before_k, abs=1.0)


def test_an_open_door_lets_the_cabinet_cool_towards_the_hall() -> None:
    cabinet = under_stairs(start_hour=19.5, seed=3)
    shut_k = cabinet.air_c - cabinet.hall_c
    cabinet.door_open = True
    cabinet.advance(300)
    assert cabinet.air_c - cabinet.hall_c < shut_k / 3


def test_dust_costs_air_flow_in_proportion() -> None:
    device = SimulatedDevice(NAS, lambda _: 42.0)
    device.dust = 0.2
    assert device.air_flow_m3_s == pytest.approx(NAS.fan_flow_m3_s * 0.8)


def test_dust_takes_its_share_of_the_air_flow_each_day() -> None:
    cabinet = under_stairs(start_hour=0.0, seed=3, dust_per_day=0.03, step_s=5.0)
    assert cabinet.devices["nas"].dust == 0.0
    cabinet.advance(3 * 86_400)
    assert cabinet.devices["nas"].dust == pytest.approx(1 - 0.97**3, rel=0.02)


def test_the_hall_is_warmest_in_the_afternoon_and_the_load_follows_the_hour() -> None:
    cabinet = under_stairs(start_hour=4.0, seed=3, step_s=5.0)
    night_hall_c, night_power_w = cabinet.hall_c, cabinet.devices["amplifier"].power_w
    cabinet.advance(12 * 3600)
    assert cabinet.hall_c > night_hall_c + 1.0
    cabinet.advance(4 * 3600)
    assert cabinet.devices["amplifier"].power_w > night_power_w + 30.0


def test_one_seed_gives_one_life_and_another_seed_another() -> None:
    def life(seed: int) -> list[float]:
        cabinet = under_stairs(start_hour=19.5, seed=seed)
        cabinet.advance(1234.5)
        cabinet.advance(0.0)
        return [device.part_c for device in cabinet.devices.values()]

    assert life(7) == life(7) != life(8)


def test_time_never_runs_backwards_or_away_nor_in_steps_that_are_not_stable() -> None:
    cabinet = steady_cabinet(NAS, 42.0)
    for seconds in (-1.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="time can pass by 0 s or more"):
            cabinet.advance(seconds)
    for step_s in (0.0, MAX_STEP_S + 0.1):
        with pytest.raises(ValueError, match="step_s must lie above 0"):
            steady_cabinet(NAS, 42.0, step_s)


def test_the_longest_step_ends_where_short_ones_do() -> None:
    short, longest = (steady_cabinet(NAS, 42.0, step_s) for step_s in (0.5, MAX_STEP_S))
    for cabinet in (short, longest):
        cabinet.door_open = True
        cabinet.advance(3600)
    assert short.devices["box"].part_c == pytest.approx(longest.devices["box"].part_c, abs=0.1)

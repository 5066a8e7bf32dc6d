"""The simulated cabinet obeys the conservation of energy, and answers doors, fans and dust."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.demo.cabinet import (
    AIR_HEAT_CAPACITY_J_M3K,
    MAX_STEP_S,
    NAS,
    Build,
    Cabinet,
    SimulatedDevice,
    Surroundings,
    under_stairs,
)

STEADY = Surroundings(hall_swing_k=0.0, hall_wander_k=0.0, load_wander=0.0)
PLAIN_FAN = Build(
    heat_share=0.8,
    part_j_k=500.0,
    chassis_j_k=2000.0,
    part_to_chassis_w_k=1.0,
    chassis_to_air_w_k=1.0,
    vent_w_k=0.5,
    fan_rpm=1000.0,
    fan_flow_m3_s=0.002,
)


def steady_cabinet(build: Build, power_w: float, seed: int = 1) -> Cabinet:
    """A cabinet with one device, a constant load and a constant hall."""
    device = SimulatedDevice(build, lambda _: power_w, 20.0)
    return Cabinet({"box": device}, start_hour=12.0, seed=seed, surroundings=STEADY)


def rise_by_bisection(build: Build, heat_w: float, air_flow_m3_s: float) -> float:
    """The part's rise above the cabinet's air at which as much heat leaves as is made.

    From first principles: a stream of air carries density times specific heat times flow for each
    kelvin; the case passes on what it takes in, by 1 W/K of conduction, and gives it off by free
    convection with the 1.25th power of its own rise.
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


def test_at_steady_state_the_cabinet_rises_by_heat_over_leakage() -> None:
    cabinet = steady_cabinet(PLAIN_FAN, power_w=50.0)
    cabinet.advance(48 * 3600)

    # 50 W metered, of which 80 % become heat here, through 20 W/K of walls and leaks: 2 K.
    assert cabinet.air_c - cabinet.hall_c == pytest.approx(2.0, abs=1e-3)
    assert cabinet.wood_c == pytest.approx(cabinet.air_c, abs=1e-3)


def test_at_steady_state_the_part_is_as_warm_as_the_heat_balance_says() -> None:
    cabinet = steady_cabinet(PLAIN_FAN, power_w=50.0)
    cabinet.advance(48 * 3600)

    rise_k = cabinet.devices["box"].part_c - cabinet.air_c
    assert rise_k == pytest.approx(rise_by_bisection(PLAIN_FAN, 40.0, 0.002), abs=0.01)


def test_a_stalled_fan_ends_at_the_balance_without_forced_air() -> None:
    cabinet = steady_cabinet(NAS, power_w=42.0)
    cabinet.devices["box"].fan_stalled = True
    cabinet.advance(48 * 3600)

    rise_k = cabinet.devices["box"].part_c - cabinet.air_c
    assert cabinet.devices["box"].fan_rpm == pytest.approx(0.0, abs=1e-6)
    assert rise_k == pytest.approx(rise_by_bisection(NAS, 42.0, 0.0), abs=0.01)


def test_the_air_carries_density_times_specific_heat() -> None:
    assert pytest.approx(1.2 * 1005.0) == AIR_HEAT_CAPACITY_J_M3K


@settings(max_examples=25, deadline=None)
@given(
    power_w=st.floats(0.0, 200.0),
    stalled=st.booleans(),
    blocked=st.floats(0.0, 1.0),
    door_open=st.booleans(),
    minutes=st.integers(1, 60),
)
def test_heat_made_is_heat_stored_or_gone_to_the_hall(
    power_w: float, stalled: bool, blocked: float, door_open: bool, minutes: int
) -> None:
    cabinet = steady_cabinet(NAS, power_w)
    box, around = cabinet.devices["box"], cabinet.surroundings
    box.fan_stalled, box.intake_blocked, cabinet.door_open = stalled, blocked, door_open

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

    assert stored_j + gone_j == pytest.approx(power_w * minutes * 60, rel=1e-9, abs=1e-6)


def test_a_stall_raises_the_temperature_for_many_minutes_on_two_time_scales() -> None:
    cabinet = under_stairs(start_hour=19.5, seed=3)
    nas = cabinet.devices["nas"]
    before_k = nas.part_c - cabinet.air_c
    nas.fan_stalled = True
    cabinet.advance(600)
    early_k = nas.part_c - cabinet.air_c
    cabinet.advance(2 * 3600)
    late_k = nas.part_c - cabinet.air_c

    assert early_k - before_k > 5.0
    assert late_k - early_k > 5.0


def test_a_fan_put_right_brings_the_temperature_back() -> None:
    cabinet = under_stairs(start_hour=19.5, seed=3)
    nas = cabinet.devices["nas"]
    before_c = nas.part_c
    nas.fan_stalled = True
    cabinet.advance(1800)
    nas.fan_stalled = False
    cabinet.advance(2 * 3600)

    assert nas.fan_rpm == pytest.approx(NAS.fan_rpm)
    assert nas.part_c == pytest.approx(before_c, abs=1.0)


def test_an_open_door_lets_the_cabinet_cool_towards_the_hall() -> None:
    cabinet = under_stairs(start_hour=19.5, seed=3)
    shut_k = cabinet.air_c - cabinet.hall_c
    cabinet.door_open = True
    cabinet.advance(300)

    assert cabinet.air_c - cabinet.hall_c < shut_k / 3


def test_a_blocked_intake_and_dust_both_cost_air_flow_in_proportion() -> None:
    device = SimulatedDevice(NAS, lambda _: 42.0, 20.0)
    device.intake_blocked = 0.5
    device.dust = 0.2

    assert device.air_flow_m3_s == pytest.approx(NAS.fan_flow_m3_s * 0.5 * 0.8)


def test_dust_takes_its_share_of_the_air_flow_each_day() -> None:
    cabinet = under_stairs(start_hour=0.0, seed=3, dust_per_day=0.01, step_s=5.0)
    assert cabinet.devices["nas"].dust == 0.0
    cabinet.advance(10 * 86_400)

    assert cabinet.devices["nas"].dust == pytest.approx(1 - 0.99**10, rel=0.01)


def test_the_hall_is_warmest_in_the_afternoon_and_the_load_follows_the_hour() -> None:
    cabinet = under_stairs(start_hour=4.0, seed=3, step_s=5.0)
    night_hall_c, night_power_w = cabinet.hall_c, cabinet.devices["amplifier"].power_w
    cabinet.advance(12 * 3600)
    afternoon_hall_c = cabinet.hall_c
    cabinet.advance(4 * 3600)

    assert afternoon_hall_c > night_hall_c + 1.0
    assert cabinet.devices["amplifier"].power_w > night_power_w + 30.0


def life(seed: int) -> list[float]:
    """Temperatures over an evening."""
    cabinet = under_stairs(start_hour=19.5, seed=seed)
    cabinet.advance(1234.5)
    return [device.part_c for device in cabinet.devices.values()]


def test_one_seed_gives_one_life_and_another_seed_another() -> None:
    assert life(7) == life(7)
    assert life(7) != life(8)


def test_no_time_changes_nothing() -> None:
    cabinet = under_stairs(start_hour=19.5, seed=3)
    before = (cabinet.air_c, cabinet.hall_c, cabinet.elapsed_s)
    cabinet.advance(0.0)

    assert (cabinet.air_c, cabinet.hall_c, cabinet.elapsed_s) == before


@pytest.mark.parametrize("seconds", [-1.0, math.nan, math.inf])
def test_time_never_runs_backwards_or_away(seconds: float) -> None:
    cabinet = under_stairs(start_hour=19.5, seed=3)
    with pytest.raises(ValueError, match="time can pass by 0 s or more"):
        cabinet.advance(seconds)


@pytest.mark.parametrize("step_s", [0.0, MAX_STEP_S + 0.1])
def test_a_step_that_would_not_be_stable_is_refused(step_s: float) -> None:
    with pytest.raises(ValueError, match="step_s must lie above 0"):
        under_stairs(start_hour=0.0, seed=1, step_s=step_s)


def test_the_longest_step_ends_where_short_ones_do() -> None:
    results = []
    for step_s in (0.5, MAX_STEP_S):
        device = SimulatedDevice(NAS, lambda _: 42.0, 20.0)
        cabinet = Cabinet(
            {"box": device}, start_hour=12.0, seed=1, surroundings=STEADY, step_s=step_s
        )
        cabinet.door_open = True
        cabinet.advance(3600)
        results.append(device.part_c)

    assert results[0] == pytest.approx(results[1], abs=0.1)

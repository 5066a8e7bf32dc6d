"""drift: dust is told before the margin is gone; an undisturbed device has none."""

import math

import pytest

from cabinetwatch.text import plain
from tests.watch.world import COMMISSIONED, DAY, HOUR, HOUSE, T0, World, make_config, of

ONLY_DRIFT = "".join(
    f"[alarms.{name}]\nenabled = false\n"
    for name in ("cooling-loss", "rise-missing", "derating-forecast", "hot-day", "stuck")
)
# Half load (40 of 80 W) is allowed up to 48 degC; with 35 degC outside 3 K are left of that.
TIGHT = (HOUSE + COMMISSIONED).replace("[50.0, 1.0], [70.0, 0.5]", "[40.0, 1.0], [48.0, 0.5]")


def weeks(count: int, climb_per_week: float, *, text: str = TIGHT, seed: int = 5) -> World:
    """Let weeks pass at ten minutes a reading, loads and seasons changing, dust gathering."""
    quick = text.replace('quantity = "', 'interval_s = 600\nquantity = "')
    world = World(make_config(quick, ONLY_DRIFT), every_s=600, seed=seed)
    world.swing_k = 2.0
    clean = world.resistance
    for hour in range(count * 7 * 24):
        world.resistance = clean * (1.0 + climb_per_week * hour / (7 * 24))
        world.hall_c = 20.0 + 3.0 * math.sin(hour / 500.0)
        world.power_w = 40.0 if hour // 5 % 2 else 36.0
        world.lives(HOUR)
    return world


def test_dust_of_two_percent_a_week_is_told_with_the_days_that_are_left() -> None:
    world = weeks(11, 0.02)
    raised = of(world.told, "drift")[0]
    assert raised.is_raise
    assert raised.t < T0 + 70 * DAY
    assert raised.priority == "low"
    values = raised.values
    assert values["climb_per_week"] == pytest.approx(0.02, abs=0.008)
    # The days that are left, recomputed: margin over what a week takes of it.
    normal_k = world.engine.model.devices["nas"].observer.normal
    assert normal_k is not None
    per_day_k = values["climb_per_week"] * normal_k.rise_k / 7.0
    assert values["margin_used_up_days"] == pytest.approx(
        values["hot_day_margin_k"] / per_day_k, rel=0.02
    )
    assert f"{100 * values['climb_per_week']:.1f} % warmer each week" in plain(raised.text)
    assert "used up in about" in raised.text
    assert values["hot_day_margin_k"] > 0.0
    assert "clean filters" in raised.response


def test_an_undisturbed_record_has_none() -> None:
    assert of(weeks(10, 0.0).told, "drift") == []


def test_with_ample_margin_it_waits_until_that_is_near_its_end() -> None:
    assert of(weeks(10, 0.01, text=HOUSE + COMMISSIONED).told, "drift") == []


def test_the_horizon_can_be_set() -> None:
    text = TIGHT + "[alarms.drift]\ndrift_horizon_days = 1.0\n"
    assert of(weeks(10, 0.02, text=text).told, "drift") == []

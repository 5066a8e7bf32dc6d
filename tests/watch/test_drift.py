"""drift: dust is told before the margin is gone; an undisturbed device has none."""

import math
import random

import pytest

from cabinetwatch.text import plain
from cabinetwatch.thermal.drift import DAY_MS, HOUR_MS, DriftObserver
from tests.watch.world import (
    COMMISSIONED,
    DAY,
    HOUR,
    HOUSE,
    T0,
    World,
    heard_every,
    make_config,
    of,
    settled,
)

ONLY_DRIFT = "".join(
    f"[alarms.{name}]\nenabled = false\n"
    for name in ("cooling-loss", "rise-missing", "derating-forecast", "hot-day", "stuck")
)
# Half load (40 of 80 W) is allowed up to 48 degC; with 35 degC outside 3 K are left of that.
TIGHT = (HOUSE + COMMISSIONED).replace("[50.0, 1.0], [70.0, 0.5]", "[40.0, 1.0], [48.0, 0.5]")


def test_dust_of_two_percent_a_week_is_told_with_the_days_that_are_left() -> None:
    """At ten minutes a reading, loads and seasons changing."""
    world = World(make_config(heard_every(600, TIGHT), ONLY_DRIFT), every_s=600, seed=5)
    world.swing_k = 2.0
    clean = world.resistance
    for hour in range(10 * 7 * 24):
        world.resistance = clean * (1.0 + 0.02 * hour / (7 * 24))
        world.hall_c = 20.0 + 3.0 * math.sin(hour / 500.0)
        world.power_w = 40.0 if hour // 5 % 2 else 36.0
        if of(world.lives(HOUR), "drift"):
            break
    raised = of(world.told, "drift")[0]
    assert raised.is_raise
    assert 2 * 7 * DAY < raised.t - T0 < 70 * DAY
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


@pytest.mark.parametrize(
    ("text", "climb_per_week", "is_told"),
    [
        (TIGHT, 0.05, True),
        (TIGHT, 0.0, False),
        # An ample margin, which drift isn't near the end of.
        (HOUSE + COMMISSIONED, 0.05, False),
        (TIGHT + "[alarms.drift]\ndrift_horizon_days = 1.0\n", 0.05, False),
    ],
)
def test_it_is_told_of_a_climb_that_ends_the_margin_within_the_horizon(
    text: str, climb_per_week: float, is_told: bool
) -> None:
    world, noise = settled(text + ONLY_DRIFT), random.Random(5)
    device = world.engine.model.devices["nas"]
    device.drift, device.days_on_record = DriftObserver(), 70
    for hour in range(70 * 24):
        level = 1.0 + climb_per_week * hour / (7 * 24) + noise.gauss(0.0, 0.004)
        device.drift.observe(hour * HOUR_MS - 70 * DAY_MS, level)
    assert bool(of(world.lives(HOUR), "drift")) == is_told

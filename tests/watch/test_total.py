"""No reading ends or blinds the watch: whatever a sensor says, and whenever, the engine goes on."""

import json
import math
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.config.model import Config
from cabinetwatch.config.values import CREDIBLE, POSSIBLE, TIMES_RATED
from cabinetwatch.text import ConfigError
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Quality, Reading
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, MINUTE, T0, World, make_config, of

TAU_S = 900
OTHERS = """
[sensors.nas-fan]
topic = "cabinet/nas/fan"
quantity = "fan-speed"

[sensors.nas-sound]
topic = "cabinet/nas/sound"
quantity = "sound-level"
high = 70.0

[sensors.air-humidity]
topic = "cabinet/nas/humidity"
quantity = "humidity"
high = 80.0
"""
FULL = HOUSE + COMMISSIONED + 'fan = "nas-fan"\nsound = "nas-sound"\nmin_fan_rpm = 600.0\n' + OTHERS
UNRATED = FULL.replace("rated_power_w = 80.0\n", "")
HOUSES = {
    "fresh": HOUSE.replace('power = "nas-power"\n', 'power = "nas-power"\nfan = "nas-fan"\n')
    + OTHERS,
    "commissioned": FULL,
    "unrated": UNRATED,
    "learnt": UNRATED.replace(COMMISSIONED, "").replace(
        "[site]\n", "[site]\nlearning_days = 0.9\n"
    ),
    "wide": FULL.replace('quantity = "power"\n', 'quantity = "power"\nrange = [-1e5, 1e5]\n'),
}
USUAL = {
    "hall": 20.0,
    "nas-air": 30.0,
    "nas-power": 40.0,
    "nas-fan": 1200.0,
    "nas-sound": 35.0,
    "air-humidity": 50.0,
}
QUANTITY = {
    "hall": "temperature",
    "nas-air": "temperature",
    "nas-power": "power",
    "nas-fan": "fan-speed",
    "nas-sound": "sound-level",
    "air-humidity": "humidity",
}


class Full(World):
    """The world with a sensor of every quantity."""

    def _values(self) -> list[tuple[str, float]]:
        steady = {name: USUAL[name] for name in ("nas-fan", "nas-sound", "air-humidity")}
        return [*super()._values(), *steady.items()]


@cache
def house(kind: str) -> Config:
    return make_config(HOUSES[kind])


@cache
def lived(kind: str) -> str:
    """Give the state of an engine after an ordinary hour, as JSON; or after a day of learning."""
    world = Full(house(kind))
    if kind == "learnt":
        for part in range(22):
            world.power_w = (20.0, 30.0, 40.0)[part % 3]
            world.lives(HOUR)
        world.power_w = 40.0
        assert world.engine.model.devices["nas"].observer.learning.stage == "frozen"
        world.lives(HOUR)
    world.lives(HOUR)
    assert world.told == []
    return json.dumps(world.engine.save())


FLOATS = st.floats() | st.sampled_from(
    (0.0, 5e-324, 20.0, 40.0, 85.0, 320.0, 655_350.0, 1e9, 1e20, 1e154, 1e170, 1e200, 1.7e308)
)
INPUTS = st.lists(
    st.tuples(
        st.sampled_from(sorted(USUAL)),
        st.sampled_from((0, 1, 10_000, 10_000, 600_000, 10**8, 10**13)),
        FLOATS,
        st.integers(1, 4),
        st.sampled_from([Quality.LIVE] * 6 + list(Quality)),
        st.sampled_from((0, -3000, -(10**9), 10**6)),
    ),
    max_size=20,
)


def finite(text: str) -> None:
    """See that a text is JSON that every program reads."""

    def refuse(name: str) -> float:
        raise AssertionError(f"{name} is no JSON")

    json.loads(text, parse_constant=refuse)


@settings(max_examples=12, deadline=None, derandomize=True)
@given(kind=st.sampled_from(sorted(HOUSES)), begun=st.booleans(), inputs=INPUTS)
def test_the_engine_takes_anything_and_tells_finite_figures(
    kind: str, begun: bool, inputs: list[tuple[str, int, float, int, Quality, int]]
) -> None:
    engine = Engine(house(kind))
    t = T0
    if begun:
        engine.load(json.loads(lived(kind)))
        t = engine.now
    told = []
    for sensor, gap_ms, value, times, quality, shift_ms in inputs:
        for _ in range(times):
            t += gap_ms
            own_t = t if quality in {Quality.LIVE, Quality.RETAINED} else t + shift_ms
            told += engine.observe(Reading(sensor, own_t, value, quality))
            told += engine.observe(Reading("hall", t, 20.0))
    told += engine.advance(t + HOUR)
    finite(json.dumps([each.record() for each in told]))
    finite(json.dumps([each.text for each in told]))
    finite(json.dumps([engine.device_figures(), engine.sensor_figures()]))
    state = json.dumps(engine.save())
    finite(state)
    Engine(engine.config).load(json.loads(state))


@pytest.mark.parametrize("factor", [1.1, 8.0])
def test_a_sensor_that_creeps_away_ends_at_what_its_quantity_can_be(factor: float) -> None:
    engine = Engine(make_config(FULL))
    engine.load(json.loads(lived("commissioned")))
    value, t = 40.0, engine.now
    for _ in range(4000):
        t += 10_000
        value = min(value * factor, 1e300)
        engine.observe(Reading("nas-power", t, value))
        engine.observe(Reading("hall", t, 20.0))
        engine.observe(Reading("nas-air", t, 30.0 + t % 3 / 10))
    assert engine.model.sensors["nas-power"].value <= POSSIBLE["power"][1]
    assert engine.model.sensors["nas-power"].implausible


WILD = {
    "temperature": (-200.0, 126.0, 1e200, math.inf, math.nan, 60.0),
    "humidity": (-40.0, 120.0, 1e200, 95.0),
    "power": (-500.0, 655_350.0, 4_294_967.0, 1e9, 1e200, 250.0),
    "fan-speed": (-1.0, 65_535.0, 1e200, 20_000.0),
    "sound-level": (-50.0, 150.0, 1e200, 120.0),
}
LONE = [(sensor, value) for sensor, kind in QUANTITY.items() for value in WILD[kind]]


@pytest.mark.parametrize(("sensor", "value"), LONE)
def test_a_lone_wild_value_of_any_quantity_is_set_aside_and_raises_nothing(
    sensor: str, value: float
) -> None:
    engine = Engine(house("commissioned"))
    engine.load(json.loads(lived("commissioned")))
    before, t = engine.model.sensors[sensor].value, engine.now + 5000
    told = engine.observe(Reading(sensor, t, value))
    assert engine.model.sensors[sensor].value == before
    for name, usual in (USUAL | {sensor: before}).items():
        told += engine.observe(Reading(name, t + 5000, usual))
    assert told == []
    assert engine.model.sensors[sensor].value == before
    assert not engine.model.sensors[sensor].implausible


@pytest.mark.parametrize(("sensor", "value"), [("nas-power", 655_350.0), ("nas-fan", 65_535.0)])
def test_three_in_a_row_make_a_sensor_of_any_quantity_implausible(
    sensor: str, value: float
) -> None:
    world = Full(make_config(FULL + "\n[alarms.implausible]\non_delay_s = 0\n"))
    world.lives(10 * MINUTE)
    world.says = {}
    for _ in range(3):
        world.t += 10_000
        world.reads(sensor, value)
    (told,) = of(world.told, "implausible")
    assert told.subject == sensor


@pytest.mark.parametrize(("low_w", "high_w"), [(5.0, 400.0), (2.0, 60.0), (40.0, 3000.0)])
def test_a_load_that_steps_is_believed_with_the_next_reading_and_its_end_at_once(
    low_w: float, high_w: float
) -> None:
    world = World(make_config(HOUSE.replace("rated_power_w = 80.0\n", "")))
    world.power_w = low_w
    world.lives(5 * MINUTE)
    heard = world.engine.model.sensors["nas-power"]
    for value in (high_w, high_w):
        world.t += 10_000
        world.reads("nas-power", value)
    assert heard.value == high_w
    world.t += 10_000
    world.reads("nas-power", 0.0)
    assert heard.value == 0.0
    assert world.told == []


def test_a_load_that_comes_and_goes_with_each_reading_is_believed() -> None:
    world = World(make_config(HOUSE.replace("rated_power_w = 80.0\n", "")))
    heard, taken = world.engine.model.sensors["nas-power"], []
    for i in range(40):
        world.t += 10_000
        world.reads("nas-power", 40.0 if i % 2 else 900.0)
        taken.append(heard.value)
    assert taken[-10:].count(900.0) >= 4


def test_a_range_of_power_follows_from_the_ratings_and_a_given_one_counts() -> None:
    assert make_config(FULL).credible("nas-power") == (-10.0, TIMES_RATED * 80.0)
    unrated = make_config(HOUSE.replace("rated_power_w = 80.0\n", ""))
    assert unrated.credible("nas-power") == CREDIBLE["power"]
    assert make_config(HOUSES["wide"]).credible("nas-power") == (-1e5, 1e5)


def test_a_range_beyond_what_a_quantity_can_be_is_refused() -> None:
    text = HOUSE.replace('quantity = "power"\n', 'quantity = "power"\nrange = [0.0, 1e200]\n')
    with pytest.raises(ConfigError, match=r"beyond what a power can be; stay within"):
        make_config(text)


def delay_s(kind: str, reading: tuple[str, float] | None, before_s: int) -> float:
    """Stall a fan `before_s` after an odd reading; give the seconds until it is told."""
    world = Full(house(kind))
    world.engine.load(json.loads(lived(kind)))
    world.t = world.engine.now
    if reading is not None:
        world.t += 1000
        world.reads(*reading)
    world.lives(1000 * before_s)
    assert of(world.told, "cooling-loss") == []
    stalled_t = world.t
    world.resistance *= 2.0
    # No further than matters: what is not told by then is late by more than a time constant.
    for _ in range(12):
        told = of(world.lives(5 * MINUTE), "cooling-loss")
        if told:
            return (told[0].t - stalled_t) / 1000.0
    return math.inf


WORST = {
    "temperature": (-55.0, 22.9, 34.0, 125.0),
    "humidity": CREDIBLE["humidity"],
    "power": (0.0, 80.0, 319.0, 3999.0),
    "fan-speed": (0.0, 40_000.0),
    "sound-level": CREDIBLE["sound-level"],
}
TAKEN = {
    "commissioned": tuple(QUANTITY),
    "unrated": ("nas-power",),
    "learnt": ("hall", "nas-air", "nas-power"),
}
"""Of what the device's observer doesn't take one house tells as much as all."""
ACCEPTED = [
    (kind, sensor, value)
    for kind, sensors in TAKEN.items()
    for sensor in sensors
    for value in WORST[QUANTITY[sensor]]
]


@pytest.mark.parametrize(("kind", "sensor", "value"), ACCEPTED)
def test_no_single_reading_delays_a_stalls_alarm_by_a_time_constant(
    kind: str, sensor: str, value: float
) -> None:
    assert delay_s(kind, (sensor, value), 20) - undisturbed_s(kind) < TAU_S / 10


@cache
def undisturbed_s(kind: str) -> float:
    """How long the stall takes to be told without any odd reading."""
    return delay_s(kind, None, 20)


@pytest.mark.parametrize("first", [("hall", 100.0), ("nas-power", 300.0), ("nas-air", 120.0)])
def test_a_wild_first_reading_is_forgotten_with_the_next(first: tuple[str, float]) -> None:
    def rise_k(odd: tuple[str, float] | None) -> float:
        world = World(make_config())
        if odd is not None:
            world.says = {odd[0]: lambda _: odd[1]}
            world.lives(10_000)
            world.says = {}
        world.lives(TAU_S * 1000)
        figures = world.engine.model.devices["nas"].observer.figures
        assert figures is not None
        return figures.settled_rise_k

    assert rise_k(first) == pytest.approx(rise_k(None), abs=1.0)

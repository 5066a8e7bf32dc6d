"""Properties: asking, a warm start, a shift, an order within the lateness change nothing."""

import json
import random
from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import AlarmState, Entry, EntryKind, Quality, Reading, Transition
from tests.watch.scene import MINUTE, T0, make_config
from tests.watch.world import HOUR, World
from tests.watch.world import make_config as make_house

_HIDDEN_BY_PEOPLE = {AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE}
SENSORS = ("hall", "nas-air", "nas-power", "nas-fan", "switch-air")
LEVELS = {
    "hall": (12.0, 20.0, 30.0),
    "nas-air": (30.0, 45.0, 52.0, 65.0, 80.0),
    "nas-power": (0.5, 40.0, 80.0),
    "nas-fan": (0.0, 600.0, 1200.0),
    "switch-air": (25.0, 38.0, 50.0, 60.0),
}


def troubled_hours(seed: int, hours: int = 2) -> list[Reading | Entry]:
    """Make inputs in which sensors jump, die and come back, and the broker comes and goes."""
    rng = random.Random(seed)
    start = {"offset_ms": 0, "boot_ms": T0 - MINUTE, "ran_until_ms": None}
    inputs: list[Reading | Entry] = [
        Entry(T0, EntryKind.START, start),
        Entry(T0, EntryKind.CONNECT, {"session_present": False}),
    ]
    level = {sensor: rng.choice(LEVELS[sensor]) for sensor in SENSORS}
    dead: set[str] = set()
    t, connected = T0, True
    while t < T0 + hours * 60 * MINUTE:
        t += rng.randrange(500, 12_000)
        dice = rng.random()
        if dice < 0.01:
            connected = not connected
            kind = EntryKind.CONNECT if connected else EntryKind.DISCONNECT
            inputs.append(Entry(t, kind, {"session_present": True, "reason": "dice"}))
        elif dice < 0.03:
            dead ^= {rng.choice(SENSORS)}
        elif dice < 0.06:
            sensor = rng.choice(SENSORS)
            level[sensor] = rng.choice(LEVELS[sensor])
        elif dice < 0.063:
            inputs.append(Entry(t, EntryKind.OFFSET, {"offset_ms": rng.randrange(-9999, 9999)}))
        elif dice < 0.07:
            command = {"command": rng.choice(("service-out", "service-in")), "subject": "nas"}
            inputs.append(Entry(t, EntryKind.COMMAND, command))
        if connected:
            alive = [sensor for sensor in SENSORS if sensor not in dead]
            inputs += [Reading(s, t, level[s] + rng.gauss(0, 0.1)) for s in alive]
    return inputs


def run(engine: Engine, inputs: Sequence[Reading | Entry]) -> list[Transition]:
    """Feed an engine and give what it tells."""
    told: list[Transition] = []
    for item in inputs:
        told += engine.observe(item) if isinstance(item, Reading) else engine.tell(item)
    return told


def through_json(engine: Engine) -> Engine:
    """Save an engine and go on in another."""
    twin = Engine(engine.config)
    twin.load(json.loads(json.dumps(engine.save())))
    return twin


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 10_000), cut=st.floats(0, 1))
def test_a_warm_start_anywhere_gives_the_same_transitions(seed: int, cut: float) -> None:
    inputs = troubled_hours(seed)
    place = int(cut * len(inputs))
    whole = run(Engine(make_config()), inputs)
    engine = Engine(make_config())
    told = run(engine, inputs[:place])
    told += run(through_json(engine), inputs[place:])
    assert told == whole


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_asking_at_any_time_in_between_changes_nothing(seed: int) -> None:
    inputs = troubled_hours(seed)
    whole = run(Engine(make_config()), inputs)
    rng = random.Random(seed)
    engine = Engine(make_config())
    told: list[Transition] = []
    for item, following in pairwise(inputs):
        told += run(engine, [item])
        told += engine.advance(item.t + rng.randrange(0, max(1, following.t - item.t)))
    told += run(engine, inputs[-1:])
    assert told == whole
    assert whole, "a troubled record that tells nothing proves nothing"


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_time_never_goes_back_and_every_move_starts_where_the_last_ended(seed: int) -> None:
    told = run(Engine(make_config()), troubled_hours(seed))
    assert [t.t for t in told] == sorted(t.t for t in told)
    state: dict[tuple[str, str], str] = {}
    for transition in told:
        key = (transition.subject, transition.condition)
        assert transition.previous == state.get(key, "normal")
        # Hidden again, for another time, is told anew.
        assert transition.state != transition.previous or transition.state in _HIDDEN_BY_PEOPLE
        state[key] = transition.state


# -- of where a device is heading

RISES = ("raw_rise_k", "rise_k", "settled_rise_k", "settled_rise_sd_k", "normal_rise_k")


def eventful(seed: int, shift_k: float = 0.0) -> World:
    """Let some hours pass with a door, a step of the load, a dead sensor, a stall."""
    world = World(seed=seed)
    world.shift_k = shift_k
    world.lives(HOUR)
    world.power_w = 30.0 + seed % 30
    world.hall_c = 14.0
    world.lives(6 * MINUTE)
    world.hall_c = 20.0
    world.dead = {("nas-air", "hall", "nas-power")[seed % 3]}
    world.lives((seed % 20) * MINUTE)
    world.dead = set()
    world.says = {"nas-air": lambda _: 85.0} if seed % 2 else {}
    world.lives((seed % 5) * MINUTE)
    world.says = {}
    world.lives(HOUR)
    world.resistance *= 2.0
    world.lives(HOUR)
    return world


@settings(max_examples=2, deadline=None)
@given(seed=st.integers(0, 10_000), shift=st.integers(-12, 12))
def test_shifting_all_temperatures_by_a_constant_changes_no_rise(seed: int, shift: int) -> None:
    seed -= seed % 2  # without a fault code, which is no temperature and does not shift
    here = eventful(seed).engine.model.devices["nas"].figures()
    there = eventful(seed, shift * 0.25).engine.model.devices["nas"].figures()
    assert here["rise_k"] is not None
    for name in RISES:
        assert there[name] == pytest.approx(here[name], abs=0.02), name


@settings(max_examples=2, deadline=None)
@given(seed=st.integers(0, 10_000), cut=st.floats(0, 1))
def test_so_does_one_anywhere_in_a_stall(seed: int, cut: float) -> None:
    world = eventful(seed)
    place = int(cut * len(world.inputs))
    engine = Engine(make_house())
    told = run(engine, world.inputs[:place])
    told += run(through_json(engine), world.inputs[place:])
    assert told == world.told
    assert any(each.condition == "cooling-loss" for each in told)


@settings(max_examples=2, deadline=None)
@given(seed=st.integers(0, 10_000), order=st.randoms(use_true_random=False))
def test_readings_with_times_of_their_own_may_come_in_any_order_within_the_lateness(
    seed: int, order: object
) -> None:
    readings = [item for item in eventful(seed).inputs if isinstance(item, Reading)]

    def told(*, shuffled: bool) -> list[Transition]:
        engine = Engine(make_house())
        t0 = readings[0].t
        result = run(
            engine,
            [
                Entry(t0, EntryKind.START, {"offset_ms": 0, "boot_ms": t0 - HOUR}),
                Entry(t0, EntryKind.CONNECT, {"session_present": False}),
            ],
        )
        for start in range(0, len(readings), 3):
            group = readings[start : start + 3]
            # Spread over 2 s, all of them heard 4 s after the first.
            own = [r._replace(t=r.t + 1000 * n, quality=Quality.TIMED) for n, r in enumerate(group)]
            if shuffled:
                order.shuffle(own)  # type: ignore[attr-defined]
            result += engine.advance(max(engine.now, group[0].t + 4000))
            result += run(engine, own)
        return result + engine.advance(engine.now + MINUTE)

    assert told(shuffled=True) == told(shuffled=False)

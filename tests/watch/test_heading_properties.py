"""Properties: a shift changes no rise, nor order within the lateness; a replay splits anywhere."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading, Transition
from tests.watch.test_properties import run
from tests.watch.world import HOUR, MINUTE, World, make_config

RISES = ("raw_rise_k", "rise_k", "settled_rise_k", "settled_rise_sd_k", "normal_rise_k")


def eventful(seed: int, shift_k: float = 0.0) -> World:
    """Let some hours pass with a door, a step of the load, a dead sensor, a stall."""
    world = World(seed=seed, every_s=20)
    world.shift_k = shift_k
    world.lives(2 * HOUR)
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
def test_splitting_a_replay_anywhere_and_warm_starting_gives_the_same(
    seed: int, cut: float
) -> None:
    world = eventful(seed)
    place = int(cut * len(world.inputs))
    first = Engine(make_config())
    told = run(first, world.inputs[:place])
    second = Engine(make_config())
    second.load(json.loads(json.dumps(first.save())))
    told += run(second, world.inputs[place:])
    assert told == world.told
    assert any(each.condition == "cooling-loss" for each in told)


@settings(max_examples=2, deadline=None)
@given(seed=st.integers(0, 10_000), order=st.randoms(use_true_random=False))
def test_readings_with_times_of_their_own_may_come_in_any_order_within_the_lateness(
    seed: int, order: object
) -> None:
    readings = [item for item in eventful(seed).inputs if isinstance(item, Reading)]

    def told(*, shuffled: bool) -> list[Transition]:
        engine = Engine(make_config())
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

"""The ceiling of what sound cooling explains."""

import json

import pytest

from cabinetwatch.thermal.detection import BoundTest

TAU_S, NORMAL_K, GUARD_K, LIMIT_K = 1800.0, 10.0, 11.5, 0.5


def run(envelope: BoundTest, levels_k: list[float], from_ms: int = 0) -> list[bool]:
    """Standing after each level, ten seconds apart."""
    found = []
    for i, level_k in enumerate(levels_k):
        envelope.advance(from_ms + 10_000 * i, 10.0, level_k, (GUARD_K, 0.0), 0.0, LIMIT_K, TAU_S)
        found.append(envelope.standing)
    return found


def test_a_cabinet_door_that_is_opened_and_closed_is_no_lost_cooling() -> None:
    opened = [NORMAL_K - 0.7 * i for i in range(10)] + [3.0] * 60
    closed = [3.0 + 0.7 * i for i in range(10)] + [NORMAL_K] * 200
    assert not any(run(BoundTest(), [NORMAL_K] * 500 + opened + closed))


def test_a_rise_beyond_normal_is_found_at_the_second_level_that_shows_it() -> None:
    envelope = BoundTest()
    run(envelope, [NORMAL_K] * 500)
    assert run(envelope, [10.9, 10.9], 5_000_000) == [False, True]
    assert envelope.since_ms == pytest.approx(4_990_000, abs=10_000)


def test_a_single_wild_level_is_no_lost_cooling() -> None:
    envelope = BoundTest()
    run(envelope, [NORMAL_K] * 500)
    assert run(envelope, [25.0, NORMAL_K, NORMAL_K], 5_000_000) == [False] * 3


def test_lost_cooling_is_found_after_a_low_load_too() -> None:
    envelope = BoundTest()
    run(envelope, [NORMAL_K] * 500)
    low = [4.0 + 6.0 * 0.99**i for i in range(2000)]
    run(envelope, low, 5_000_000)
    climb = [4.0 + 16.0 * (1 - 0.9945**i) for i in range(400)]
    assert run(envelope, climb, 25_000_000)[-1]


def test_the_state_goes_on_as_saved() -> None:
    first = BoundTest(-1)
    run(first, [-NORMAL_K + 0.01 * i for i in range(50)])
    second = BoundTest.load(json.loads(json.dumps(first.save())))
    levels = [-NORMAL_K + 0.3 * i for i in range(50)]
    assert run(first, levels, 500_000) == run(second, levels, 500_000)
    assert first.save() == second.save()

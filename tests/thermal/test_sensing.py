"""Wild values, fault codes and frozen sensors."""

from math import nan

import pytest

from cabinetwatch.thermal.sensing import Quality, StuckWatch, ValueFilter

TEN_S = 10_000


def judged(values: list[float], **settings: object) -> tuple[list[Quality], ValueFilter]:
    """Qualities of values ten seconds apart."""
    sensor = ValueFilter(-40.0, 80.0, fault_codes=(85.0,), **settings)  # type: ignore[arg-type]
    return [sensor.judge(i * TEN_S, value) for i, value in enumerate(values)], sensor


@pytest.mark.parametrize("wild", [-127.0, 85.0, 200.0, nan, 55.0])
def test_a_single_wild_value_is_set_aside_and_raises_nothing(wild: float) -> None:
    qualities, sensor = judged([24.0, 24.1, 24.0, wild, 24.1, 24.0])
    assert qualities == [Quality.GOOD] * 3 + [Quality.SET_ASIDE] + [Quality.GOOD] * 2
    assert not sensor.implausible


@pytest.mark.parametrize("wild", [-127.0, 85.0, 200.0])
def test_three_in_a_row_make_it_implausible_since_the_first(wild: float) -> None:
    qualities, sensor = judged([24.0, 24.1, wild, wild, wild])
    assert qualities[-1] is Quality.BAD
    assert sensor.implausible
    assert sensor.since_ms == 2 * TEN_S


def test_every_third_value_wild_is_implausible_too() -> None:
    qualities, sensor = judged([24.0, 24.0, -127.0, 24.0, 24.0, -127.0, 24.0, 24.0, -127.0])
    assert sensor.implausible
    assert qualities[-1] is Quality.BAD


def test_it_returns_after_good_values() -> None:
    qualities, sensor = judged([24.0] * 3 + [85.0] * 4 + [24.0] * 8)
    assert not sensor.implausible
    assert qualities[-1] is Quality.GOOD


def test_what_is_read_while_it_is_implausible_makes_it_no_less_steady_before() -> None:
    sensor = ValueFilter(-40.0, 60.0)
    hall = [20.0, 20.1] * 20
    fault = [85.0, 85.0, 85.0, 50.0, 50.0]
    got = [sensor.judge(15_000 * n, each) for n, each in enumerate([*hall, *fault, 20.0])]
    assert got[-2] is Quality.BAD
    # As sudden as the way there: the next one has to confirm it.
    assert got[-1] is Quality.SET_ASIDE


def test_the_filter_goes_on_from_a_saved_state() -> None:
    one, other = ValueFilter(fault_codes=(85.0,)), ValueFilter(fault_codes=(85.0,))
    for i, value in enumerate([24.0, 85.0, 85.0]):
        one.judge(i * TEN_S, value)
    other.restore(one.save())
    assert other.judge(3 * TEN_S, 85.0) is one.judge(3 * TEN_S, 85.0) is Quality.BAD


def test_frozen_while_the_witness_moved_is_stuck_since_it_froze() -> None:
    watch = StuckWatch()
    for i in range(60):
        watch.observe(i * TEN_S, 30.0 + 0.1 * (i % 3), 30.0)
    for i in range(60, 200):
        watch.observe(i * TEN_S, 31.0, 30.0 + 0.03 * (i - 60))
    assert watch.stuck
    assert watch.since_ms == 60 * TEN_S


def test_the_same_value_all_night_is_not_stuck() -> None:
    watch = StuckWatch()
    assert not any(watch.observe(i * TEN_S, 30.0, 30.0 + 0.1 * (i % 5)) for i in range(4000))


def test_without_a_witness_nothing_is_stuck() -> None:
    watch = StuckWatch()
    assert not any(watch.observe(i * TEN_S, 30.0, None) for i in range(4000))


def test_a_stuck_sensor_that_moves_again_is_well() -> None:
    watch = StuckWatch()
    for i in range(200):
        watch.observe(i * TEN_S, 31.0, 30.0 + 0.03 * i)
    assert watch.stuck
    again = StuckWatch.load(watch.save())
    assert again.stuck
    assert not again.observe(200 * TEN_S, 31.1, 36.0)


def test_a_stuck_sensor_that_flickers_by_a_step_stands_still() -> None:
    watch, exact = StuckWatch(1.0), StuckWatch(1.0)
    for i in range(200):
        value, witness = 31.0 + 0.1 * (i * 7 % 3), 30.0 + 0.01 * i
        watch.observe(i * TEN_S, value, witness, step=0.1)
        exact.observe(i * TEN_S, value, witness)
    assert watch.stuck
    assert watch.since_ms == 0
    assert not exact.stuck


def test_a_value_is_doubted_before_it_is_stuck_and_believed_once_it_moves() -> None:
    watch = StuckWatch(1.0)
    for i in range(70):
        watch.observe(i * TEN_S, 31.0, 30.0 - 0.01 * i)
    assert watch.is_doubtful(0.0)
    assert not watch.stuck
    watch.observe(70 * TEN_S, 31.2, 29.3)
    assert not watch.is_doubtful(0.0)


def test_a_witness_that_is_reckoned_anew_has_not_moved() -> None:
    watch = StuckWatch(1.0)
    for i in range(200):
        if i == 100:
            watch.begin()
        watch.observe(i * TEN_S, 31.0, 30.0 if i < 100 else 36.0)
    assert not watch.stuck


def test_of_a_coarse_sensor_a_step_is_a_movement() -> None:
    watch = StuckWatch(1.0)
    for i in range(400):
        watch.observe(i * TEN_S, 30.0 + i // 130 % 2, 30.0 + 0.02 * i, step=1.0)
    assert not watch.stuck


def test_one_that_goes_on_from_where_it_stuck_was_in_good_order() -> None:
    watch = StuckWatch(1.0)
    for i in range(200):
        watch.observe(i * TEN_S, 31.0, 30.0 + 0.03 * i, step=0.5)
    assert watch.stuck
    sound, revived = (StuckWatch.load(watch.save()) for _ in range(2))
    for each, value in ((sound, 31.5), (revived, 37.0)):
        for i in range(300):
            each.observe((200 + i) * TEN_S, value, 36.0 - 0.02 * i, step=0.5)
    assert revived.stuck
    assert not sound.stuck

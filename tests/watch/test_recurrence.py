"""What comes and goes again and again stands until it keeps away."""

import json

from cabinetwatch.watch.conditions.heat import FREE_RAISES, KEEPS_AWAY_H, Recurrence

HOUR = 3_600_000


def visits(
    recurrence: Recurrence, times: int, every_ms: int, from_t: int = 0, *, is_slight: bool = True
) -> int:
    """So many visits of two hours; give the number of times that it was told anew."""
    told, was_standing = 0, False
    for number in range(times):
        for hour in range(every_ms // HOUR):
            t = from_t + number * every_ms + hour * HOUR
            stands = recurrence.observe(t, hour < 2, is_slight=is_slight)
            told += stands and not was_standing
            was_standing = stands
    return told


def test_what_comes_every_day_is_told_three_times_only() -> None:
    assert visits(Recurrence(), 30, 24 * HOUR) == FREE_RAISES + 1


def test_what_comes_once_a_week_is_told_every_time() -> None:
    assert visits(Recurrence(), 6, 168 * HOUR) == 6


def test_what_is_too_much_for_dust_is_told_every_time() -> None:
    assert visits(Recurrence(), 30, 12 * HOUR, is_slight=False) == 30


def test_one_that_grows_too_much_for_dust_is_held_no_longer() -> None:
    recurrence = Recurrence()
    visits(recurrence, 3, 24 * HOUR)
    assert recurrence.observe(3 * 24 * HOUR, True, is_slight=False)
    assert not recurrence.observe(3 * 24 * HOUR + HOUR, False, is_slight=False)


def test_it_returns_when_it_has_kept_away_and_not_before() -> None:
    recurrence = Recurrence()
    visits(recurrence, 3, 24 * HOUR)
    last_t = 2 * 24 * HOUR + HOUR
    assert recurrence.observe(last_t + KEEPS_AWAY_H * HOUR - 1, False, is_slight=False)
    assert not recurrence.observe(last_t + KEEPS_AWAY_H * HOUR, False, is_slight=False)


def test_a_device_that_is_off_holds_nothing() -> None:
    recurrence = Recurrence()
    visits(recurrence, 3, 24 * HOUR)
    recurrence.release()
    assert not recurrence.observe(3 * 24 * HOUR, False, is_slight=False)


def test_the_state_goes_on_as_saved() -> None:
    whole, broken = Recurrence(), Recurrence()
    visits(whole, 3, 24 * HOUR)
    visits(broken, 2, 24 * HOUR)
    again = Recurrence()
    again.load(json.loads(json.dumps(broken.save())))
    visits(again, 1, 24 * HOUR, from_t=2 * 24 * HOUR)
    assert again.save() == whole.save()

"""Notes: what somebody did to a device is where its drift begins anew."""

from typing import Any

from cabinetwatch.text import to_rfc3339
from cabinetwatch.thermal.drift import DAY_MS, HOUR_MS, DriftObserver
from cabinetwatch.watch.commands import CommandResult
from cabinetwatch.watch.events import EntryKind
from tests.watch.world import HOUR, World, settled


def _climbing(days: int) -> DriftObserver:
    drift = DriftObserver()
    for hour in range(days * 24):
        drift.observe(hour * HOUR_MS, 1.0 + 0.004 * hour / 24)
    return drift


def _note(world: World, **data: Any) -> CommandResult:
    world.tells(EntryKind.COMMAND, command="note", **data)
    assert world.engine.answer is not None
    return world.engine.answer


def test_a_climb_is_forgotten_from_the_note_on() -> None:
    drift = _climbing(60)
    assert drift.assess(5.0, 10.0).significant
    drift.restart(60 * DAY_MS)
    assert drift.assess(5.0, 10.0).significant is None
    assert drift.too_few


def test_a_note_of_a_past_day_keeps_the_days_since() -> None:
    drift = _climbing(60)
    drift.restart(20 * DAY_MS + HOUR_MS)
    assert [day for day, _ in drift.days] == list(range(21, 59))


def test_hours_before_the_note_do_not_count_in_its_day() -> None:
    drift = DriftObserver()
    for hour in range(12):
        drift.observe(hour * HOUR_MS, 2.0)
    drift.restart(12 * HOUR_MS)
    for hour in range(12, 25):
        drift.observe(hour * HOUR_MS, 1.0)
    assert drift.days == [(0, 1.0)]


def test_a_note_on_one_device_leaves_no_other_touched_and_one_on_all_touches_all() -> None:
    world = settled()
    device = world.engine.model.devices["nas"]
    device.drift = _climbing(60)
    assert _note(world, text="cleaned the filter", device="nas").ok
    assert device.drift.days == []
    device.drift = _climbing(60)
    assert _note(world, text="moved the cabinet").ok
    assert device.drift.days == []


def test_a_note_may_say_when_but_not_in_the_future() -> None:
    world = settled()
    later = _note(world, text="x", at=to_rfc3339(world.t + HOUR))
    assert not later.ok
    assert "in the future" in later.text
    assert _note(world, text="x", at=to_rfc3339(world.t - HOUR)).ok


def test_a_note_of_no_device_or_time_is_refused() -> None:
    world = World()
    assert not _note(world, text="x", device="toaster").ok
    assert not _note(world, text="x", at="yesterday").ok


def test_a_standing_drift_returns_with_the_note() -> None:
    world = settled()
    device, alarm = world.engine.model.devices["nas"], world.engine.alarms["nas/drift"]
    device.drift, device.days_on_record = _climbing(60), 60
    alarm.condition.settings = alarm.condition.settings.model_copy(
        update={"drift_horizon_days": 9999.0}
    )
    told = world.lives(HOUR)
    assert [each.condition for each in told if each.condition == "drift"] == ["drift"]
    world.tells(EntryKind.COMMAND, command="note", text="cleaned the filter", device="nas")
    last = [each for each in world.told if each.condition == "drift"][-1]
    assert last.state == "returned"
    assert "watched anew" in last.text

"""Standing high alarms that nobody acknowledges are told again, and only those."""

from dataclasses import replace

import pytest

from cabinetwatch.watch.events import AlarmState, Priority
from tests.notify.samples import (
    ACKNOWLEDGED,
    NOON_MS,
    RETURNED,
    SHELVED,
    SUPPRESSED,
    UNACKNOWLEDGED,
    returned,
    transition,
)
from tests.notify.world import mail_world, told

HOUR_MS = 3_600_000
QUIET = 'quiet_hours = "22:30-06:30"\n'


def test_a_standing_high_alarm_is_told_again_at_doubling_times_also_at_night() -> None:
    world = mail_world(QUIET)
    world.emit(transition())
    world.run(60 * 3600)
    times_h = [(notice.t - NOON_MS) / HOUR_MS for notice, _ in world.carriers["email"].told]
    assert times_h == [0, 1, 3, 7, 15, 31, 55]
    assert told(world) == ["raise"] + ["repeat"] * 6


def test_a_medium_alarm_is_not_told_again() -> None:
    world = mail_world()
    world.emit(transition(priority=Priority.MEDIUM))
    world.run(86_400)
    assert told(world) == ["raise"]


@pytest.mark.parametrize("state", [ACKNOWLEDGED, RETURNED, SHELVED, SUPPRESSED])
def test_repeats_end_when_somebody_acts_or_it_returns(state: AlarmState) -> None:
    world = mail_world()
    raised = transition()
    world.emit(raised)
    world.run(3600)
    assert told(world).count("repeat") == 1
    world.emit(replace(raised, t=world.t, state=state, previous=UNACKNOWLEDGED))
    world.run(2 * 86_400)
    assert told(world).count("repeat") == 1


def test_a_raise_out_of_returned_is_a_new_notice_and_starts_the_repeats_anew() -> None:
    world = mail_world()
    raised = transition()
    world.emit(raised)
    world.run(1800)
    world.emit(replace(returned(raised), t=world.t, utc_ms=world.t))
    world.run(1800)
    world.emit(replace(raised, t=world.t, utc_ms=world.t, previous=RETURNED))
    world.run(3600)
    assert told(world) == ["raise", "return", "raise", "repeat"]


def test_repeats_of_one_cause_are_one_mail() -> None:
    world = mail_world()
    shared = [transition(occurrence=f"a{n}", cause="ambient/room-air") for n in range(3)]
    world.emit(*shared)
    world.run(3600)
    assert told(world) == ["raise", "repeat"]
    assert len(world.carriers["email"].told[1][0].transitions) == 3


def test_nobody_is_reminded_of_what_has_not_been_told_yet() -> None:
    world = mail_world()
    mail = world.carriers["email"]
    mail.reachable = False
    world.emit(transition())
    world.run(20 * 3600)
    mail.reachable = True
    world.run(300)
    assert told(world) == ["raise"]
    world.run(12 * 3600)
    assert told(world) == ["raise", "repeat"]


def test_a_restart_neither_forgets_nor_advances_a_repeat() -> None:
    world = mail_world()
    world.emit(transition())
    for _ in range(36):
        world.run(600)
        world.restart()
    world.run(3600)
    times_h = [(notice.t - NOON_MS) / HOUR_MS for notice, _ in world.carriers["email"].told]
    assert times_h == [0, 1, 3, 7]


def test_of_the_repeats_missed_while_the_watch_was_off_one_is_made_good() -> None:
    world = mail_world()
    world.emit(transition())
    world.settle()
    world.t += 10 * HOUR_MS
    world.restart()
    world.run(6 * 3600)
    times_h = [(notice.t - NOON_MS) / HOUR_MS for notice, _ in world.carriers["email"].told]
    assert times_h == [0, 10, 15]

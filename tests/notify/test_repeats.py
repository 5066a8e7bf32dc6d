"""Standing high alarms that nobody acknowledges are told again, and only those."""

from dataclasses import replace

import pytest

from cabinetwatch.watch.events import AlarmState, Message, Priority, Step
from tests.notify.samples import (
    ACKNOWLEDGED,
    NOON_MS,
    RETURNED,
    SHELVED,
    SUPPRESSED,
    UNACKNOWLEDGED,
    account,
    returned,
    told_of,
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
    world.emit(told_of(replace(raised, t=world.t, state=state, previous=UNACKNOWLEDGED)))
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


def test_an_incident_is_told_again_in_one_mail_of_how_it_is_then() -> None:
    world = mail_world()
    raises = [
        replace(transition(occurrence=f"a{n}", t=NOON_MS + n), incident="a0") for n in range(3)
    ]
    hotter = account(raises[0], id="a0", now="It is hotter.")
    world.present = {"a0": hotter}.get
    world.restart()
    world.emit(raises[0], *(replace(each, message=None) for each in raises[1:]))
    world.run(3600)
    assert told(world) == ["raise", "repeat"]
    repeat, _ = world.carriers["email"].told[1]
    assert (len(repeat.transitions), repeat.accounts) == (3, (hotter,))


def test_time_counts_anew_once_it_gets_worse() -> None:
    world = mail_world()
    raised = transition()
    world.emit(raised)
    world.run(1800)
    hotter = transition(occurrence="hotter", condition="over-rise", t=world.t)
    worse = Message(Step.WORSE, account(hotter, id=raised.id), (hotter,))
    world.emit(replace(hotter, incident=raised.id, message=worse))
    world.run(3599)
    assert told(world) == ["raise", "worse"]
    world.run(1)
    assert told(world) == ["raise", "worse", "repeat"]


def test_nobody_is_called_for_what_comes_and_goes_and_is_away_just_now() -> None:
    world = mail_world()
    raised = transition()
    present = {raised.id: account(raised, is_present=False)}
    world.present = present.get
    world.restart()
    world.emit(raised)
    world.run(3600)
    assert told(world) == ["raise"]
    present[raised.id] = account(raised)
    world.run(2 * 3600)
    assert told(world) == ["raise", "repeat"]


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

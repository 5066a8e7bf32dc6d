"""Deliveries in pretended time: retries, quiet hours, digests, repeats, restarts, memory."""

from dataclasses import replace

import pytest

from cabinetwatch.notify.delivery import Attempt, Fault, Refusal
from cabinetwatch.notify.plan import plan, plan_test
from cabinetwatch.store.records import Notice
from cabinetwatch.text import from_rfc3339
from cabinetwatch.watch.events import Priority
from tests.notify.samples import (
    ACKNOWLEDGED,
    NOON_MS,
    UNACKNOWLEDGED,
    make_config,
    returned,
    transition,
)
from tests.notify.world import FakeChannel, Killed, World, accept, mail_world, many, refuse, told

HOUR_MS = 3_600_000
MIDNIGHT_MS = from_rfc3339("2026-07-01T23:00:00Z")
QUIET = 'quiet_hours = "22:30-06:30"\n'
SIREN = '\n[notify.command]\nargv = ["siren"]\npriorities = ["high", "medium", "low"]\n'


def test_a_notice_goes_out_at_once_and_its_delivery_is_written_down() -> None:
    world = mail_world()
    (notice, _) = world.emit(transition())
    assert world.step() == NOON_MS + HOUR_MS  # the first repeat
    assert told(world) == ["raise"]
    outcome = world.outbox.outcomes[notice.id]
    assert (outcome.status, outcome.attempts) == ("delivered", 1)
    assert outcome.recipients_done == ("owner@under-stairs.example",)


def test_a_dead_server_is_tried_after_10_s_doubling_to_5_min_and_loses_nothing_in_days() -> None:
    world = mail_world()
    mail = world.carriers["email"]
    mail.reachable = False
    world.emit(transition(priority=Priority.MEDIUM))
    waits = []
    for _ in range(8):
        due_t = world.settle()
        assert due_t is not None
        waits.append((due_t - world.t) / 1000)
        world.t = due_t
    assert waits == [10, 20, 40, 80, 160, 300, 300, 300]
    world.run(5 * 86_400)
    assert len(mail.tries) == 1  # from then on the server is only asked whether it is there
    mail.reachable = True
    world.run(300)
    assert told(world) == ["raise"]


def test_a_new_notice_is_tried_at_once_however_long_the_server_has_been_away() -> None:
    world = mail_world()
    mail = world.carriers["email"]
    mail.reachable = False
    world.emit(transition(priority=Priority.MEDIUM))
    world.run(3600)
    probes = mail.probes
    world.emit(transition(occurrence="b", priority=Priority.MEDIUM, t=world.t))
    assert world.settle() == world.t + 10_000
    assert mail.probes == probes + 1


def test_a_4xx_is_tried_again_and_a_5xx_never() -> None:
    world = mail_world()
    mail = world.carriers["email"]
    mail.behave = refuse(permanent=False)
    (notice, _) = world.emit(transition(priority=Priority.MEDIUM))
    assert world.settle() == NOON_MS + 10_000
    mail.behave = refuse(permanent=True)
    world.run(86_400)
    assert len(mail.tries) == 2
    assert world.outbox.statuses()[notice.id] == "failed"


def test_faults_are_told_once_with_whether_they_are_final_and_when_they_end() -> None:
    world = mail_world()
    mail = world.carriers["email"]
    mail.reachable = False
    world.emit(transition(priority=Priority.MEDIUM))
    world.run(30)
    mail.reachable, mail.behave = True, refuse(permanent=True)
    world.run(60)
    mail.behave = accept
    world.emit(transition(occurrence="b", priority=Priority.MEDIUM, t=world.t))
    world.run(60)
    assert world.faults == [
        ("email", Fault(ok=False, permanent=False, error="it is away")),
        ("email", Fault(ok=False, permanent=True, error="no")),
        ("email", Fault(ok=True)),
    ]


def test_a_restarted_watch_hears_that_all_is_well_after_the_first_delivery() -> None:
    world = mail_world()
    world.emit(transition())
    world.run(60)
    assert world.faults == [("email", Fault(ok=True))]


@pytest.mark.parametrize("permanent", [True, False])
def test_one_refused_recipient_neither_holds_up_nor_repeats_the_others(permanent: bool) -> None:
    here, gone = "here@under-stairs.example", "gone@under-stairs.example"
    world = mail_world()
    mail = world.carriers["email"]
    mail.recipients = (here, gone)
    world.restart()

    def behave(notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        del notice
        accepted = tuple(each for each in recipients if each == here)
        refused = {gone: Refusal("gone", permanent)} if gone in recipients else {}
        return Attempt(accepted=accepted, refused=refused)

    mail.behave = behave
    first, _ = world.emit(transition(priority=Priority.MEDIUM))
    world.run(60)
    world.emit(replace(returned(transition(priority=Priority.MEDIUM)), t=world.t))
    world.run(60)
    assert [(notice.kind, to) for notice, to in mail.told] == [
        ("raise", (here,)),
        ("return", (here,)),
    ]
    assert world.outbox.statuses()[first.id] == ("delivered" if permanent else "waiting")
    assert world.faults[-1] == ("email", Fault(ok=False, permanent=permanent, error="gone"))

    mail.behave = accept
    world.run(86_400)
    late = [(notice.kind, to) for notice, to in mail.told[2:]]
    assert sorted(late) == ([] if permanent else [("raise", (gone,)), ("return", (gone,))])


def test_a_recipient_taken_out_of_the_configuration_ends_a_notice() -> None:
    world = mail_world()
    mail = world.carriers["email"]
    mail.recipients = ("a@under-stairs.example", "b@under-stairs.example")
    world.restart()
    mail.behave = lambda notice, to: Attempt(
        accepted=to[:1], refused=dict.fromkeys(to[1:], Refusal("later"))
    )
    (notice, _) = world.emit(transition(priority=Priority.MEDIUM))
    world.settle()
    mail.recipients = ("a@under-stairs.example",)
    world.restart()
    assert world.outbox.statuses()[notice.id] == "delivered"
    assert world.settle() is None


def test_quiet_hours_hold_back_all_but_high() -> None:
    world = mail_world(QUIET, start_t=MIDNIGHT_MS)
    world.emit(*many(2, t=MIDNIGHT_MS))
    world.emit(transition(occurrence="hot", t=MIDNIGHT_MS))
    world.run(6.4 * 3600)
    world.emit(transition(ACKNOWLEDGED, UNACKNOWLEDGED, occurrence="hot", t=world.t))
    assert [notice.transitions[0].id for notice, _ in world.carriers["email"].told] == [
        "hot",
        "hot",
        "hot",
    ]
    world.run(3600)
    ids = [notice.transitions[0].id for notice, _ in world.carriers["email"].told]
    assert sorted(ids[3:]) == ["alarm-0", "alarm-1"]


def test_quiet_hours_hold_back_the_siren_but_never_what_mqtt_retains() -> None:
    carriers = {
        "command": FakeChannel(accept, ("command",)),
        "mqtt": FakeChannel(accept, ("mqtt",)),
    }
    world = World(make_config(SIREN, notify=QUIET), carriers, start_t=MIDNIGHT_MS)
    world.emit(transition(priority=Priority.LOW, t=MIDNIGHT_MS))
    world.run(3600)
    assert len(carriers["mqtt"].told) == 1
    assert len(carriers["command"].told) == 0
    world.run(8 * 3600)
    assert len(carriers["command"].told) == 1


def test_a_test_notice_does_not_wait_for_the_morning() -> None:
    world = mail_world(QUIET, start_t=MIDNIGHT_MS)
    world.delivery.add(plan_test(world.config, MIDNIGHT_MS, MIDNIGHT_MS))
    world.settle()
    assert told(world) == ["test"]


def test_quiet_hours_follow_the_wall_clock_when_it_is_put_right() -> None:
    world = mail_world(QUIET, start_t=MIDNIGHT_MS)
    world.emit(*many(1, t=MIDNIGHT_MS))
    world.settle()
    assert told(world) == []
    world.offset_ms = 12 * HOUR_MS
    world.settle()
    assert told(world) == ["raise"]


def test_a_step_of_the_wall_clock_moves_no_retry_and_no_repeat() -> None:
    world = mail_world()
    mail = world.carriers["email"]
    mail.behave = refuse(permanent=False)
    world.emit(transition())
    due_t = world.settle()
    for offset_ms in (10**10, -(10**10)):
        world.offset_ms = offset_ms
        assert world.settle() == due_t == NOON_MS + 10_000
    mail.behave = accept
    world.t = NOON_MS + 10_000
    assert world.settle() == NOON_MS + HOUR_MS


def test_more_than_digest_over_waiting_go_out_as_one() -> None:
    world = mail_world()
    mail = world.carriers["email"]
    mail.reachable = False
    for each in many(6):
        world.emit(each)
        world.settle()
    world.run(3600)
    assert [notice.kind for notice in world.outbox.notices.values()].count("digest") == 0
    mail.reachable = True
    world.run(600)
    assert told(world) == ["digest"]
    assert len(mail.told[0][0].transitions) == 6
    statuses = world.outbox.statuses()
    mails = [notice for notice in world.outbox.notices.values() if notice.channel == "email"]
    assert [statuses[notice.id] for notice in mails] == ["merged"] * 6 + ["delivered"]
    assert {world.outbox.outcomes[notice.id].merged_into for notice in mails[:6]} == {mails[6].id}


def test_up_to_digest_over_waiting_go_out_one_by_one() -> None:
    world = mail_world("digest_over = 6\n")
    for each in many(6):
        world.emit(each)
    world.settle()
    assert told(world) == ["raise"] * 6


def test_a_notice_that_may_have_arrived_joins_no_digest() -> None:
    world = mail_world("digest_over = 1\n")
    mail = world.carriers["email"]
    mail.behave = lambda notice, to: Attempt(
        refused=dict.fromkeys(to, Refusal("lost")), in_doubt=True, connection_lost=True
    )
    (first, _) = world.emit(many(1)[0])
    world.settle()
    mail.behave = accept
    for each in many(4)[1:]:
        world.emit(each)
    world.run(60)
    assert sorted(told(world)) == ["digest", "raise"]
    assert first.message_id in [notice.message_id for notice, _ in mail.told]


def test_a_mail_that_was_on_its_way_at_a_kill_comes_again_as_itself_not_in_a_digest() -> None:
    world = mail_world("digest_over = 1\n")
    mail = world.carriers["email"]

    def die(notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        raise Killed

    mail.behave = die
    first, *others = many(4)
    (in_flight, _) = world.emit(first)
    with pytest.raises(Killed):
        world.settle()
    world.outbox.commit(plan(others, world.config), [])
    mail.behave = accept
    world.restart()
    world.run(60)
    assert sorted(told(world)) == ["digest", "raise"]
    assert in_flight in [notice for notice, _ in mail.told]


def test_a_digest_that_is_slow_to_be_written_is_told_from_memory_and_once() -> None:
    world = mail_world()
    world.slow_to_write = True
    for each in many(6):
        world.emit(each)
    world.run(9)
    assert told(world) == []
    world.run(2)
    assert told(world) == ["digest"]
    world.delivery.add(
        [notice for notice in world.outbox.notices.values() if notice.kind == "digest"]
    )
    world.run(60)
    assert told(world) == ["digest"]


def test_an_uncommitted_notice_is_told_and_not_again_when_it_is_committed_later() -> None:
    world = mail_world()
    world.outbox.works = False
    notices = world.emit(transition(priority=Priority.MEDIUM), committed=False)
    world.settle()
    world.outbox.works = True
    world.outbox.commit(notices, [])
    world.delivery.add(notices)
    world.run(60)
    assert told(world) == ["raise"]


def test_a_notice_that_cannot_be_put_into_words_stops_nothing(
    caplog: pytest.LogCaptureFixture,
) -> None:
    world = mail_world()

    def behave(notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        if notice.transitions[0].id == "bad":
            raise ValueError("no words")
        return accept(notice, recipients)

    world.carriers["email"].behave = behave
    (bad, _) = world.emit(transition(occurrence="bad", priority=Priority.MEDIUM))
    world.emit(transition(occurrence="good", priority=Priority.MEDIUM, cause="other"))
    world.run(60)
    assert [notice.transitions[0].id for notice, _ in world.carriers["email"].told] == ["good"]
    assert world.outbox.statuses()[bad.id] == "failed"
    assert world.faults[0][1].permanent
    assert "could not be sent" in caplog.text


def test_what_is_urgent_goes_first_once_the_server_is_back() -> None:
    world = mail_world()
    world.carriers["email"].reachable = False
    world.emit(transition(occurrence="first", priority=Priority.MEDIUM, cause="c1"))
    world.run(60)
    world.emit(transition(occurrence="second", priority=Priority.HIGH, cause="c2", t=world.t))
    world.run(60)
    world.carriers["email"].reachable = True
    world.run(600)
    ids = [notice.transitions[0].id for notice, _ in world.carriers["email"].told]
    assert ids == ["second", "first"]


@pytest.mark.parametrize("priority", [Priority.HIGH, Priority.MEDIUM])
def test_a_notice_that_always_breaks_the_connection_holds_up_no_other(priority: Priority) -> None:
    world = mail_world()

    def behave(notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        if notice.transitions[0].id == "alarm-0":
            return Attempt(refused=dict.fromkeys(recipients, Refusal("cut")), connection_lost=True)
        return accept(notice, recipients)

    world.carriers["email"].behave = behave
    for each in (*many(1, priority), *many(3)[1:]):
        world.emit(each)
    world.run(60)
    ids = {notice.transitions[0].id for notice, _ in world.carriers["email"].told}
    assert ids == {"alarm-1", "alarm-2"}


def test_a_siren_hears_raise_and_return_in_their_order_however_often_it_fails() -> None:
    siren = FakeChannel(refuse(permanent=False), ("command",))
    world = World(make_config(SIREN), {"command": siren})
    raised = transition()
    world.emit(raised)
    world.run(60)
    world.emit(replace(returned(raised), t=world.t))
    world.emit(transition(occurrence="other", subject="av-amplifier", t=world.t))
    world.settle()
    assert [notice.transitions[0].id for notice in siren.tries].count("other") == 1
    assert "return" not in [notice.kind for notice in siren.tries]
    siren.behave = accept
    world.run(600)
    own = [notice.kind for notice, _ in siren.told if notice.transitions[0].id == raised.id]
    assert own == ["raise", "return"]


def test_a_delivery_leaves_notices_of_other_channels_alone() -> None:
    world = mail_world()
    notices = world.emit(transition())
    world.settle()
    mqtt = next(notice for notice in notices if notice.channel == "mqtt")
    assert mqtt.id not in world.outbox.outcomes

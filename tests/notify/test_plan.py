"""Which notices follow from which transitions."""

from dataclasses import replace

import pytest

from cabinetwatch.notify.plan import (
    DueRepeat,
    plan,
    plan_digest,
    plan_repeat,
    plan_test,
    thread_roots,
)
from cabinetwatch.watch.events import AlarmState, Priority, Transition
from tests.notify.samples import (
    ACKNOWLEDGED,
    NOON_MS,
    NORMAL,
    OUT_OF_SERVICE,
    RETURNED,
    SHELVED,
    SUPPRESSED,
    UNACKNOWLEDGED,
    make_config,
    returned,
    transition,
)

SIREN = '\n[notify.command]\nargv = ["siren"]\npriorities = ["high"]\n'
CONFIG = make_config(SIREN)


def channels(*transitions: Transition) -> list[str]:
    return [notice.channel for notice in plan(transitions, CONFIG)]


@pytest.mark.parametrize(
    ("previous", "state", "kind"),
    [
        (NORMAL, UNACKNOWLEDGED, "raise"),
        (RETURNED, UNACKNOWLEDGED, "raise"),
        (SHELVED, UNACKNOWLEDGED, "raise"),
        (SUPPRESSED, UNACKNOWLEDGED, "raise"),
        (OUT_OF_SERVICE, UNACKNOWLEDGED, "raise"),
        (UNACKNOWLEDGED, RETURNED, "return"),
        (ACKNOWLEDGED, NORMAL, "return"),
    ],
)
def test_raises_and_returns_go_out_by_every_channel(
    previous: AlarmState, state: AlarmState, kind: str
) -> None:
    notices = plan([transition(state, previous)], CONFIG)
    assert [(notice.channel, notice.kind) for notice in notices] == [
        ("email", kind),
        ("mqtt", kind),
        ("command", kind),
    ]


@pytest.mark.parametrize(
    ("previous", "state"),
    [
        (UNACKNOWLEDGED, ACKNOWLEDGED),
        (RETURNED, NORMAL),
        (UNACKNOWLEDGED, SHELVED),
        (SHELVED, ACKNOWLEDGED),
        (SHELVED, NORMAL),
        (UNACKNOWLEDGED, SUPPRESSED),
        (SUPPRESSED, NORMAL),
        (UNACKNOWLEDGED, OUT_OF_SERVICE),
        (UNACKNOWLEDGED, NORMAL),
    ],
)
def test_what_somebody_did_or_the_design_hides_is_published_but_not_mailed(
    previous: AlarmState, state: AlarmState
) -> None:
    (notice,) = plan([transition(state, previous)], CONFIG)
    assert (notice.channel, notice.kind) == ("mqtt", "change")


def test_each_channel_takes_only_its_priorities() -> None:
    config = make_config(
        SIREN + '[notify.mqtt]\npriorities = ["low"]\n', priorities=("high", "medium")
    )
    told = {
        priority: [notice.channel for notice in plan([transition(priority=priority)], config)]
        for priority in Priority
    }
    assert told == {
        Priority.HIGH: ["email", "command"],
        Priority.MEDIUM: ["email"],
        Priority.LOW: ["mqtt"],
    }


def test_a_channel_that_is_not_set_up_gets_no_notice() -> None:
    bare = make_config("[notify.mqtt]\nenabled = false\n", email=None)
    assert plan([transition()], bare) == []


def test_transitions_of_one_cause_are_one_mail_and_others_are_their_own() -> None:
    nas = transition(occurrence="a", condition="ambient-lost", cause="ambient/room-air")
    amplifier = transition(
        occurrence="b", subject="av-amplifier", condition="ambient-lost", cause="ambient/room-air"
    )
    other = transition(occurrence="c", subject="ups")
    mails = [
        notice for notice in plan([nas, other, amplifier], CONFIG) if notice.channel == "email"
    ]
    assert [[each.id for each in mail.transitions] for mail in mails] == [["a", "b"], ["c"]]
    assert channels(nas, other, amplifier).count("command") == 3


def test_a_mail_of_one_cause_is_led_by_what_stands() -> None:
    back = returned(transition(occurrence="a", cause="x"), after_s=0)
    mail = plan([back, transition(occurrence="b", cause="x")], CONFIG)[0]
    assert [each.id for each in mail.transitions] == ["b", "a"]
    assert mail.kind == "raise"


def test_the_same_transitions_give_the_same_notices_and_others_give_others() -> None:
    raised = transition()
    assert plan([raised], CONFIG) == plan([raised], CONFIG)
    again = replace(raised, t=raised.t + 5000, previous=RETURNED)
    ids = [
        notice.id for each in (raised, returned(raised), again) for notice in plan([each], CONFIG)
    ]
    assert len(set(ids)) == len(ids) == 9


def test_return_and_repeat_answer_the_mail_that_raised_the_alarm() -> None:
    raised = transition()
    first = plan([raised], CONFIG)[0]
    back = plan([returned(raised)], CONFIG)[0]
    again = plan([replace(raised, t=raised.t + 1, previous=RETURNED)], CONFIG)[0]
    repeat = plan_repeat(DueRepeat(raised.t + 1, (raised,)), CONFIG, raised.t + 1, 0)[0]
    assert first.in_reply_to is None
    assert {each.in_reply_to for each in (back, again, repeat)} == {first.message_id}
    assert len({each.message_id for each in (first, back, again, repeat)}) == 4
    assert first.message_id.endswith("@under-stairs.example>")


def test_another_occurrence_is_another_thread_and_so_is_another_site() -> None:
    ids = {
        plan([each], CONFIG)[0].message_id
        for each in (
            transition(occurrence="a"),
            transition(occurrence="b"),
            transition(occurrence="a", site="The shed"),
        )
    }
    assert len(ids) == 3


def test_the_second_alarm_of_a_shared_mail_finds_its_thread_too() -> None:
    first, second = transition(occurrence="a", cause="x"), transition(occurrence="b", cause="x")
    shared = plan([first, second], CONFIG)[0]
    back = plan([returned(second)], CONFIG)[0]
    assert back.in_reply_to in thread_roots(shared, CONFIG)


def test_a_digest_tells_each_transition_once_in_order_of_time() -> None:
    raised = transition()
    back = returned(raised)
    repeat = plan_repeat(DueRepeat(raised.t + 1, (raised,)), CONFIG, back.t + 1, 0)
    members = [plan([each], CONFIG)[0] for each in (back, raised)] + repeat[:1]
    digest = plan_digest(members, CONFIG, back.t + 9, 7)
    assert digest.transitions == (raised, back)
    assert (digest.kind, digest.t, digest.utc_ms) == ("digest", back.t + 9, back.t + 16)
    assert digest.id == plan_digest(members[::-1], CONFIG, 0, 0).id
    assert digest.id != plan_digest(members[:2], CONFIG, 0, 0).id


def test_repeats_go_by_mail_and_command_within_their_priorities() -> None:
    due = DueRepeat(NOON_MS + 5, (transition(occurrence="a"), transition(occurrence="b")))
    notices = plan_repeat(due, CONFIG, NOON_MS + 9, 3)
    assert [(each.channel, each.kind) for each in notices] == [
        ("email", "repeat"),
        ("command", "repeat"),
        ("command", "repeat"),
    ]
    assert {(each.t, each.utc_ms) for each in notices} == {(NOON_MS + 9, NOON_MS + 12)}
    later = plan_repeat(replace(due, due_t=due.due_t + 1), CONFIG, NOON_MS + 9, 3)
    assert not {each.id for each in notices} & {each.id for each in later}


def test_a_test_goes_through_every_channel_and_ends_what_it_starts() -> None:
    notices = plan_test(CONFIG, NOON_MS, NOON_MS)
    assert [notice.channel for notice in notices] == ["email", "mqtt", "command", "command"]
    assert {notice.kind for notice in notices} == {"test"}
    states = [each.transitions[0].state for each in notices if each.channel == "command"]
    assert states == [UNACKNOWLEDGED, NORMAL]
    assert len({notice.id for notice in notices}) == 4
    assert plan_test(make_config("[notify.mqtt]\nenabled = false\n", email=None), 0, 0) == []

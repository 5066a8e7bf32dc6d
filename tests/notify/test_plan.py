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
from cabinetwatch.watch.events import AlarmState, Message, Priority, Step, Transition
from tests.notify.samples import (
    ACKNOWLEDGED,
    NOON_MS,
    NORMAL,
    OUT_OF_SERVICE,
    RETURNED,
    SHELVED,
    SUPPRESSED,
    UNACKNOWLEDGED,
    account,
    make_config,
    returned,
    told_of,
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
        ("command", kind),
        ("mqtt", kind),
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


def of(incident: str, step: Step, *own: Transition, name: str = "") -> list[Transition]:
    """Give transitions of one incident, the last of which carries its message."""
    own = tuple(replace(each, incident=incident, message=None) for each in own)
    told = account(own[-1], id=incident, **({"headline": name} if name else {}))
    return [*own[:-1], replace(own[-1], message=Message(step, told, own))]


def test_the_alarms_of_an_incident_are_one_mail_and_one_run_of_the_program() -> None:
    lost = [
        transition(occurrence=each, subject=each, condition="ambient-lost")
        for each in ("nas", "av-amplifier")
    ]
    other = transition(occurrence="c", subject="ups")
    notices = plan([*of("nas", Step.OPENED, *lost), other], CONFIG)
    for channel in ("email", "command"):
        told = [[each.id for each in n.transitions] for n in notices if n.channel == channel]
        assert told == [["nas", "av-amplifier"], ["c"]]
    published = [notice for notice in notices if notice.channel == "mqtt"]
    assert [[each.id for each in notice.transitions] for notice in published] == [
        ["nas"],
        ["av-amplifier"],
        ["c"],
    ]


def test_what_no_message_tells_goes_to_mqtt_alone() -> None:
    silent_raise = replace(transition(), message=None)
    assert channels(silent_raise) == ["mqtt"]


def test_the_same_transitions_give_the_same_notices_and_others_give_others() -> None:
    raised = transition()
    assert plan([raised], CONFIG) == plan([raised], CONFIG)
    again = replace(raised, t=raised.t + 5000, previous=RETURNED)
    ids = [
        notice.id for each in (raised, returned(raised), again) for notice in plan([each], CONFIG)
    ]
    assert len(set(ids)) == len(ids) == 9


def test_all_that_follows_answers_the_mail_that_opened_the_incident() -> None:
    raised = transition()
    hotter = transition(occurrence="over-rise-1", t=raised.t + 1, condition="over-rise")
    first = plan([raised], CONFIG)[0]
    worse = plan(of(raised.id, Step.WORSE, hotter), CONFIG)[0]
    back = plan([returned(raised)], CONFIG)[0]
    again = plan([told_of(replace(raised, t=raised.t + 1, previous=RETURNED))], CONFIG)[0]
    due = DueRepeat(raised.t + 1, raised.id, (raised,))
    repeat = plan_repeat(due, None, CONFIG, raised.t + 1, 0)[0]
    later = (worse, back, again, repeat)
    assert first.in_reply_to is None
    assert {each.in_reply_to for each in later} == {first.message_id}
    assert [each.kind for each in later] == ["worse", "return", "raise", "repeat"]
    assert len({each.message_id for each in (first, *later)}) == 5
    assert first.message_id.endswith("@under-stairs.example>")


def test_another_occurrence_is_another_thread_and_so_is_another_site() -> None:
    shed = make_config(SIREN, site="The shed")
    told = (("a", CONFIG), ("b", CONFIG), ("a", shed))
    ids = {plan([transition(occurrence=each)], where)[0].message_id for each, where in told}
    assert len(ids) == 3


def test_a_digest_refers_to_the_thread_of_each_of_its_incidents() -> None:
    first, second = (plan([transition(occurrence=each)], CONFIG)[0] for each in "ab")
    digest = plan_digest([first, second], CONFIG, NOON_MS, 0)
    assert thread_roots(digest, CONFIG) == [first.message_id, second.message_id]


def test_a_digest_tells_each_transition_once_in_order_of_time() -> None:
    raised = transition()
    back = returned(raised)
    due = DueRepeat(raised.t + 1, raised.id, (raised,))
    repeat = plan_repeat(due, None, CONFIG, back.t + 1, 0)
    members = [plan([each], CONFIG)[0] for each in (back, raised)] + repeat[:1]
    digest = plan_digest(members, CONFIG, back.t + 9, 7)
    assert digest.transitions == (raised, back)
    assert (digest.kind, digest.t, digest.utc_ms) == ("digest", back.t + 9, back.t + 16)
    assert digest.id == plan_digest(members[::-1], CONFIG, 0, 0).id
    assert digest.id != plan_digest(members[:2], CONFIG, 0, 0).id


def test_a_repeat_goes_by_mail_and_command_once_for_an_incident_within_their_priorities() -> None:
    raises = transition(occurrence="a"), transition(occurrence="b")
    due = DueRepeat(NOON_MS + 5, "a", raises)
    now = account(raises[0], id="a")
    notices = plan_repeat(due, now, CONFIG, NOON_MS + 9, 3)
    assert [(each.channel, each.kind) for each in notices] == [
        ("email", "repeat"),
        ("command", "repeat"),
    ]
    assert {(each.t, each.utc_ms, each.accounts) for each in notices} == {
        (NOON_MS + 9, NOON_MS + 12, (now,))
    }
    later = plan_repeat(due._replace(due_t=due.due_t + 1), now, CONFIG, NOON_MS + 9, 3)
    assert not {each.id for each in notices} & {each.id for each in later}
    milder = replace(now, priority=Priority.MEDIUM)
    assert [each.channel for each in plan_repeat(due, milder, CONFIG, NOON_MS + 9, 3)] == ["email"]


def test_a_test_goes_through_every_channel_and_ends_what_it_starts() -> None:
    notices = plan_test(CONFIG, NOON_MS, NOON_MS)
    assert [notice.channel for notice in notices] == ["email", "mqtt", "command", "command"]
    assert {notice.kind for notice in notices} == {"test"}
    states = [each.transitions[0].state for each in notices if each.channel == "command"]
    assert states == [UNACKNOWLEDGED, NORMAL]
    assert len({notice.id for notice in notices}) == 4
    assert plan_test(make_config("[notify.mqtt]\nenabled = false\n", email=None), 0, 0) == []

"""People told in turn, through a real mail server and a real store: who, what, when."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from cabinetwatch.config import Config
from cabinetwatch.text import from_rfc3339, local_time
from cabinetwatch.watch.events import AlarmState, Message, Priority, Step, Transition
from cabinetwatch.watch.site import SiteView
from tests.notify.post import Post
from tests.notify.samples import ACKNOWLEDGED, UNACKNOWLEDGED, account, make_config, transition
from tests.notify.world import FakeChannel, World, accept
from tests.service.mails import part
from tests.support.mail import MailDrop

KIM, ROBIN, SASHA = (f"{name}@under-stairs.example" for name in ("kim", "robin", "sasha"))
ZONE = "Europe/Dublin"
EVENING_MS = from_rfc3339("2026-12-28T22:00:00Z")
"""Ten in the evening at the site as well, in winter."""
MINUTE_S, HOUR_S = 60.0, 3600.0

TWO = f"""
[notify.people.kim]
name = "Kim"
mail = "{KIM}"

[notify.people.robin]
name = "Robin"
mail = "{ROBIN}"
after = "30m"
"""
AWAY = 'away = ["2026-12-20/2027-01-03"]\n'
THREE = f'{TWO}\n[notify.people.sasha]\nmail = "{SASHA}"\n{AWAY}'
ALL_AFTER = TWO.replace('mail = "kim', 'after = "5m"\nmail = "kim')
NOBODY_SIMPLE = """
[notify.email]
host = "127.0.0.1"
port = {port}
security = "none"
from = "{sender}"
"""
NO_MQTT = "[notify.mqtt]\nenabled = false\n"


def house(people: str, smtp: MailDrop | None = None, notify: str = "repeat_s = 1e6") -> Config:
    port = 25 if smtp is None else smtp.port
    return make_config(people + NO_MQTT, notify=notify, port=port, email=NOBODY_SIMPLE)


Open = Callable[..., Post]


@pytest.fixture
def opened(smtp: MailDrop, tmp_path: Path) -> Iterator[Open]:
    """Open the post of a house with these people, at ten in the evening."""
    made: list[Post] = []

    def open_post(people: str = TWO, notify: str = "repeat_s = 1e6", t: int = EVENING_MS) -> Post:
        made.append(Post(tmp_path / "cabinet.db", house(people, smtp, notify), smtp, t))
        return made[-1]

    yield open_post
    for post in made:
        post.store.close()


def hot(post: Post, priority: Priority = Priority.HIGH, **changes: str) -> Transition:
    """Let the NAS get too hot."""
    raised = transition(t=post.t, priority=priority, **changes)  # type: ignore[arg-type]
    post.emit(raised)
    return raised


def worse(post: Post, raised: Transition, occurrence: str = "nas-fan-slow-9") -> Transition:
    """Let it get worse by another alarm of its incident."""
    other = replace(raised, t=post.t, utc_ms=post.t, id=occurrence, incident=raised.id)
    message = Message(Step.WORSE, account(raised), (other,), (raised.priority,))
    told = replace(other, message=message)
    post.emit(told)
    return told


def put(post: Post, raised: Transition, state: AlarmState) -> Transition:
    """Let somebody put an alarm into a state, and nobody be told of it."""
    now = replace(
        raised, t=post.t, utc_ms=post.t, state=state, previous=UNACKNOWLEDGED, message=None
    )
    post.emit(now)
    return now


def over(post: Post, raised: Transition, *, acknowledged: bool = False) -> None:
    """Let it be over."""
    state = AlarmState.NORMAL if acknowledged else AlarmState.RETURNED
    previous = ACKNOWLEDGED if acknowledged else UNACKNOWLEDGED
    ended = replace(raised, t=post.t, utc_ms=post.t, state=state, previous=previous, message=None)
    message = Message(Step.OVER, account(ended), (ended,), (raised.priority,))
    post.emit(replace(ended, message=message))


def mails(post: Post, to: str) -> list[str]:
    """Give when each mail came to somebody, at the site, and its mark."""
    return [
        f"{local_time(each.t, ZONE, '%H:%M')} {each.subject.partition(']')[0]}]"
        for each in post.arrived
        if each.recipients == (to,)
    ]


def test_a_night_of_two_people_the_first_of_them_silent_and_a_third_away(opened: Open) -> None:
    post = opened(THREE, 'quiet_hours = "22:30-06:30"\n')
    warm = hot(post, Priority.MEDIUM, occurrence="av-1", subject="av-amplifier")
    post.run(HOUR_S)
    damp = hot(post, Priority.MEDIUM, occurrence="ups-1", subject="ups", condition="high")
    post.run(190 * MINUTE_S)
    nas = hot(post)
    post.run(65 * MINUTE_S)
    put(post, nas, ACKNOWLEDGED)
    post.run(45 * MINUTE_S)
    fan = worse(post, nas)
    post.run(29 * MINUTE_S)
    put(post, fan, ACKNOWLEDGED)
    post.run(HOUR_S)
    put(post, damp, ACKNOWLEDGED)
    post.run(31 * MINUTE_S)
    over(post, nas, acknowledged=True)
    post.run(3 * HOUR_S)
    over(post, warm)
    post.run(HOUR_S)
    assert mails(post, KIM) == [
        "22:00 [Medium]",
        "02:10 [High]",
        "03:10 [High, still on]",
        "04:00 [High, worse]",
        "06:00 [Over]",
        "06:30 [Medium]",
        "09:00 [Over]",
    ]
    assert mails(post, ROBIN) == [
        "02:40 [High]",
        "03:10 [High, still on]",
        "06:00 [Over]",
        "06:30 [Medium]",
        "09:00 [Over]",
    ]
    assert mails(post, SASHA) == []
    assert post.store.waiting() == []


def test_the_second_reads_that_the_first_was_notified_when_and_did_not_answer(
    opened: Open, smtp: MailDrop
) -> None:
    post = opened()
    post.run(4 * HOUR_S + 10 * MINUTE_S)
    hot(post)
    post.run(HOUR_S)
    first, second = (each.message for each in smtp.messages)
    sentence = "Kim was notified at 02:10 and has not answered."
    for kind in ("plain", "html"):
        assert sentence in part(second, kind)
        assert "was notified" not in part(first, kind)
    # A thread of its own, and dated when its turn has come.
    assert first["To"] == KIM
    assert second["To"] == ROBIN
    assert first["Message-ID"] != second["Message-ID"]
    assert second["In-Reply-To"] is None
    written = [each["Date"].datetime.timestamp() for each in (first, second)]
    assert written[1] - written[0] == 30 * MINUTE_S


@pytest.mark.parametrize("killed", [False, True])
def test_no_mail_is_dated_in_the_future_though_its_turn_came_early(
    opened: Open, smtp: MailDrop, killed: bool
) -> None:
    smtp.refuse_recipient(KIM, "550 5.1.1 no such mailbox")
    post = opened(TWO.replace("30m", "7d"))
    nas = hot(post)
    post.run(MINUTE_S)
    smtp.refuse_recipient(ROBIN, "450 4.2.1 greylisted")
    worse(post, nas)
    post.run(5.0)
    smtp.behave()
    if killed:
        post.kill()
    post.run(MINUTE_S)
    dates = [each.message["Date"].datetime.timestamp() for each in smtp.messages]
    # The second at its first attempt, or the one that a kill let be known.
    assert [round(1000 * each) - EVENING_MS for each in dates] == [0, 60_000]
    assert len(mails(post, ROBIN)) == 2


def test_each_person_has_a_thread_of_their_own(opened: Open, smtp: MailDrop) -> None:
    post = opened(notify="repeat_s = 3600")
    nas = hot(post)
    post.run(2 * HOUR_S)
    over(post, nas)
    post.run(HOUR_S)
    for who in (KIM, ROBIN):
        first, *later = (e.message for e in smtp.messages if e.recipients == [who])
        assert len(later) == 2
        assert {each["In-Reply-To"] for each in later} == {first["Message-ID"]}
        assert {each["References"] for each in later} == {first["Message-ID"]}


@pytest.mark.parametrize(
    ("minutes", "state", "outage"),
    [
        (29, ACKNOWLEDGED, False),
        (29, AlarmState.SHELVED, False),
        (29, AlarmState.OUT_OF_SERVICE, False),
        (31, ACKNOWLEDGED, True),
        (70, ACKNOWLEDGED, True),
        # Over, and so none of the second's business.
        (10, None, False),
    ],
)
def test_an_answer_before_the_second_could_be_told_stops_their_mail(
    opened: Open, smtp: MailDrop, minutes: int, state: AlarmState | None, outage: bool
) -> None:
    post = opened()
    if outage:
        smtp.stop()
    nas = hot(post)
    post.run(minutes * MINUTE_S)
    if state is not None:
        put(post, nas, state)
        post.run(MINUTE_S)
    if outage:
        smtp.start()
        post.run(HOUR_S)
    over(post, nas, acknowledged=state is not None)
    post.run(24 * HOUR_S)
    assert [each.partition(" ")[2] for each in mails(post, KIM)] == ["[High]", "[Over]"]
    assert mails(post, ROBIN) == []
    assert post.store.waiting() == []


def test_one_alarm_of_two_acknowledged_is_no_answer(opened: Open) -> None:
    post = opened()
    nas = hot(post)
    post.run(MINUTE_S)
    fan = worse(post, nas)
    put(post, nas, ACKNOWLEDGED)
    post.run(HOUR_S)
    # Both that were held are told at once, in one mail.
    assert mails(post, ROBIN) == ["22:30 [High]"]
    put(post, fan, ACKNOWLEDGED)
    post.run(HOUR_S)
    assert len(mails(post, ROBIN)) == 1


def test_where_all_that_is_still_on_was_acknowledged_the_second_is_left_in_peace(
    opened: Open,
) -> None:
    post = opened()
    nas = hot(post)
    post.run(MINUTE_S)
    fan = worse(post, nas)
    put(post, fan, ACKNOWLEDGED)
    put(post, nas, AlarmState.RETURNED)
    post.run(HOUR_S)
    assert mails(post, ROBIN) == []


def test_an_end_that_comes_while_the_mail_before_it_is_being_written_is_told() -> None:
    kim, robin = FakeChannel(accept, (KIM,)), FakeChannel(accept, (ROBIN,))
    world = World(house(TWO), {"mail to kim": kim, "mail to robin": robin})
    raised = transition(t=world.t)
    world.emit(raised)
    world.run(MINUTE_S)
    other = replace(raised, t=world.t, id="nas-2", incident=raised.id)
    message = Message(Step.WORSE, account(raised), (other,), (Priority.HIGH,))
    world.slow_to_write = True
    world.emit(replace(other, message=message))
    world.run(29 * MINUTE_S)
    assert robin.told == []
    ended = replace(raised, t=world.t, utc_ms=world.t, state=AlarmState.RETURNED, message=None)
    over_message = Message(Step.OVER, account(ended), (ended,), (Priority.HIGH,))
    world.emit(replace(ended, message=over_message))
    world.run(HOUR_S)
    assert sorted(notice.kind for notice, _ in robin.told) == ["digest", "return"]


@pytest.mark.parametrize("killed", [False, True])
@pytest.mark.parametrize("state", [AlarmState.SUPPRESSED, AlarmState.RETURNED])
def test_what_hides_or_returns_beside_others_is_no_answer(
    opened: Open, state: AlarmState, killed: bool
) -> None:
    post = opened()
    nas = hot(post)
    post.run(MINUTE_S)
    # As the engine tells it: the one goes as the other comes, and nobody is told anew.
    put(post, nas, state)
    other = replace(nas, t=post.t, utc_ms=post.t, id="nas-2", incident=nas.id, message=None)
    post.emit(other)
    if killed:
        post.kill()
    post.run(HOUR_S)
    assert mails(post, ROBIN) == ["22:30 [High]"]


def test_what_comes_again_is_told_in_turn_again(opened: Open) -> None:
    post = opened()
    nas = hot(post)
    post.run(HOUR_S)
    over(post, nas)
    post.run(HOUR_S)
    again = replace(nas, t=post.t, utc_ms=post.t, previous=AlarmState.RETURNED)
    post.emit(again)
    post.run(10 * MINUTE_S)
    put(post, again, ACKNOWLEDGED)
    over(post, again, acknowledged=True)
    post.run(HOUR_S)
    assert mails(post, KIM)[2:] == ["00:00 [High]", "00:10 [Over]"]
    assert mails(post, ROBIN) == ["22:30 [High]", "23:00 [Over]"]


def test_once_told_and_unanswered_what_gets_worse_waits_no_longer(opened: Open) -> None:
    post = opened()
    nas = hot(post)
    post.run(HOUR_S)
    fan = worse(post, nas)
    post.run(HOUR_S)
    assert mails(post, ROBIN) == ["22:30 [High]", "23:00 [High, worse]"]
    for each in (nas, fan):
        put(post, each, ACKNOWLEDGED)
    worse(post, nas, "nas-third")
    post.run(20 * MINUTE_S)
    assert len(mails(post, ROBIN)) == 2
    post.run(HOUR_S)
    assert mails(post, ROBIN)[2:] == ["00:30 [High, worse]"]


@pytest.mark.parametrize("was_over", [False, True])
def test_a_kill_keeps_since_when_the_second_knows(opened: Open, was_over: bool) -> None:
    post = opened()
    nas = hot(post)
    post.run(40 * MINUTE_S)
    if was_over:
        over(post, nas)
    post.run(MINUTE_S)
    # The one goes as the other comes, and nobody is told anew.
    other = replace(nas, t=post.t, utc_ms=post.t, id="nas-2", incident=nas.id, message=None)
    post.emit(other)
    if not was_over:
        put(post, nas, AlarmState.RETURNED)
    post.kill()
    post.run(MINUTE_S)
    worse(post, nas)
    post.run(HOUR_S)
    # What was over before it came again was another matter.
    assert mails(post, ROBIN)[-1] == ("23:12" if was_over else "22:42") + " [High, worse]"


def test_a_high_alarm_is_repeated_to_the_second_only_once_told(opened: Open) -> None:
    post = opened(TWO.replace("30m", "90m"), "repeat_s = 3600")
    hot(post)
    post.run(4 * HOUR_S)
    assert mails(post, KIM) == ["22:00 [High]", "23:00 [High, still on]", "01:00 [High, still on]"]
    assert mails(post, ROBIN) == ["23:30 [High]", "01:00 [High, still on]"]


@pytest.mark.parametrize("seconds", [0.0, 29 * MINUTE_S])
def test_a_kill_keeps_the_second_s_time(opened: Open, seconds: float) -> None:
    post = opened()
    hot(post)
    post.run(seconds)
    post.kill()
    post.run(HOUR_S)
    post.kill()
    post.run(HOUR_S)
    assert mails(post, ROBIN) == ["22:30 [High]"]
    assert mails(post, KIM) == ["22:00 [High]"]


def test_a_kill_right_after_the_alarm_was_written_loses_nobody_s_mail(opened: Open) -> None:
    post = opened()
    post.write(transition(t=post.t))
    post.kill()
    post.run(HOUR_S)
    assert mails(post, KIM) == ["22:00 [High]"]
    assert mails(post, ROBIN) == ["22:30 [High]"]


def test_a_kill_right_after_the_answer_was_written_is_no_reason_to_tell_the_second(
    opened: Open,
) -> None:
    post = opened()
    nas = hot(post)
    post.run(29 * MINUTE_S)
    post.write(replace(nas, t=post.t, state=ACKNOWLEDGED, previous=UNACKNOWLEDGED, message=None))
    post.kill()
    post.run(24 * HOUR_S)
    assert mails(post, ROBIN) == []
    assert post.store.waiting() == []


def test_a_kill_between_the_250_and_its_commit_doubles_the_second_s_mail_under_its_own_id(
    opened: Open, smtp: MailDrop
) -> None:
    post = opened()
    hot(post)
    post.run(29 * MINUTE_S)
    post.forgetful = True
    post.run(MINUTE_S)
    post.forgetful = False
    post.kill()
    post.run(24 * HOUR_S)
    to_robin = [each.message["Message-ID"] for each in smtp.messages if ROBIN in each.recipients]
    assert len(to_robin) == 2
    assert len(set(to_robin)) == 1
    assert mails(post, KIM) == ["22:00 [High]"]


@pytest.mark.parametrize("answered", [False, True])
def test_after_a_kill_the_end_goes_to_whoever_was_told_and_to_nobody_else(
    opened: Open, answered: bool
) -> None:
    post = opened(THREE)
    nas = hot(post)
    post.run(20 * MINUTE_S)
    if answered:
        put(post, nas, ACKNOWLEDGED)
    post.run(HOUR_S)
    post.kill()
    over(post, nas, acknowledged=answered)
    post.kill()
    post.run(HOUR_S)
    assert mails(post, KIM) == ["22:00 [High]", "23:20 [Over]"]
    assert mails(post, ROBIN) == ([] if answered else ["22:30 [High]", "23:20 [Over]"])
    assert mails(post, SASHA) == []
    assert post.store.waiting() == []


def test_who_has_left_since_still_hears_the_end(opened: Open) -> None:
    post = opened(TWO.replace(f'"{KIM}"\n', f'"{KIM}"\naway = ["2026-12-29/2026-12-29"]\n'))
    nas = hot(post)
    post.run(12 * HOUR_S)
    worse(post, nas)
    post.run(MINUTE_S)
    over(post, nas)
    post.run(MINUTE_S)
    assert mails(post, KIM) == ["22:00 [High]", "10:01 [Over]"]
    assert mails(post, ROBIN) == ["22:30 [High]", "10:00 [High, worse]", "10:01 [Over]"]


def test_where_the_first_is_refused_for_good_the_second_is_told_at_once_and_why(
    opened: Open, smtp: MailDrop
) -> None:
    smtp.refuse_recipient(KIM, "550 5.1.1 no such mailbox")
    post = opened()
    nas = hot(post)
    post.run(MINUTE_S)
    assert mails(post, ROBIN) == ["22:00 [High]"]
    assert "Kim could not be notified." in part(smtp.messages[0].message, "plain")
    over(post, nas)
    post.run(MINUTE_S)
    assert mails(post, ROBIN) == ["22:00 [High]", "22:01 [Over]"]


@pytest.mark.parametrize("reply", ["450 4.2.1 greylisted", "550 5.1.1 no such mailbox"])
def test_a_person_who_is_refused_holds_up_nobody(opened: Open, smtp: MailDrop, reply: str) -> None:
    smtp.refuse_recipient(KIM, reply)
    post = opened(THREE.replace(AWAY, ""))
    hot(post)
    post.run(10 * MINUTE_S)
    assert mails(post, SASHA) == ["22:00 [High]"]
    assert mails(post, KIM) == []
    smtp.behave()
    post.run(HOUR_S)
    assert len(mails(post, KIM)) == (1 if reply.startswith("4") else 0)


@pytest.mark.parametrize("killed", [False, True])
def test_after_an_outage_the_first_has_the_whole_time_to_answer(
    opened: Open, smtp: MailDrop, killed: bool
) -> None:
    post = opened()
    smtp.stop()
    nas = hot(post)
    post.run(40 * MINUTE_S)
    if killed:
        post.kill()
    smtp.start()
    post.run(HOUR_S)
    assert mails(post, KIM) == ["22:40 [High]"]
    assert mails(post, ROBIN) == ["23:10 [High]"]
    sentence = "Kim was notified at 22:40 and has not answered."
    assert sentence in part(smtp.messages[1].message, "plain")
    worse(post, nas)
    post.run(MINUTE_S)
    # No time to answer that yet.
    assert "Kim was notified at 23:40." in part(smtp.messages[3].message, "plain")


def test_who_is_refused_for_now_gives_the_second_no_longer_to_wait(
    opened: Open, smtp: MailDrop
) -> None:
    smtp.refuse_recipient(KIM, "452 4.2.2 mailbox full")
    post = opened()
    hot(post)
    post.run(HOUR_S)
    assert mails(post, ROBIN) == ["22:30 [High]"]


def test_who_was_about_to_be_told_when_it_ended_is_told_of_both(
    opened: Open, smtp: MailDrop
) -> None:
    post = opened()
    smtp.refuse("451 4.3.0 try later")
    nas = hot(post)
    post.run(HOUR_S)
    over(post, nas)
    post.run(MINUTE_S)
    smtp.behave()
    post.run(HOUR_S)
    for who in (KIM, ROBIN):
        assert sorted(each.partition(" ")[2] for each in mails(post, who)) == ["[High]", "[Over]"]


def test_a_high_alarm_goes_to_all_who_take_it_where_nobody_would_be_left(opened: Open) -> None:
    people = TWO.replace('after = "30m"\n', AWAY).replace(f'"{KIM}"\n', f'"{KIM}"\n{AWAY}')
    post = opened(people)
    hot(post)
    hot(post, Priority.MEDIUM, occurrence="av-1", subject="av-amplifier")
    post.run(HOUR_S)
    assert mails(post, KIM) == mails(post, ROBIN) == ["22:00 [High]"]


@pytest.mark.parametrize("priority", [Priority.HIGH, Priority.MEDIUM])
def test_the_next_moves_up_while_the_first_is_away(opened: Open, priority: Priority) -> None:
    post = opened(TWO.replace(f'"{KIM}"\n', f'"{KIM}"\n{AWAY}'))
    hot(post, priority)
    post.run(HOUR_S)
    assert mails(post, KIM) == []
    assert mails(post, ROBIN) == [f"22:00 [{priority.value.title()}]"]


def test_back_again_a_person_is_told_what_is_still_on(opened: Open) -> None:
    until = 'away = ["2026-12-01/2026-12-28"]\n'
    post = opened(TWO.replace(f'"{KIM}"\n', f'"{KIM}"\n{until}'), "repeat_s = 3600")
    nas = hot(post)
    post.run(4 * HOUR_S)
    assert mails(post, KIM) == ["01:00 [High, still on]"]
    over(post, nas)
    post.run(MINUTE_S)
    assert mails(post, KIM)[1:] == ["02:00 [Over]"]


def test_quiet_hours_are_each_person_s_own_and_high_passes_them(opened: Open) -> None:
    people = THREE.replace(AWAY, 'quiet_hours = "21:00-08:00"\n')
    post = opened(people, 'repeat_s = 1e6\nquiet_hours = "23:00-06:30"\n')
    hot(post, Priority.MEDIUM, occurrence="av-1", subject="av-amplifier")
    post.run(2 * HOUR_S)
    hot(post)
    post.run(24 * HOUR_S)
    assert mails(post, KIM)[:2] == ["22:00 [Medium]", "00:00 [High]"]
    assert mails(post, SASHA)[:2] == ["00:00 [High]", "08:00 [Medium]"]


def test_the_second_s_time_counts_from_when_the_first_could_be_told(opened: Open) -> None:
    post = opened(TWO, 'quiet_hours = "21:00-07:00"\n')
    hot(post, Priority.MEDIUM)
    post.run(24 * HOUR_S)
    assert mails(post, KIM) == ["07:00 [Medium]"]
    assert mails(post, ROBIN) == ["07:30 [Medium]"]


def test_those_of_the_simple_list_come_first_and_are_never_away(
    smtp: MailDrop, tmp_path: Path
) -> None:
    owner = "owner@under-stairs.example"
    alone = TWO[TWO.index("[notify.people.robin]") :]
    post = Post(
        tmp_path / "cabinet.db", make_config(alone + NO_MQTT, port=smtp.port), smtp, EVENING_MS
    )
    hot(post)
    post.run(35 * MINUTE_S)
    assert mails(post, owner) == ["22:00 [High]"]
    assert mails(post, ROBIN) == ["22:30 [High]"]
    second = part(smtp.messages[1].message, "plain")
    assert f"{owner} was notified at 22:00 and has not answered." in " ".join(second.split())
    post.store.close()


def test_a_person_taken_out_of_the_configuration_is_told_no_more(
    opened: Open, smtp: MailDrop
) -> None:
    post = opened()
    hot(post)
    post.run(MINUTE_S)
    post.kill(house(TWO[: TWO.index("[notify.people.robin]")], smtp))
    post.run(HOUR_S)
    assert mails(post, ROBIN) == []


def test_who_is_given_another_id_is_told_in_the_same_turn(opened: Open, smtp: MailDrop) -> None:
    post = opened()
    nas = hot(post)
    post.run(MINUTE_S)
    renamed = house(TWO.replace("people.robin", "people.rob"), smtp)
    post.kill(renamed)
    post.run(MINUTE_S)
    post.kill(renamed)
    post.run(HOUR_S)
    over(post, nas)
    post.run(MINUTE_S)
    assert mails(post, ROBIN) == ["22:30 [High]", "23:02 [Over]"]
    assert mails(post, KIM) == ["22:00 [High]", "23:02 [Over]"]


@pytest.mark.parametrize("incidents", [1, 7])
def test_what_waited_for_the_simple_list_goes_to_the_people_in_its_place(
    smtp: MailDrop, tmp_path: Path, incidents: int
) -> None:
    simple = make_config(NO_MQTT, port=smtp.port)
    post = Post(tmp_path / "cabinet.db", simple, smtp, EVENING_MS)
    smtp.refuse("451 4.3.0 try later")
    for number in range(incidents):
        hot(post, Priority.MEDIUM, occurrence=f"nas-{number}", subject=f"device-{number}")
    answered = hot(post, Priority.MEDIUM, occurrence="ups-1", subject="ups")
    post.run(MINUTE_S)
    put(post, answered, ACKNOWLEDGED)
    kinds = {notice.kind for notice, _ in post.store.waiting()}
    assert ("digest" in kinds) == (incidents > 5)
    smtp.behave()
    people = house(TWO, smtp, "repeat_s = 1e6\ndigest_over = 9")
    post.kill(people)
    post.kill(people)
    post.run(HOUR_S)
    assert mails(post, KIM) == incidents * ["22:01 [Medium]"]
    assert len(mails(post, ROBIN)) == incidents
    assert post.store.waiting() == []
    post.store.close()


def test_a_list_replaced_by_people_is_no_longer_at_fault() -> None:
    refused = ("550 5.1.1 no such mailbox", True)
    site = SiteView(failing={"email": refused, "mail to kim": refused})
    site.forget_channels(house(TWO).notify)
    assert site.failing == {"mail to kim": refused}

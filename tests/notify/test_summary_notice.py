"""A weekly summary on its way: its own recipients, no hurry, no digest, no mail before its time."""

from dataclasses import replace
from datetime import time
from zoneinfo import ZoneInfo

import pytest

from cabinetwatch.notify.channels import EmailChannel, NotComposedError
from cabinetwatch.notify.delivery import Attempt, ChannelQueue, Merge, Send
from cabinetwatch.notify.plan import QuietHours, plan_summary
from cabinetwatch.store.records import Notice
from cabinetwatch.text import from_rfc3339
from cabinetwatch.watch.events import Priority
from tests.notify.samples import NOON_MS, make_config, returned, transition
from tests.notify.world import mail_world, many
from tests.support.mail import MailDrop

OWNER, FLATMATE = "owner@under-stairs.example", "flatmate@under-stairs.example"


def summary(week: str = "2026-W26", t: int = NOON_MS) -> Notice:
    listed = [returned(transition(priority=Priority.HIGH))]
    return plan_summary(week, listed, (OWNER, FLATMATE), make_config(), t=t, utc_ms=t)


def test_a_week_has_one_notice_whenever_it_is_planned() -> None:
    first, again = summary(), summary(t=NOON_MS + 86_400_000)
    assert (first.id, first.message_id) == (again.id, again.message_id)
    assert first.id != summary("2026-W27").id
    assert first.message_id != summary("2026-W27").message_id


def test_it_goes_to_its_own_recipients_and_each_is_told_once() -> None:
    waiting = ChannelQueue((OWNER,))
    notice = summary()
    waiting.add(notice, NOON_MS)
    assert waiting.next_job(NOON_MS, NOON_MS) == Send(notice, (OWNER, FLATMATE))
    waiting.begin(notice.id, NOON_MS)
    outcome = waiting.settle(notice.id, Attempt(accepted=(OWNER,)), NOON_MS)
    assert outcome.status == "waiting"
    later = NOON_MS + 10_000
    assert waiting.next_job(later, later) == Send(notice, (FLATMATE,))
    waiting.begin(notice.id, later)
    assert waiting.settle(notice.id, Attempt(accepted=(FLATMATE,)), later).status == "delivered"


def test_it_waits_in_quiet_hours_even_if_it_lists_a_high_alarm() -> None:
    zone = make_config().site.timezone
    waiting = ChannelQueue((OWNER,), quiet_hours=QuietHours(time(22), time(7), ZoneInfo(zone)))
    night = from_rfc3339("2026-07-01T23:00:00Z")
    waiting.add(summary(t=night), night)
    assert waiting.next_job(night, night) is None
    morning = from_rfc3339("2026-07-02T06:00:00Z")
    assert isinstance(waiting.next_job(morning, morning), Send)


def test_no_digest_takes_it_in() -> None:
    waiting = ChannelQueue((OWNER,), digest_over=1)
    notice = summary()
    waiting.add(notice, NOON_MS)
    notices = mail_world().emit(*many(3))
    for each in notices:
        waiting.add(replace(each, channel="email"), NOON_MS)
    job = waiting.next_job(NOON_MS, NOON_MS)
    assert isinstance(job, Merge)
    assert notice not in job.members


@pytest.mark.parametrize("in_the_making", [True, False])
def test_a_mail_that_is_not_made_yet_is_tried_again_and_is_a_fault_only_if_it_can_not_be_made(
    in_the_making: bool, smtp: MailDrop
) -> None:
    config = make_config(port=smtp.port)
    email = config.notify.email
    assert email is not None

    def compose(_: Notice) -> bytes:
        raise NotComposedError("it is being made", in_the_making=in_the_making)

    channel = EmailChannel(config, email, None, compose=compose)
    waiting = ChannelQueue(channel.recipients)
    notice = summary()
    waiting.add(notice, NOON_MS)
    waiting.begin(notice.id, NOON_MS)
    outcome = waiting.settle(notice.id, channel.send(notice, notice.recipients), NOON_MS)
    assert (outcome.status, outcome.error) == ("waiting", "it is being made")
    fault = waiting.take_fault()
    assert fault is not None
    assert fault.ok is in_the_making
    assert not fault.permanent
    assert smtp.connections == 0


def test_its_mail_is_sent_as_it_was_made(smtp: MailDrop) -> None:
    config = make_config(port=smtp.port)
    email = config.notify.email
    assert email is not None
    content = b"Subject: a week\r\n\r\nAll was well.\r\n"
    channel = EmailChannel(config, email, None, compose=lambda _: content)
    assert channel.send(summary(), (OWNER, FLATMATE)).accepted == (OWNER, FLATMATE)
    (mail,) = smtp.wait_for(1)
    assert mail.recipients == [OWNER, FLATMATE]
    assert mail.message["Subject"] == "a week"

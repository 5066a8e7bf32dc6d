"""Deliveries through a real mail server and a real store, over outages and kills."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from cabinetwatch.watch.events import Priority, Transition
from tests.notify.post import Post
from tests.notify.samples import make_config, returned, transition
from tests.support.mail import MailDrop

HERE, GONE = "here@under-stairs.example", "gone@under-stairs.example"


@pytest.fixture
def post(smtp: MailDrop, tmp_path: Path) -> Iterator[Post]:
    config = make_config("[notify.mqtt]\nenabled = false\n", port=smtp.port, to=(HERE, GONE))
    made = Post(tmp_path / "cabinet.db", config, smtp)
    yield made
    made.store.close()


def raised(number: int = 0, priority: Priority = Priority.MEDIUM) -> Transition:
    return transition(occurrence=f"alarm-{number}", priority=priority, cause=f"cause-{number}")


def test_an_outage_of_days_with_restarts_ends_in_one_digest_of_everything(
    post: Post, smtp: MailDrop
) -> None:
    smtp.stop()
    for number in range(8):
        post.emit(raised(number))
        post.run(8 * 3600)
        post.kill()
    smtp.start()
    post.run(600)
    texts = Counter(delivered.message["Subject"] for delivered in smtp.messages)
    assert sum(texts.values()) == 1
    body = next(smtp.messages[0].message.iter_parts()).get_content()
    assert all(f"alarm alarm-{number})" in body for number in range(8))
    assert post.store.waiting() == []


def test_a_kill_between_the_250_and_its_commit_doubles_that_mail_under_its_own_id(
    post: Post, smtp: MailDrop
) -> None:
    post.emit(raised(0))
    post.run(60)
    post.forgetful = True
    post.emit(raised(1))
    post.run(1)
    post.forgetful = False
    post.kill()
    post.run(600)
    ids = [delivered.message["Message-ID"] for delivered in smtp.messages]
    assert len(ids) == 3
    assert len(set(ids)) == 2
    assert ids[1] == ids[2]
    assert smtp.messages[1].content == smtp.messages[2].content
    assert post.store.waiting() == []


@pytest.mark.parametrize("reply", ["550 5.1.1 no such mailbox", "450 4.2.1 greylisted"])
def test_over_a_kill_a_refused_recipient_still_neither_repeats_nor_holds_up_the_other(
    post: Post, smtp: MailDrop, reply: str
) -> None:
    smtp.refuse_recipient(GONE, reply)
    post.emit(raised(0))
    post.run(30)
    post.kill()
    post.emit(raised(1))
    post.run(30)
    smtp.behave()
    post.run(600)
    got = Counter(recipient for each in smtp.messages for recipient in each.recipients)
    assert got == ({HERE: 2} if reply.startswith("5") else {HERE: 2, GONE: 2})
    assert post.faults[0].permanent == reply.startswith("5")
    assert post.store.waiting() == []


def test_raise_repeat_and_return_are_one_thread_over_a_kill(post: Post, smtp: MailDrop) -> None:
    hot = raised(0, Priority.HIGH)
    post.emit(hot)
    post.run(1800)
    post.kill()
    post.run(1800)
    post.emit(replace(returned(hot), t=post.t, utc_ms=post.t))
    post.run(86_400)
    first, *later = (delivered.message for delivered in smtp.messages)
    assert [str(message["Subject"]).partition("]")[0] for message in (first, *later)] == [
        "[High",
        "[High, still on",
        "[Over",
    ]
    assert {message["In-Reply-To"] for message in later} == {first["Message-ID"]}

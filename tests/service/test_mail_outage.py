"""A mail server that is away, and then refuses, loses no notice and doubles none."""

import pytest

from cabinetwatch.service.daemon import Daemon
from cabinetwatch.watch.events import EntryKind
from tests.service.mails import part
from tests.service.site import NAS, Site
from tests.service.watching import wait_until, watching
from tests.service.wire import Wire
from tests.support.hand_clock import HandClock
from tests.support.mail import MailDrop

START_MS = 1_780_000_000_000


def pass_time(daemon: Daemon, clock: HandClock, seconds: float) -> None:
    """Let time pass, and the deliveries look what has fallen due."""
    clock.let_pass(seconds)
    now = daemon.watch.now_ms()
    deliveries = daemon._deliveries
    wait_until(lambda: all(each.progress_t >= now for each in deliveries), "deliveries to look")


def swing(cabinet: Wire, times: int) -> None:
    """Drive the NAS over its threshold and back so many times."""
    for _ in range(times):
        for value, state in (("55", "unacknowledged"), ("40", "returned")):
            heard = len(cabinet.messages)
            cabinet.publish(NAS, value)
            cabinet.wait_transition("nas", "over-derating", state, after=heard)


@pytest.mark.parametrize(("swings", "mails"), [(2, 4), (4, 1)])
def test_thirty_seconds_without_a_mail_server_lose_and_double_nothing(
    swings: int, mails: int, site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    # The outage itself would be told in a mail of its own.
    for quiet in ("silent", "ambient-lost", "notice-undelivered"):
        site.tables += f"[alarms.{quiet}]\nenabled = false\n"
    clock = HandClock(START_MS)
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        smtp.stop()
        swing(cabinet, swings)
        wait_until(lambda: _tried(site), "a first try")
        pass_time(daemon, clock, 15)
        smtp.refuse("451 4.3.0 try later", at="data")
        smtp.start()
        pass_time(daemon, clock, 15)
        wait_until(lambda: smtp.connections > 0, "a try to be refused")
        assert smtp.messages == []
        smtp.behave()
        while _waiting(site):
            pass_time(daemon, clock, 5)
        # More than five that wait go out as one mail, so there are four of them or just one.
        delivered = smtp.wait_for(mails)
        pass_time(daemon, clock, 40)

    assert len(smtp.messages) == len(delivered) == mails
    texts = " ".join(part(each.message, "plain") for each in smtp.messages)
    with site.store() as store:
        transitions = store.transitions()
    assert len(transitions) == 2 * swings
    for each in {transition.id for transition in transitions}:
        assert texts.count(f", alarm {each})") == sum(other.id == each for other in transitions)


def test_mail_refused_for_good_is_not_tried_again_and_is_told_at_once(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    reply = "554 5.7.1 <script>alert(1)</script> Bcc: all@under-stairs.example"
    with watching(site.config()):
        cabinet.wait_online()
        smtp.refuse(reply, at="data")
        cabinet.publish(NAS, "55")
        told = cabinet.wait_transition("site", "notice-undelivered", "unacknowledged")
        smtp.behave()
        heard = len(cabinet.messages)
        cabinet.publish(NAS, "40")
        cabinet.wait_transition("site", "notice-undelivered", "returned", after=heard)

    assert "554" in told["text"]
    with site.store() as store:
        refused = [notice.kind for notice, outcome in store.notices() if _failed(outcome)]
    assert refused[0] == "raise"
    for mail in smtp.messages:
        assert "<script" not in str(mail.message.get_body(("html",)))
        assert mail.message["Bcc"] is None


def _waiting(site: Site) -> bool:
    with site.store() as store:
        return bool(store.waiting())


def _tried(site: Site) -> bool:
    """Whether the watch knows that the mail server is away."""
    with site.store() as store:
        told = [entry.data for _, entry in store.entries(EntryKind.DELIVERY)]
    return any(each["channel"] == "email" and not each["ok"] for each in told)


def _failed(outcome: object) -> bool:
    return getattr(outcome, "status", None) == "failed"

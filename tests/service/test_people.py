"""People told in turn by a whole watch: its threads, its store, a restart, a person's command."""

import pytest

from cabinetwatch.report.page import page_of
from cabinetwatch.store.replay import StoreFollower
from cabinetwatch.text import from_rfc3339
from tests.service.mails import part
from tests.service.nodes import Nodes
from tests.service.site import HALL, NAS, OWNER, Site
from tests.service.test_incidents import Weather
from tests.service.watching import cabinetwatch, wait_until, watching
from tests.service.wire import Wire
from tests.support.hand_clock import HandClock
from tests.support.mail import MailDrop

ROBIN = "robin@under-stairs.example"
PEOPLE = f"""
[notify.people.robin]
name = "Robin"
mail = "{ROBIN}"
after = "10m"
"""
MINUTE_S = 60.0


@pytest.fixture
def peopled(site: Site) -> Site:
    """The cabinet, and Robin after its owner."""
    site.tables += PEOPLE
    # What is here made to jump says nothing of where a device is heading.
    for other in ("stuck", "hot-day", "cooling-loss", "derating-forecast", "broker-lost"):
        site.tables += f"[alarms.{other}]\nenabled = false\n"
    return site


def marks(smtp: MailDrop, to: str) -> list[str]:
    """Give the marks of the mails to somebody."""
    mails = [each.message for each in smtp.messages if each.recipients == [to]]
    return [str(each["Subject"]).partition("]")[0] + "]" for each in mails]


def waits(site: Site, channel: str) -> bool:
    """Whether anything is still to go out by a channel."""
    with site.store() as store:
        return any(notice.channel == channel for notice, _ in store.waiting())


def heated(nodes: Nodes, smtp: MailDrop) -> None:
    """Let the NAS get too hot, and its owner hear of it."""
    nodes.live(60)
    nodes.values[NAS] = 55.0
    nodes.live_until(lambda: bool(smtp.messages), "the owner's mail")


def cooled(nodes: Nodes, smtp: MailDrop, mails: int) -> None:
    """Let it be over, and so many mails have come."""
    nodes.values[NAS] = 40.0
    nodes.live_until(lambda: len(smtp.messages) >= mails, "the end")
    nodes.live(60)


def test_the_second_is_told_by_the_watch_that_was_started_anew_meanwhile(
    peopled: Site, cabinet: Wire, smtp: MailDrop, clock: HandClock
) -> None:
    with watching(peopled.config(), clock) as daemon:
        cabinet.wait_online()
        nodes = Weather(cabinet, daemon, clock, {HALL: 22.0, NAS: 40.0})
        heated(nodes, smtp)
        told = cabinet.wait_transition("nas", "over-derating", "unacknowledged")
        nodes.live(2 * MINUTE_S)
    with watching(peopled.config(), clock) as daemon:
        wait_until(lambda: daemon.connected, "the connection")
        clock.let_pass(MINUTE_S)
        nodes = Weather(cabinet, daemon, clock, {HALL: 22.0, NAS: 55.0})
        nodes.live(2 * MINUTE_S)
        assert marks(smtp, ROBIN) == []
        nodes.live_until(lambda: bool(marks(smtp, ROBIN)), "the mail to the second")
        assert clock.utc_ms() - from_rfc3339(told["time"]) >= 9 * MINUTE_S * 1000
        cooled(nodes, smtp, 4)
    with peopled.store() as store:
        notices = page_of(StoreFollower(store).engine(), store, clock, {}, None)["notices"]
    assert marks(smtp, OWNER) == ["[High]", "[Over]"]
    assert marks(smtp, ROBIN) == ["[High]", "[Over]"]
    (second,) = (
        e.message for e in smtp.messages if e.recipients == [ROBIN] and not e.message["In-Reply-To"]
    )
    assert f"{OWNER} was notified at" in part(second, "plain")
    channels = [each["channel"] for each in notices if each["channel"] != "MQTT"]
    assert channels == ["mail to Robin", "mail", "mail to Robin", "mail"]


def test_acknowledged_before_their_turn_the_second_hears_of_nothing(
    peopled: Site, cabinet: Wire, smtp: MailDrop, clock: HandClock
) -> None:
    with watching(peopled.config(), clock) as daemon:
        cabinet.wait_online()
        nodes = Weather(cabinet, daemon, clock, {HALL: 22.0, NAS: 40.0})
        heated(nodes, smtp)
        nodes.live(4 * MINUTE_S)
        # Only as much time as the watch takes to hear of it: the second's turn is not to come.
        clock.go_on()
        assert cabinetwatch(peopled.path, "ack", "--all").returncode == 0
        cabinet.wait_transition("nas", "over-derating", "acknowledged")
        clock.stand_still()
        assert marks(smtp, ROBIN) == []
        nodes.live(8 * MINUTE_S)
        cooled(nodes, smtp, 2)
        nodes.live_until(lambda: not waits(peopled, "mail to robin"), "both to be withdrawn")
    assert marks(smtp, OWNER) == ["[High]", "[Over]"]
    assert marks(smtp, ROBIN) == []
    with peopled.store() as store:
        assert store.waiting() == []
        statuses = [
            outcome.status
            for notice, outcome in store.notices()
            if outcome is not None and notice.channel == "mail to robin"
        ]
    assert statuses == ["withdrawn", "withdrawn"]


def test_a_person_who_is_refused_is_named_and_one_taken_out_waits_no_more(
    peopled: Site, cabinet: Wire, smtp: MailDrop, clock: HandClock
) -> None:
    peopled.tables = peopled.tables.replace('after = "10m"\n', "")
    smtp.refuse_recipient(ROBIN, "451 4.3.0 try later")
    peopled.tables += "[alarms.notice-undelivered]\non_delay_s = 0\n"
    with watching(peopled.config(), clock) as daemon:
        cabinet.wait_online()
        nodes = Weather(cabinet, daemon, clock, {HALL: 22.0, NAS: 40.0})
        heated(nodes, smtp)
        nodes.live_until(
            lambda: any(e["condition"] == "notice-undelivered" for e in cabinet.transitions()),
            "the fault",
        )
        shown = " ".join(cabinetwatch(peopled.path, "status").stdout.split())
    (told,) = {e["text"] for e in cabinet.transitions() if e["condition"] == "notice-undelivered"}
    assert f"by mail to Robin: mail server 127.0.0.1:{smtp.port}: it refuses {ROBIN}" in told
    assert "mail to Robin" in shown
    peopled.tables = peopled.tables.replace(PEOPLE.replace('after = "10m"\n', ""), "")
    with watching(peopled.config(), clock) as daemon:
        wait_until(lambda: daemon.connected, "the connection")
        clock.let_pass(MINUTE_S)
        nodes = Weather(cabinet, daemon, clock, {HALL: 22.0, NAS: 55.0})
        nodes.live_until(lambda: not waits(peopled, "mail to robin"), "nothing to wait")


def test_what_waits_for_the_list_goes_to_the_people_that_replace_it(
    peopled: Site, cabinet: Wire, smtp: MailDrop, clock: HandClock
) -> None:
    smtp.refuse_recipient(OWNER, "451 4.3.0 try later")
    peopled.tables = peopled.tables.replace(PEOPLE, "")
    with watching(peopled.config(), clock) as daemon:
        cabinet.wait_online()
        nodes = Weather(cabinet, daemon, clock, {HALL: 22.0, NAS: 40.0})
        nodes.live(60)
        nodes.values[NAS] = 55.0
        nodes.live_until(
            lambda: any(e["condition"] == "over-derating" for e in cabinet.transitions()), "it"
        )
        nodes.live(MINUTE_S)
    assert smtp.messages == []
    peopled.tables += PEOPLE
    config = peopled.config()
    assert config.notify.email is not None
    nobody = config.notify.email.model_copy(update={"to": ()})
    notify = config.notify.model_copy(update={"email": nobody})
    with watching(config.model_copy(update={"notify": notify}), clock) as daemon:
        wait_until(lambda: daemon.connected, "the connection")
        wait_until(lambda: bool(marks(smtp, ROBIN)), "the mail to who is left")
    assert marks(smtp, ROBIN) == ["[High]"]
    with peopled.store() as store:
        assert store.waiting() == []

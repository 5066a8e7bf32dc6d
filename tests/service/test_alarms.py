"""What a cabinet does on the wire becomes the right notices, each once."""

from cabinetwatch.text import from_rfc3339
from tests.service.mails import part
from tests.service.nodes import Nodes
from tests.service.site import HALL, NAS, OWNER, Site
from tests.service.watching import watching
from tests.service.wire import Wire, retained
from tests.support.broker import Broker
from tests.support.hand_clock import HandClock
from tests.support.mail import MailDrop

# Every field of a transition, as the interface lists them.
FIELDS = [
    "time",
    "id",
    "site",
    "subject",
    "condition",
    "state",
    "previous",
    "priority",
    "text",
    "values",
]


def tells(cabinet: Wire, condition: str, state: str) -> bool:
    """Whether an alarm has been told to be in a state."""
    moved = cabinet.transitions()
    return any((each["condition"], each["state"]) == (condition, state) for each in moved)


def test_a_device_over_its_threshold_gives_one_mail_and_one_retained_transition(
    site: Site, cabinet: Wire, smtp: MailDrop, broker: Broker
) -> None:
    with watching(site.config()):
        cabinet.wait_online()
        cabinet.publish(HALL, "22.5")
        cabinet.publish(NAS, "53.25")
        told = cabinet.wait_transition("nas", "over-derating", "unacknowledged")
        (mail,) = smtp.wait_for(1)
        kept = retained(broker.port)["cabinetwatch/alarm/nas/over-derating"].data

        cabinet.publish(NAS, "45")
        back = cabinet.wait_transition("nas", "over-derating", "returned")
        _, second = smtp.wait_for(2)

    assert list(told) == FIELDS
    assert kept == told
    assert told["site"] == "under-stairs cabinet"
    assert (told["previous"], told["priority"]) == ("normal", "high")
    assert told["values"]["temperature_c"] == 53.25
    assert told["values"]["threshold_c"] == 50.0
    assert from_rfc3339(told["values"]["since"]) <= from_rfc3339(told["time"])
    assert list(back) == FIELDS
    assert (back["id"], back["previous"]) == (told["id"], "unacknowledged")
    for delivered, transition in ((mail, told), (second, back)):
        assert delivered.recipients == [OWNER]
        for kind in ("plain", "html"):
            text = part(delivered.message, kind)
            assert text.count(transition["text"]) == 1
            assert transition["id"] in text
    assert second.message["In-Reply-To"] == mail.message["Message-ID"]
    assert len(smtp.messages) == 2
    assert [each["state"] for each in cabinet.transitions()] == ["unacknowledged", "returned"]


def test_a_silent_sensor_gives_one_notice_and_its_return_another(
    site: Site, cabinet: Wire, smtp: MailDrop, clock: HandClock
) -> None:
    # Cool enough for the hottest day: it takes most of an hour until the silence is over.
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        nodes = Nodes(cabinet, daemon, clock, {HALL: 22.0, NAS: 34.0})
        nodes.live(120)
        del nodes.values[NAS]
        nodes.live_until(lambda: tells(cabinet, "silent", "unacknowledged"), "the silence")
        told = cabinet.wait_transition("nas-air", "silent", "unacknowledged")
        smtp.wait_for(1)
        nodes.values[NAS] = 34.0
        nodes.live_until(lambda: tells(cabinet, "silent", "returned"), "the end of the silence")
        cabinet.wait_transition("nas-air", "silent", "returned")
        mails = smtp.wait_for(2)

    assert told["priority"] == "high"
    assert [told["text"] in part(each.message, "plain") for each in mails] == [True, False]
    assert [each["condition"] for each in cabinet.transitions()] == ["silent", "silent"]
    assert len(smtp.messages) == 2


def test_a_lost_ambient_gives_one_notice_and_its_sensor_none(
    site: Site, cabinet: Wire, smtp: MailDrop, clock: HandClock
) -> None:
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        nodes = Nodes(cabinet, daemon, clock, {HALL: 22.0, NAS: 38.0})
        nodes.live(120)
        del nodes.values[HALL]
        nodes.live_until(lambda: tells(cabinet, "ambient-lost", "unacknowledged"), "the loss")
        cabinet.wait_transition("nas", "ambient-lost", "unacknowledged")
        (mail,) = smtp.wait_for(1)
        # The device is still watched by its temperature alone.
        nodes.values[NAS] = 55.0
        nodes.live_until(lambda: tells(cabinet, "over-derating", "unacknowledged"), "the heat")
        cabinet.wait_transition("nas", "over-derating", "unacknowledged")
        smtp.wait_for(2)

    raised = [each for each in cabinet.transitions() if each["state"] == "unacknowledged"]
    assert [each["condition"] for each in raised] == ["ambient-lost", "over-derating"]
    assert raised[0]["text"] in part(mail.message, "plain")
    assert len(smtp.messages) == 2

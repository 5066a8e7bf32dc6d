"""Whatever comes over the wire, the watch lives, good readings flow, and mails stay harmless."""

from email.message import EmailMessage

import pytest

from cabinetwatch.text import plain
from tests.service.mails import part
from tests.service.payloads import hostile
from tests.service.site import OWNER, Site
from tests.service.watching import running, wait_until
from tests.service.wire import Wire
from tests.support.mail import MailDrop

# The same hostile payloads reach a sensor of every kind.
TABLES = """
[sensors.plain]
topic = "cabinet/plain"
quantity = "temperature"
high = 60.0

[sensors.pointed]
topic = "cabinet/json"
pointer = "/temperature"
quantity = "temperature"

[sensors.packed]
topic = "cabinet/senml"
senml_name = "t"
quantity = "temperature"

[sensors.good]
topic = "cabinet/good"
quantity = "power"

[devices.nas]
name = "NAS <script>alert('name')</script> =?utf-8?q?x?="
temperature = "pointed"
derating = [[50.0, 1.0], [70.0, 0.5]]

[alarms.over-derating]
on_delay_s = 0
off_delay_s = 0

[alarms.high]
hold_h = 0
on_delay_s = 0
off_delay_s = 0
"""
TOPICS = ["cabinet/plain", "cabinet/json", "cabinet/senml"]


@pytest.mark.parametrize("count", [300, pytest.param(2000, marks=pytest.mark.long)])
def test_hostile_payloads_harm_nothing(
    count: int, site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    site.tables = TABLES
    site.flush_s = 1.0
    site.commands = True
    with running(site.write()) as watch:
        cabinet.wait_online()
        for number, payload in enumerate(hostile(count, seed=7)):
            sent = [cabinet.send(TOPICS[number % 3], payload)]
            if number % 20 == 0:
                sent.append(cabinet.send("cabinetwatch/command", payload))
            sent.append(cabinet.send("cabinet/good", str(number)))
            if number % 50 == 0:
                for wait in sent:
                    wait()
        wait_until(lambda: len(_good(site)) == count, "every good reading in the store")
        cabinet.publish("cabinet/json", '{"temperature": 20}')
        heard = cabinet.mark()
        cabinet.publish("cabinet/json", '{"temperature": 55}')
        told = cabinet.wait_transition("nas", "over-derating", "unacknowledged", after=heard)
        wait_until(lambda: _told(smtp, told["id"]), "the mail")
        assert watch.stop() == 0

    assert _good(site) == [float(number) for number in range(count)]
    assert "Traceback" not in watch.log
    assert "CRITICAL" not in watch.log
    assert all(plain(letter).isprintable() for letter in watch.log.replace("\n", ""))
    assert len(watch.log.splitlines()) < 400
    for mail in smtp.messages:
        assert_harmless(mail.message)


def assert_harmless(message: EmailMessage) -> None:
    """A mail has only the headers it should have, and nothing in it is live."""
    assert not {"Bcc", "Cc", "X-Injected"} & set(message.keys())
    assert message.get_all("To") == [OWNER]
    assert len(message.get_all("Subject") or []) == 1
    assert "\n" not in str(message["Subject"])
    html = part(message, "html")
    assert "<script" not in html.lower()
    assert "<img" not in html.lower()


def _good(site: Site) -> list[float]:
    with site.store() as store:
        return [reading.value for reading, _ in store.readings("good")]


def _told(smtp: MailDrop, alarm: str) -> bool:
    return any(alarm in part(mail.message, "plain") for mail in smtp.messages)

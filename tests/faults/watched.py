"""What the tests of faults watch: a counter that tells lost readings, and a NAS that gets hot."""

from collections import Counter

from tests.service.mails import part
from tests.service.site import CABINET, NAS, Site
from tests.service.watching import wait_until
from tests.service.wire import Wire
from tests.support.mail import MailDrop

COUNTER = "cabinet/ups/counter"
TABLES = (
    CABINET.replace("silent_after = 100", "interval_s = 1\nsilent_after = 1000")
    + """
[sensors.counter]
topic = "cabinet/ups/counter"
quantity = "power"
on_change = true
"""
)


def publish_numbers(cabinet: Wire, numbers: range) -> None:
    """Publish numbers as readings; returns once the broker has accepted all."""
    for wait in [cabinet.send(COUNTER, str(number)) for number in numbers]:
        wait()


def numbers_in(site: Site) -> Counter[int]:
    """Give the numbers in the store, each with how often it is there."""
    with site.store() as store:
        return Counter(round(reading.value) for reading, _ in store.readings("counter"))


def wait_stored(site: Site, numbers: range) -> None:
    """Wait until as many numbers are stored, and see that each is there once."""
    wait_until(lambda: numbers_in(site).total() >= len(numbers), f"{numbers} in the store")
    assert numbers_in(site) == Counter(numbers)


def drive_over_threshold(cabinet: Wire) -> str:
    """Drive the NAS over its threshold and back; give the alarm's id once both are told."""
    heard = len(cabinet.messages)
    cabinet.publish(NAS, "55")
    told = cabinet.wait_transition("nas", "over-derating", "unacknowledged", after=heard)
    heard = len(cabinet.messages)
    cabinet.publish(NAS, "40")
    cabinet.wait_transition("nas", "over-derating", "returned", after=heard)
    return str(told["id"])


def wait_mailed(smtp: MailDrop, text: str, times: int = 1) -> None:
    """Wait until so many mails hold a text."""
    wait_until(lambda: mailed(smtp, text) >= times, f"{times} mails with {text!r}")


def mailed(smtp: MailDrop, text: str) -> int:
    """Count the mails that hold a text."""
    return sum(text in part(mail.message, "plain") for mail in list(smtp.messages))

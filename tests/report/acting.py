"""A running watch that mails, the page through which people act, and the links of its mails."""

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from http.client import HTTPConnection
from typing import NamedTuple
from urllib.parse import urlencode, urlsplit

from cabinetwatch.notify.links import LASTS_MS, Grant, read_key, sign
from tests.report.serving import Serving
from tests.service.mails import part
from tests.service.site import CABINET, HALL, NAS, OWNER, Site
from tests.service.watching import wait_until, watching
from tests.service.wire import Wire
from tests.support.house import House
from tests.support.mail import MailDrop
from tests.support.patience import WITHIN_S
from tests.support.ports import free_port

PAGE = """
[page]
url = "http://127.0.0.1:{port}"
actions = true
"""
FAN = "cabinet/nas/fan"
# At 55 °C it is above its threshold; and its fan may be slow as well.
GEAR = (
    CABINET.replace('ambient = "hall"\n', 'ambient = "hall"\nfan = "nas-fan"\nmin_fan_rpm = 900\n')
    + f"""
[sensors.nas-fan]
topic = "{FAN}"
quantity = "fan-speed"
silent_after = 100

[alarms.fan-slow]
on_delay_s = 0
"""
)


class Got(NamedTuple):
    """What came back."""

    status: int
    headers: dict[str, str]
    text: str

    @property
    def words(self) -> str:
        """Its first heading: what the answer is."""
        found = re.search(r"<h1>(.*?)</h1>", self.text)
        return "" if found is None else found[1]

    def hidden(self, name: str) -> str:
        """Give what a hidden field of its form holds."""
        found = re.search(rf'name="{name}" value="([^"]*)"', self.text)
        assert found is not None, self.text
        return found[1]

    @property
    def offered(self) -> list[str]:
        """What can be done, by the values of its buttons."""
        return re.findall(r'<button name="do" value="([^"]+)"', self.text)


@dataclass
class Acting:
    """A watch and its page; `incident` is on."""

    site: Site
    cabinet: Wire
    smtp: MailDrop
    serving: Serving
    port: int
    house: House
    incident: str = ""
    cookie: str = ""
    origin: str = field(init=False)

    def __post_init__(self) -> None:
        """Know where it is."""
        self.origin = f"http://127.0.0.1:{self.port}"

    def serve(self) -> None:
        """Serve the page, in place of a process that has ended."""
        self.serving.start(self.house, self.port)

    def link(self, number: int = -1) -> str:
        """Give the link out of a mail."""
        return link_in(self.smtp.messages[number].message)

    def signed(self, incident: str = "", late_ms: int = 0, key: bytes | None = None) -> str:
        """Give the path of a link that was made some time ago, for an incident."""
        key = key or read_key(self.site.config().store_path())
        until_ms = round(time.time() * 1000) + LASTS_MS - late_ms
        return f"/act/{sign(key, Grant(incident or self.incident, until_ms, OWNER))}"

    def ask(
        self,
        path: str,
        form: dict[str, str] | None = None,
        *,
        method: str = "",
        **headers: str | None,
    ) -> Got:
        """Ask for a path, or send a form as a browser does that was shown it."""
        sent: dict[str, str | None] = {"Origin": self.origin if form is not None else None}
        sent |= {"Cookie": self.cookie or None}
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        body = None if form is None else urlencode(form)
        if body is not None:
            sent.setdefault("Content-Type", "application/x-www-form-urlencoded")
        connection = HTTPConnection("127.0.0.1", self.port, timeout=WITHIN_S)
        try:
            connection.request(
                method or ("GET" if form is None else "POST"),
                urlsplit(path).path,
                body,
                {name: value for name, value in sent.items() if value is not None},
            )
            answer = connection.getresponse()
            return Got(answer.status, dict(answer.getheaders()), answer.read().decode())
        finally:
            connection.close()

    def form(self, path: str, do: str) -> dict[str, str]:
        """Give the form that a page sends when a button of it is pressed."""
        shown = self.ask(path)
        return {"form": shown.hidden("form"), "seen": shown.hidden("seen"), "do": do}

    @property
    def states(self) -> list[str]:
        """The states that the alarm has been told to be in, in their order."""
        with self.site.store() as store:
            told = store.transitions()
        return [each.state.value for each in told if each.condition == "over-derating"]

    def heat(self) -> None:
        """Let the NAS be too warm, and wait for the mail."""
        self.cabinet.publish_until(NAS, "55", "nas", "over-derating", "unacknowledged")
        wait_until(lambda: len(self.smtp.messages) == 1, "a mail")

    def worsen(self) -> None:
        """Let its fan be slow as well, and wait for the mail."""
        self.cabinet.publish_until(FAN, "300", "nas", "fan-slow", "unacknowledged")
        wait_until(lambda: len(self.smtp.messages) == 2, "another mail")

    def cool(self) -> None:
        """Let it be well again."""
        self.cabinet.publish_until(NAS, "40", "nas", "over-derating", "normal")


def link_in(mail: EmailMessage) -> str:
    """Give the one link of a mail, which both of its parts have."""
    (link,) = re.findall(r"http://\S+", part(mail, "plain"))
    html = mail.get_body(("html",))
    assert html is not None
    assert re.findall(r'href="([^"]+)"', html.get_content()) == [link]
    return str(link)


@contextmanager
def acting(
    site: Site, cabinet: Wire, smtp: MailDrop, serving: Serving, more: str = ""
) -> Iterator[Acting]:
    """Run the watch and its page until an incident is on and mailed."""
    port = free_port()
    site.tables = GEAR + PAGE.format(port=port) + more
    house = House(site.write(), site.config(), 0)
    made = Acting(site, cabinet, smtp, serving, port, house)
    with watching(house.config):
        cabinet.wait_online()
        cabinet.publish(HALL, "22")
        cabinet.publish(FAN, "1400")
        made.heat()
        with site.store() as store:
            made.incident = store.standing()[-1].incident
        made.serve()
        yield made

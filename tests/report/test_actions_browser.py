"""What somebody does from bed: a mail's link, in a real browser as wide as a phone."""

from tests.report.acting import acting, link_in
from tests.report.serving import Serving
from tests.service.mails import part
from tests.service.site import OWNER, Site
from tests.service.watching import cabinetwatch
from tests.service.wire import Wire
from tests.support.browser import Browser
from tests.support.mail import MailDrop


def press(page: Browser, label: str) -> None:
    (button,) = (
        each
        for each in page.driver.find_elements("css selector", "button")
        if each.text.replace("\N{NO-BREAK SPACE}", " ") == label
    )
    button.click()


def test_mail_link_page_button_acknowledged_and_the_next_mail_says_by_whom(
    page: Browser, site: Site, cabinet: Wire, smtp: MailDrop, serving: Serving
) -> None:
    with acting(site, cabinet, smtp, serving) as watch:
        page.without_script()
        try:
            page.open(link_in(smtp.messages[-1].message))
            heading = page.driver.find_element("css selector", "h1").text
            assert heading == "NAS: too far above the surrounding air"
            assert watch.states == ["unacknowledged"]
            press(page, "Seen")
            assert page.driver.find_element("css selector", "h1").text == "Done"
        finally:
            page.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
        assert f"Seen by {OWNER}" in page.text(".facts")
        assert page.complaints() == []
        assert watch.states == ["unacknowledged", "acknowledged"]
        # Everywhere: on the page, in the terminal, over MQTT.
        page.open(f"{watch.origin}/")
        assert f"Seen by {OWNER}" in page.text(".facts")
        assert f"Seen by: {OWNER}" in " ".join(cabinetwatch(site.path, "status").stdout.split())
        said = cabinet.wait_transition("nas", "over-rise", "acknowledged")["text"]
        assert f"by {OWNER}, from 127.0.0.1" in said
        watch.warm(55.0, "over-derating")
        told = part(smtp.messages[-1].message, "plain")
        assert f"Seen by: {OWNER}, before it got worse" in told
        assert len(smtp.messages) == 2

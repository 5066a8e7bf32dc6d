"""What somebody does from bed: a mail's link, in a real browser as wide as a phone."""

from pathlib import Path

from selenium.common.exceptions import StaleElementReferenceException

from tests.report.acting import acting, link_in
from tests.report.serving import Serving
from tests.service.mails import part
from tests.service.site import OWNER, Site
from tests.service.watching import cabinetwatch, wait_until
from tests.service.wire import Wire
from tests.support.browser import Browser
from tests.support.mail import MailDrop

# WCAG 2.2, success criterion 2.5.5: 44 px at least for what a thumb is to hit.
_SIZES = """
return Array.from(document.querySelectorAll(arguments[0]), each => {
  const box = each.getBoundingClientRect(); return [box.width, box.height]; });
"""


def press(page: Browser, label: str) -> None:
    (button,) = (
        each
        for each in page.driver.find_elements("css selector", "button")
        if each.text.replace("\N{NO-BREAK SPACE}", " ") == label
    )
    button.click()

    def is_gone() -> bool:
        try:
            return not button.is_enabled()
        except StaleElementReferenceException:
            return True

    wait_until(is_gone, "the answer")


def test_mail_link_page_button_acknowledged_and_the_next_mail_says_by_whom(
    page: Browser, site: Site, cabinet: Wire, smtp: MailDrop, serving: Serving, tmp_path: Path
) -> None:
    pin = tmp_path / "pin"
    pin.touch(mode=0o600)
    pin.write_text("4711-0815\n")
    with acting(site, cabinet, smtp, serving, f'pin_file = "{pin}"\n') as watch:
        # From the page itself, with the PIN; it is not used up by looking.
        page.open(f"{watch.origin}/")
        page.driver.find_element("css selector", ".incident .act").click()
        page.driver.find_element("css selector", "#pin").send_keys("4711-0815")
        press(page, "Go on")
        assert "You act as somebody with the PIN" in page.text("main")
        for element, width, height in (("button", 320, 48), (".act", 320, 48)):
            for size in page.run(_SIZES, element):
                assert (size[0] >= width, size[1] >= height) == (True, True), (element, size)
        assert page.run("return document.documentElement.scrollWidth") <= 390
        page.without_script()
        try:
            page.open(link_in(smtp.messages[-1].message))
            heading = page.driver.find_element("css selector", "h1").text
            assert heading == "NAS: above its derating threshold"
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
        said = cabinet.wait_transition("nas", "over-derating", "acknowledged")["text"]
        assert f"by {OWNER}, from 127.0.0.1" in said
        watch.worsen()
        told = part(smtp.messages[-1].message, "plain")
        assert f"Seen by: {OWNER}, before it got worse" in told
        assert len(smtp.messages) == 2

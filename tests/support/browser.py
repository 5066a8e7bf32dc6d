"""A real Chromium, driven over WebDriver, that tells what it asked for and what went wrong."""

import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--no-zygote",
    "--disable-background-networking",
    "--disable-breakpad",
    "--disable-component-update",
    "--disable-extensions",
    "--disable-features=MediaRouter,Translate",
    "--disable-sync",
    "--hide-scrollbars",
)


class Browser:
    """One window of a browser."""

    def __init__(self, driver: "Chrome") -> None:
        self.driver = driver

    def open(self, url: str, *, width: int = 390, height: int = 844) -> None:
        """Open a page in a window of a phone's size, or another."""
        screen = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
        self.driver.get(url)

    def without_script(self) -> None:
        """Let no page run script from now on."""
        self.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})

    def emulate(self, *, dark: bool = False, media: str = "") -> None:
        """Prefer dark or light colours from now on; `media` may be print."""
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.driver.execute_cdp_cmd(
            "Emulation.setEmulatedMedia", {"media": media, "features": [scheme]}
        )

    @contextmanager
    def before_all_script(self, script: str) -> Iterator[None]:
        """Run script in each page opened meanwhile before any of the page's own."""
        added = self.driver.execute_cdp_cmd(
            "Page.addScriptToEvaluateOnNewDocument", {"source": script}
        )
        try:
            yield
        finally:
            self.driver.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", added)

    def run(self, script: str, *arguments: Any) -> Any:
        """Run script in the page and give what it returns."""
        return self.driver.execute_script(script, *arguments)

    def texts(self, selector: str) -> list[str]:
        """Give what can be read in all elements of a selector."""
        found: list[str] = self.run(
            "return Array.from(document.querySelectorAll(arguments[0]), e => e.innerText)", selector
        )
        return found

    def text(self, selector: str) -> str:
        """Give what can be read in the first element of a selector."""
        return self.texts(selector)[0]

    def complaints(self) -> list[str]:
        """Give what the console says, since the last time it was asked."""
        return [entry["message"] for entry in self._log("browser")]

    def requests(self) -> list[str]:
        """Give the addresses asked for, since the last time they were asked for."""
        messages = (json.loads(each["message"])["message"] for each in self._log("performance"))
        return [
            message["params"]["request"]["url"]
            for message in messages
            if message["method"] == "Network.requestWillBeSent"
        ]

    def _log(self, name: str) -> list[dict[str, Any]]:
        entries: list[dict[str, Any]] = self.driver.get_log(name)  # type: ignore[no-untyped-call]
        return entries


@contextmanager
def browser(folder: Path) -> Iterator[Browser]:
    """Start a browser with an empty profile in a folder, and end it."""
    # Only by the one process that needs it: it takes half a second.
    from selenium.webdriver import Chrome, ChromeOptions, ChromeService  # noqa: PLC0415

    options = ChromeOptions()
    # Not the script of the distribution, which asks for a graphics card.
    options.binary_location = _program("chromium", "/usr/lib/chromium:/usr/bin:/usr/local/bin")
    for flag in (*_FLAGS, f"--user-data-dir={folder}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = Chrome(options=options, service=ChromeService(_program("chromedriver")))
    try:
        yield Browser(driver)
    finally:
        driver.quit()


def _program(name: str, path: str = "/usr/bin:/usr/local/bin:/usr/lib/chromium") -> str:
    found = shutil.which(name, path=path)
    if found is None:
        raise FileNotFoundError(f"these tests need {name}: install Debian's package for it")
    return found

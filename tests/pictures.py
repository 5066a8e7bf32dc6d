"""Takes README's pictures from what the demonstration leaves: python -m tests.pictures [DIR].

    sh deploy/demo.sh && .venv-test/bin/python -m tests.pictures

DIR is the demonstration's folder (demo-output). The mail is the one that says it is worse, the page
that of the simulated fortnight, both as wide as a phone.
"""

import base64
import io
import sys
import tempfile
from collections.abc import Sequence
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from pathlib import Path

from PIL import Image

from tests.support.browser import Browser, browser

PICTURES = Path(__file__).parents[1] / "deploy" / "pictures"
_COLOURS = 64


def worse(mails: Path) -> bytes:
    """Give the HTML of the mail that says that it is worse.

    Raises:
        StopIteration: there is none.
    """
    parsed = (message_from_bytes(each.read_bytes(), policy=default) for each in mails.iterdir())
    mail = next(each for each in parsed if ", worse]" in str(each["Subject"]))
    part = mail.get_body(("html",))
    assert isinstance(part, EmailMessage)
    return str(part.get_content()).encode()


def shoot(window: Browser, page: Path, name: str, height: int) -> None:
    """Keep the top of a file, in few colours."""
    window.open(page.resolve().as_uri(), height=height)
    shot = window.driver.execute_cdp_cmd("Page.captureScreenshot", {"format": "png"})["data"]
    with Image.open(io.BytesIO(base64.b64decode(shot))) as image:
        small = image.convert("RGB").quantize(_COLOURS, dither=Image.Dither.NONE)
        small.save(PICTURES / name, optimize=True)


def main(arguments: Sequence[str]) -> int:
    """Take both."""
    folder = Path(*arguments or ["demo-output"])
    with tempfile.TemporaryDirectory() as scratch, browser(Path(scratch) / "profile") as window:
        mail = Path(scratch) / "mail.html"
        mail.write_bytes(worse(folder / "mails"))
        # Below that stands the path of this machine's configuration.
        shoot(window, mail, "mail.png", 685)
        shoot(window, folder / "fortnight" / "page" / "index.html", "page.png", 970)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

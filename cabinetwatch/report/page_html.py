"""Dresses the page as HTML: one file with its own style and script, and nothing from elsewhere."""

import base64
import hashlib
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from cabinetwatch.notify.phrases import DEVICE_CAUTIONS, NO_SMOKE_ALARM
from cabinetwatch.report.page_content import Page

_FOLDER = Path(__file__).parent / "templates"
_TEMPLATES = Environment(
    loader=FileSystemLoader(_FOLDER),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_STYLE = (_FOLDER / "page.css").read_text(encoding="utf-8")
_SCRIPT = (_FOLDER / "page.js").read_text(encoding="utf-8")
ICON_SVG = (_FOLDER / "icon.svg").read_bytes()


def _hash(text: str) -> str:
    """Give what a policy calls a style or script by (CSP Level 3, section 2.3.1)."""
    digest = hashlib.sha256(text.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


POLICY = (
    f"default-src 'none'; style-src {_hash(_STYLE)}; script-src {_hash(_SCRIPT)};"
    " img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'"
)
"""Only the page's own style and script, pictures from where it came from, and nothing else. As a
file it carries this itself; the server sends it as a header too."""


def html_of(page: Page) -> bytes:
    """Give the page as a file; everything from outside is escaped."""
    text = _TEMPLATES.get_template("page.html.j2").render(
        page=page,
        policy=POLICY,
        # Ours, and the policy's hash is of these very letters.
        style=Markup(_STYLE),  # noqa: S704
        script=Markup(_SCRIPT),  # noqa: S704
        cautions=DEVICE_CAUTIONS,
        no_smoke_alarm=NO_SMOKE_ALARM,
    )
    return text.encode("utf-8", "replace")

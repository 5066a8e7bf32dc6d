"""A mail that is no notice of an alarm: what the guard has to say, or a service that failed."""

import textwrap
from dataclasses import dataclass
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime, parseaddr
from uuid import uuid4
from zoneinfo import ZoneInfo

from cabinetwatch.config.model import Config
from cabinetwatch.config.notify import Email
from cabinetwatch.notify.mail_policy import MAIL_POLICY, header_text
from cabinetwatch.text import printable
from cabinetwatch.times import to_datetime

_TEXT_COLUMNS = 76


@dataclass(frozen=True, slots=True)
class Letter:
    """A subject and paragraphs, written at an instant (UTC, ms)."""

    subject: str
    paragraphs: tuple[str, ...]
    utc_ms: int


def write(letter: Letter, config: Config, email: Email) -> bytes:
    """Give the mail of a letter, as bytes for the mail server."""
    message = EmailMessage(policy=MAIL_POLICY)
    name, address = parseaddr(email.from_)
    written = to_datetime(letter.utc_ms).astimezone(ZoneInfo(config.site.timezone))
    message["Date"] = format_datetime(written)
    message["From"] = Address(display_name=header_text(name), addr_spec=address)
    message["To"] = ", ".join(email.to)
    message["Subject"] = header_text(letter.subject)
    message["Message-ID"] = f"<{uuid4().hex}@{address.rpartition('@')[2]}>"
    # RFC 3834: no vacation reply to a program, please.
    message["Auto-Submitted"] = "auto-generated"
    message["Importance"] = "high"
    text = "\n\n".join(_wrapped(printable(each)) for each in letter.paragraphs)
    message.set_content(text + "\n", cte="quoted-printable")
    return message.as_bytes()


def _wrapped(text: str) -> str:
    return textwrap.fill(text, _TEXT_COLUMNS, break_long_words=False, break_on_hyphens=False)

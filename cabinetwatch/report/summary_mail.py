"""A summary as a mail: headers, text, HTML, and its pictures by content id."""

from collections.abc import Iterator, Sequence
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime, parseaddr
from typing import NamedTuple
from zoneinfo import ZoneInfo

from cabinetwatch.notify.mail_policy import MAIL_POLICY, header_text
from cabinetwatch.report.summary_charts import Drawn
from cabinetwatch.report.summary_content import Summary
from cabinetwatch.report.summary_html import Shown, html_of
from cabinetwatch.report.summary_text import text_of
from cabinetwatch.times import to_datetime


class Envelope(NamedTuple):
    """From whom, to whom, when it was written, and what it is called."""

    sender: str
    recipients: Sequence[str]
    utc_ms: int
    timezone: str
    message_id: str


def mail_of(summary: Summary, drawn: Sequence[Drawn], envelope: Envelope) -> EmailMessage:
    """Give the mail: the same bytes for the same arguments."""
    message = EmailMessage(policy=MAIL_POLICY)
    name, address = parseaddr(envelope.sender)
    written = to_datetime(envelope.utc_ms).astimezone(ZoneInfo(envelope.timezone))
    message["Date"] = format_datetime(written)
    message["From"] = Address(display_name=header_text(name), addr_spec=address)
    message["To"] = ", ".join(envelope.recipients)
    message["Subject"] = header_text(summary.subject)
    message["Message-ID"] = envelope.message_id
    # RFC 3834: no vacation reply to a program, please.
    message["Auto-Submitted"] = "auto-generated"
    token, _, domain = envelope.message_id.strip("<>").partition("@")
    ids = [f"{index}.{token}@{domain}" for index in range(len(drawn))]
    html = html_of(summary, by_device(drawn, [f"cid:{cid}" for cid in ids]))
    # RFC 2045 section 6.7: quoted-printable passes every server, and keeps text readable.
    message.set_content(encodable(text_of(summary)), cte="quoted-printable")
    message.add_alternative(encodable(html), subtype="html", cte="quoted-printable")
    # An equals sign and underscore can't occur in quoted-printable (RFC 2045 section 6.7).
    message.set_boundary(f"=_{token}")
    _add_pictures(message, drawn, ids, f"=_r{token}")
    return message


def by_device(drawn: Sequence[Drawn], sources: Sequence[str]) -> dict[str, list[Shown]]:
    """Sort pictures by the devices they belong to, each with where it comes from."""
    shown: dict[str, list[Shown]] = {}
    for each, source in zip(drawn, sources, strict=True):
        picture = Shown(source, each.title, each.alt, each.key)
        shown.setdefault(each.device_id, []).append(picture)
    return shown


def encodable(text: str) -> str:
    """Replace lone surrogates, which no mail can carry."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _add_pictures(
    message: EmailMessage, drawn: Sequence[Drawn], ids: Sequence[str], boundary: str
) -> None:
    """Put the pictures beside the HTML that shows them (multipart/related, RFC 2387)."""
    if not drawn:
        return
    html = list(_parts(message))[1]
    for each, cid in zip(drawn, ids, strict=True):
        html.add_related(
            each.png,
            "image",
            "png",
            cid=f"<{cid}>",
            disposition="inline",
            filename=each.file_name,
        )
    html.set_boundary(boundary)


def _parts(message: EmailMessage) -> Iterator[EmailMessage]:
    for part in message.iter_parts():
        if isinstance(part, EmailMessage):
            yield part

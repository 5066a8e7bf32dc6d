"""A notice as a mail: headers, a text part and an HTML part."""

import textwrap
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime, parseaddr
from pathlib import Path
from zoneinfo import ZoneInfo

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from cabinetwatch.config.model import Config
from cabinetwatch.config.notify import Email
from cabinetwatch.notify.content import Content, content_of
from cabinetwatch.notify.mail_policy import MAIL_POLICY, header_text
from cabinetwatch.notify.plan import thread_roots
from cabinetwatch.store.notice import Notice
from cabinetwatch.times import to_datetime
from cabinetwatch.watch.transition import Priority

_TEXT_COLUMNS = 76


def _wrapped(text: str, indent: int = 0) -> str:
    """Break a paragraph into lines, indented from the second one on (a filter of the template)."""
    return "\n".join(
        textwrap.wrap(
            text,
            _TEXT_COLUMNS - indent,
            break_long_words=False,
            break_on_hyphens=False,
        )
    ).replace("\n", "\n" + " " * indent)


# Text is escaped wherever it goes into HTML; the text part is no markup and stays as it is.
_TEMPLATES = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    autoescape=select_autoescape(["html.j2"], default=False),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_TEMPLATES.filters["wrapped"] = _wrapped


def build_message(notice: Notice, config: Config, email: Email) -> EmailMessage:
    """Give the mail of a notice: the same bytes at each attempt, under the same Message-ID."""
    content = content_of(notice, config)
    message = EmailMessage(policy=MAIL_POLICY)
    written = to_datetime(notice.utc_ms).astimezone(ZoneInfo(config.site.timezone))
    name, address = parseaddr(email.from_)
    message["Date"] = format_datetime(written)
    message["From"] = Address(display_name=header_text(name), addr_spec=address)
    message["To"] = ", ".join(email.to)
    message["Subject"] = header_text(content.subject)
    message["Message-ID"] = notice.message_id
    _set_thread(message, notice, config)
    # RFC 3834: no vacation reply to a program, please.
    message["Auto-Submitted"] = "auto-generated"
    if any(each.is_raise and each.priority is Priority.HIGH for each in notice.transitions):
        message["Importance"] = "high"
    text, html = render(content)
    # RFC 2045 section 6.7: quoted-printable passes every server, and keeps text readable.
    message.set_content(text, cte="quoted-printable")
    message.add_alternative(html, subtype="html", cte="quoted-printable")
    # An equals sign and underscore can't occur in quoted-printable (RFC 2045 section 6.7).
    message.set_boundary(f"=_{notice.message_id.strip('<>').partition('@')[0]}")
    return message


def render(content: Content) -> tuple[str, str]:
    """Give the text part and the HTML part."""
    text, html = (
        _TEMPLATES.get_template(f"notice.{kind}.j2").render(mail=content)
        for kind in ("txt", "html")
    )
    return _encodable(text), _encodable(html)


def _set_thread(message: EmailMessage, notice: Notice, config: Config) -> None:
    if notice.in_reply_to is not None:
        message["In-Reply-To"] = notice.in_reply_to
    references = thread_roots(notice, config)
    if references:
        message["References"] = " ".join(references)


def _encodable(text: str) -> str:
    """Replace lone surrogates, which stand for bytes of somebody's answer that were no UTF-8."""
    return text.encode("utf-8", "replace").decode("utf-8")

"""Reading the mails that the watch has sent."""

from email.message import EmailMessage
from typing import cast


def part(message: EmailMessage, kind: str) -> str:
    """The text of one part of a mail ("plain" or "html"), its lines joined to one."""
    body = message.get_body((kind,))
    assert body is not None, f"the mail has no {kind} part"
    return " ".join(cast("str", body.get_content()).split())

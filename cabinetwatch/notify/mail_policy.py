"""How the headers of a mail become lines, within the limits of RFC 5322 and RFC 2047.

The standard library's folding writes encoded-words of 76 characters (RFC 2047 section 2 allows 75)
and in some releases doubles a blank between two of them, so the headers with free text and those
with Message-IDs are folded here; everything else is left to the library.
"""

from base64 import b64encode
from email.headerregistry import Address
from email.policy import EmailPolicy
from typing import Any

MOST_COLUMNS = 76
"""RFC 2045 section 6.7 (5) for quoted-printable; RFC 5322 section 2.1.1 would allow 78."""

_MOST_WORD_BYTES = 39
"""39 bytes make 52 characters of base64 and an encoded-word of 64, of the 75 allowed; with the
name of the header before it the line still has no more than the 76 of RFC 2047 section 2."""

_ID_HEADERS = ("message-id", "in-reply-to", "references")


def header_text(text: str) -> str:
    """Make any text harmless in a header: one line, printable, single blanks.

    What looks like the start of an encoded-word is broken up: it is somebody's text, not markup.
    """
    printable = "".join(each if each.isprintable() else " " for each in text)
    return " ".join(printable.split()).replace("=?", "= ?")


def encoded_words(text: str) -> list[str]:
    """Give the encoded-words of RFC 2047 for a text, none split within a character."""
    chunks = [b""]
    for character in text:
        encoded = character.encode("utf-8", "replace")
        if len(chunks[-1]) + len(encoded) > _MOST_WORD_BYTES:
            chunks.append(b"")
        chunks[-1] += encoded
    return [f"=?utf-8?b?{b64encode(chunk).decode('ascii')}?=" for chunk in chunks]


class MailPolicy(EmailPolicy):
    """The library's policy for SMTP, with our own folding where that is needed."""

    def fold_binary(self, name: str, value: Any) -> bytes:
        """Give the lines of a header, the ends of lines included."""
        lowered = name.lower()
        if lowered == "subject":
            folded = _fold(name, _text_lines(name, str(value)))
        elif lowered in _ID_HEADERS:
            folded = _fold(name, str(value).split())
        elif lowered == "from" and not str(value).isascii():
            address: Address = value.addresses[0]
            folded = _fold(name, [*encoded_words(address.display_name), f"<{address.addr_spec}>"])
        else:
            return super().fold_binary(name, value)
        return folded.encode("ascii")


MAIL_POLICY = MailPolicy(linesep="\r\n", max_line_length=MOST_COLUMNS, cte_type="7bit")


def _fold(name: str, lines: list[str]) -> str:
    return f"{name}: " + "\r\n ".join(lines) + "\r\n"


def _text_lines(name: str, text: str) -> list[str]:
    if not text.isascii():
        return encoded_words(text)
    lines = [""]
    room = MOST_COLUMNS - len(name) - 2
    for word in text.split(" "):
        if lines[-1] and len(lines[-1]) + 1 + len(word) > room:
            lines.append(word)
            room = MOST_COLUMNS - 1
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    too_long = any(len(line) > MOST_COLUMNS for line in lines)
    return encoded_words(text) if too_long else lines

"""The beginning of a text or payload from outside, made safe for one line of a log."""

from cabinetwatch.text import printable


def excerpt(text: str, longest: int = 80) -> str:
    """Escape what could move a cursor or end a line, and cut what is too long."""
    shown = printable(text[:longest])
    return shown if len(text) <= longest else f"{shown}... ({len(text)} characters)"


def excerpt_of_bytes(payload: bytes, longest: int = 80) -> str:
    """Show a payload: its text where it is UTF-8, escapes for the bytes that are not."""
    text = payload[: 4 * longest].decode("utf-8", "backslashreplace")
    shown = printable(text[:longest])
    return shown if len(payload) <= longest else f"{shown}... ({len(payload)} bytes)"

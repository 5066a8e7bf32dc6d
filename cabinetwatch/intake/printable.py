"""Text from outside, made safe for one line of a log or a terminal."""


def printable(text: str, longest: int = 80) -> str:
    """Escape everything that could move a cursor or end a line, and cut what is too long.

    Control, format, surrogate and unassigned characters become backslash escapes.
    """
    cut = text[:longest]
    escaped = "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode()
        for letter in cut
    )
    return escaped if len(text) <= longest else f"{escaped}... ({len(text)} characters)"


def printable_bytes(payload: bytes, longest: int = 80) -> str:
    """Show a payload: its text where it is UTF-8, escapes for the bytes that are not."""
    text = payload[: 4 * longest].decode("utf-8", "backslashreplace")
    shown = printable(text[:longest])
    return shown if len(payload) <= longest else f"{shown}... ({len(payload)} bytes)"

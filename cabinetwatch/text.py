"""Text from outside, made fit for a terminal, a log or one line of a table; counts in words."""


def counted(count: int, word: str) -> str:
    """Write how many of something there are.

    >>> counted(1, "sensor"), counted(2, "sensor"), counted(0, "sensor")
    ('1 sensor', '2 sensors', '0 sensors')
    """
    return f"{count} {word}{'' if count == 1 else 's'}"


def printable(text: str) -> str:
    r"""Escape everything that could move a cursor, end a line or turn text around.

    Control, format, surrogate and unassigned characters, and white space other than the plain
    blank, become escapes such as \n, \x1b or \u202e; a backslash stays as it is.

    >>> printable("warm\x1b[2J")
    'warm\\x1b[2J'
    """
    if text.isprintable():
        return text
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode("ascii")
        for letter in text
    )

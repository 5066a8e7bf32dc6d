"""Text that people read: safe to print, counted, rounded; and errors, which are sentences."""

import re


class CabinetwatchError(Exception):
    """Base of every error that the command line prints as a sentence instead of a traceback."""


class UsageError(CabinetwatchError):
    """Wrong use: a bad argument, an unknown ID or subject (exit status 2)."""


class ConfigError(CabinetwatchError):
    """The configuration can't be used; `problems` holds one sentence for each fault found."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class StoreError(CabinetwatchError):
    """The store could not be opened, read or written."""


def counted(count: int, word: str) -> str:
    """Write how many of something there are.

    >>> counted(1, "sensor"), counted(2, "sensor"), counted(0, "sensor")
    ('1 sensor', '2 sensors', '0 sensors')
    """
    return f"{count} {word}{'' if count == 1 else 's'}"


def rounded(value: float, digits: int) -> float:
    """Round a figure for programs to read; nothing is minus zero.

    What people read is written with the option z of Python's format, which does the same.

    >>> rounded(-0.04, 1), rounded(-0.06, 1)
    (0.0, -0.1)
    """
    return round(value, digits) + 0.0


_USERINFO = re.compile(r"(://[^\s:/?#@]*):[^\s]*@")
_SECRET_PARAMETER = re.compile(r"(?i)([?&;][\w.-]*(?:pass|pwd|secret|token|key)[\w.-]*=)[^\s&;#]+")


def without_secrets(text: str) -> str:
    """Put stars in the place of what a URL in a text keeps secret (RFC 3986, 7.5).

    That is the password before the host, and every parameter that is called one.

    >>> without_secrets("db://me:se@cr/et@host/x?sslpassword=y&mode=z")
    'db://me:***@host/x?sslpassword=***&mode=z'
    """
    return _SECRET_PARAMETER.sub(r"\1***", _USERINFO.sub(r"\1:***@", text))


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

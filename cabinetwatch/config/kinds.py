"""The kinds of value that keys of the configuration take, and what makes one wrong."""

import ipaddress
import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo

from cabinetwatch.config.files import check_private, check_readable
from cabinetwatch.config.topics import check_filter, check_prefix

PriorityName = Literal["high", "medium", "low"]

_ADDRESS = re.compile(r"[^\s<>()\[\]\\,;:@\"\x00-\x1f\x7f]+@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*")
_NAMED_ADDRESS = re.compile(r"[^<>\"\\(),;:@\x00-\x1f\x7f]+ <([^<>]+)>")
ID = re.compile(r"[a-z0-9-]+")
"""What sensors and devices are told apart by."""
_CLOCK_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d")


def is_loopback(host: str) -> bool:
    """Whether a host is this machine itself, as far as its name says (RFC 6761 section 6.3)."""
    name = host.rstrip(".").lower()
    if name == "localhost" or name.endswith(".localhost"):
        return True
    try:
        return ipaddress.ip_address(host.partition("%")[0]).is_loopback
    except ValueError:
        return False


def _says(check: Callable[[str], str | None]) -> AfterValidator:
    """Make a validator of a function that says what is wrong with a text, or None."""

    def validate(text: str) -> str:
        problem = check(text)
        if problem is not None:
            raise ValueError(problem)
        return text

    return AfterValidator(validate)


def _check_plain(text: str) -> str | None:
    if not text.strip():
        return "is empty"
    return None if text.isprintable() else "holds control characters"


def _check_ascii_word(text: str) -> str | None:
    if _check_plain(text):
        return _check_plain(text)
    return "holds white space" if any(map(str.isspace, text)) else None


def _check_host(text: str) -> str | None:
    if _check_ascii_word(text):
        return _check_ascii_word(text)
    if re.fullmatch(r"[^:]+:\d+", text):
        return "has a port with it, which the key port is for"
    return "is more than a name or address" if set("/@?#") & set(text) else None


def _check_address(text: str) -> str | None:
    if not text.isascii() or not _ADDRESS.fullmatch(text):
        return "is no mail address"
    return None


def _check_sender(text: str) -> str | None:
    named = _NAMED_ADDRESS.fullmatch(text)
    return _check_address(named[1] if named else text)


def _check_id(text: str) -> str | None:
    return None if ID.fullmatch(text) else "is no ID"


def _check_pointer(text: str) -> str | None:
    # RFC 6901 section 3: empty, or a slash before each token; a ~ only as ~0 or ~1.
    if (text and not text.startswith("/")) or re.search(r"~(?![01])", text):
        return "is no JSON Pointer"
    return None


def _check_senml_name(text: str) -> str | None:
    # RFC 8428 section 4.5.1.
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9:./_-]*", text):
        return "is no SenML name"
    return None


def _check_clock_time(text: str) -> str | None:
    return None if _CLOCK_TIME.fullmatch(text) else "is no time of day"


def _check_quiet_hours(text: str) -> str | None:
    start, dash, end = text.partition("-")
    if not dash or _check_clock_time(start) or _check_clock_time(end):
        return "is no span of two times of day"
    return "begins and ends at the same time" if start == end else None


def expanded(text: str) -> Path:
    """Give a path with the home directory in place of a leading ~.

    Raises:
        ValueError: there is no such user.
    """
    try:
        return Path(text).expanduser()
    except RuntimeError:
        user = text.partition("/")[0]
        raise ValueError(f"begins with {user}, whose home is not known") from None


def _resolve(value: Any, info: ValidationInfo) -> Any:
    """Let a relative path start at the folder of the configuration, where one is known."""
    if not isinstance(value, str):
        return value
    if not value or "\0" in value:
        raise ValueError("is no path")
    folder = (info.context or {}).get("folder")
    path = expanded(value)
    return folder / path if folder is not None else path


def _readable(path: Path, info: ValidationInfo) -> Path:
    """Refuse a file that can't be read, when a configuration is loaded (not out of a journal)."""
    if (info.context or {}).get("folder") is not None:
        check_readable(path)
    return path


def _private(path: Path, info: ValidationInfo) -> Path:
    """Refuse a file that others can read, when a configuration is loaded."""
    if (info.context or {}).get("folder") is not None:
        check_private(path)
    return path


def _no_repeats(items: tuple[str, ...]) -> tuple[str, ...]:
    repeated = [item for position, item in enumerate(items) if item in items[:position]]
    if repeated:
        raise ValueError(f"names {repeated[0]} twice")
    return items


def _one_or_more(value: Any) -> Any:
    """Take a single text for a list of one."""
    return [value] if isinstance(value, str) else value


PlainText = Annotated[str, _says(_check_plain)]
"""Not empty, and without control characters: it goes into subjects, pages and terminals."""
Id = Annotated[str, _says(_check_id)]
"""The ID of a sensor or a device."""
Word = Annotated[str, _says(_check_ascii_word)]
"""Plain text without white space."""
Host = Annotated[str, _says(_check_host)]
"""A name or an address, without what else a URL has: a password in it would be printed."""
TopicFilter = Annotated[str, _says(check_filter)]
TopicPrefix = Annotated[str, _says(check_prefix)]
Pointer = Annotated[str, _says(_check_pointer)]
SenmlName = Annotated[str, _says(_check_senml_name)]
MailAddress = Annotated[str, _says(_check_address)]
MailSender = Annotated[str, _says(_check_sender)]
ClockTime = Annotated[str, _says(_check_clock_time)]
QuietHours = Annotated[str, _says(_check_quiet_hours)]
FilePath = Annotated[Path, BeforeValidator(_resolve)]
"""A path; a relative one starts at the configuration's folder."""
ReadableFile = Annotated[FilePath, AfterValidator(_readable)]
SecretFile = Annotated[FilePath, AfterValidator(_readable), AfterValidator(_private)]

# A strict tuple refuses the lists that TOML and JSON have; its items stay strict.
MailAddresses = Annotated[
    tuple[MailAddress, ...], Field(strict=False, min_length=1), AfterValidator(_no_repeats)
]
Priorities = Annotated[
    tuple[PriorityName, ...], Field(strict=False, min_length=1), AfterValidator(_no_repeats)
]
SensorNames = Annotated[
    tuple[str, ...],
    BeforeValidator(_one_or_more),
    Field(strict=False),
    AfterValidator(_no_repeats),
]
"""One sensor, or a list of sensors."""
Numbers = Annotated[tuple[float, ...], Field(strict=False)]
Interval = Annotated[tuple[float, float], Field(strict=False)]
Point = Annotated[tuple[float, float], Field(strict=False)]
Port = Annotated[int, Field(ge=1, le=65535)]
Positive = Annotated[float, Field(gt=0, le=1e9)]
NotNegative = Annotated[float, Field(ge=0, le=1e9)]

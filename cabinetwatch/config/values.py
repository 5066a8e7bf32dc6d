"""What the keys of the configuration take: tables, quantities, kinds of value, topics, files.

A check says what is wrong, as the end of a sentence; the description of a field, what would be
right. What the types and ranges of pydantic say goes through `config.checking` into the same form.
"""

import ipaddress
import os
import pwd
import re
import stat
from collections.abc import Callable, Iterator, Mapping
from datetime import date
from itertools import takewhile
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo

from cabinetwatch.text import parse_duration


class Contradiction(NamedTuple):
    """Two keys of one table that don't go together; `text` goes on after the name of `key`."""

    key: str
    text: str


class Table(BaseModel):
    """A table of the configuration.

    The description of a field says what would be right: it ends the sentence about a wrong value.
    """

    model_config = ConfigDict(
        strict=True,
        frozen=True,
        extra="forbid",
        allow_inf_nan=False,
        validate_default=False,
        populate_by_name=True,
    )

    @classmethod
    def contradictions(cls, values: Mapping[str, Any]) -> Iterator[Contradiction]:
        """Give what doesn't go together.

        `values` are, by attribute name, those of the keys that are right by themselves, with the
        defaults of absent ones. A key that is wrong by itself is not among them.
        """
        del values
        return iter(())


Quantity = Literal["temperature", "humidity", "power", "fan-speed", "sound-level"]

Conversion = Callable[[float], float]
"""From a payload's figure to the kept unit."""


_CONVERSIONS: dict[str, dict[str, Conversion]] = {
    "temperature": {
        "Cel": float,
        "K": lambda temperature_k: temperature_k - 273.15,
        # The scales meet at 32 degF = 0 degC and 212 degF = 100 degC.
        "degF": lambda temperature_f: (temperature_f - 32.0) * 5.0 / 9.0,
    },
    "humidity": {"%RH": float},
    "power": {"W": float, "kW": lambda power_kw: power_kw * 1000.0},
    "fan-speed": {"1/min": float},
    "sound-level": {"dB": float},
}

UNITS = {quantity: tuple(units) for quantity, units in _CONVERSIONS.items()}
"""Units of each quantity as SenML names them (RFC 8428, section 12.1; kW: RFC 8798, section 3), and
degF. The first is the one in which values are kept, and the default."""


def conversion(quantity: str, unit: str) -> Conversion | None:
    """Give the function from a payload's unit to the kept one; None if the unit doesn't fit."""
    return _CONVERSIONS[quantity].get(unit)


ROLES: dict[str, Quantity] = {
    "temperature": "temperature",
    "ambient": "temperature",
    "power": "power",
    "fan": "fan-speed",
    "sound": "sound-level",
}
"""The quantity that a device's sensor of each role must measure."""

Span = tuple[float, float]
"""Lowest and highest, in the kept unit."""

CREDIBLE: dict[str, Span] = {
    # What the DS18B20 can measure (Maxim Integrated, DS18B20 data sheet 19-7487).
    "temperature": (-55.0, 125.0),
    # What a sensor that isn't cut off at 0 and 100 can say: RH = -6 + 125 S / 65535 (Sensirion,
    # SHT4x data sheet, from memory).
    "humidity": (-6.0, 119.0),
    # Up to what one socket outlet carries, 16 A at 250 V (IEC 60884-1, from memory). A meter may
    # say a little less than nothing; how much is our choice.
    "power": (-10.0, 4000.0),
    # Our choice, because the quickest small fans of servers turn at some 30,000 1/min.
    "fan-speed": (0.0, 40_000.0),
    # From the threshold of hearing, to which levels refer (ISO 1683), to the peak that no ear may
    # be exposed to (2003/10/EC: 140 dB(C)); both from memory.
    "sound-level": (0.0, 140.0),
}
"""Default `range` of each quantity; that of a power is narrower where ratings tell more."""

TIMES_RATED = 4.0
"""Our choice, because disks that spin up, or an amplifier switched on, draw two or three times a
rating for some seconds: a power sensor is believed up to so many times what its devices are rated
for together."""

POSSIBLE: dict[str, Span] = {
    # From absolute zero to where steel melts.
    "temperature": (-273.15, 1500.0),
    "humidity": (-100.0, 200.0),
    "power": (-100_000.0, 100_000.0),
    "fan-speed": (-1_000_000.0, 1_000_000.0),
    # Above some 194 dB a wave in air would be deeper than the air's own pressure.
    "sound-level": (-200.0, 200.0),
}
"""What no reading is beyond, however it came there, and no `range` may be: our choice, far outside
any cabinet at home. What reckons with readings is made for these."""

FAULT_CODES: dict[str, tuple[float, ...]] = {"Cel": (85.0, -127.0)}
"""Default `fault_codes` by unit: 85 degC is the DS18B20's value at power-on, before it has measured
(the same data sheet); -127 degC is what a common driver gives for a sensor it can't find (common
practice, no source)."""


_LONGEST_BYTES = 65535


def check_filter(topic_filter: str) -> str | None:
    """Say what is wrong with a topic filter, or None when it is well formed."""
    if problem := _check_text(topic_filter):
        return problem
    levels = topic_filter.split("/")
    for place, level in enumerate(levels, 1):
        if "+" in level and level != "+":
            return "has a + that does not stand alone between slashes"
        if "#" in level and (level != "#" or place != len(levels)):
            return "has a # that does not stand alone after the last slash"
    return None


def check_prefix(prefix: str) -> str | None:
    """Say what is wrong with the beginning of topics to publish under, or None."""
    if problem := _check_text(prefix):
        return problem
    if is_wildcard(prefix):
        return "has a wildcard"
    if prefix.startswith("$"):
        return "begins with $, which brokers keep for themselves"
    if prefix.startswith("/") or prefix.endswith("/"):
        return "begins or ends with a slash"
    return None


def is_wildcard(topic_filter: str) -> bool:
    """Whether the filter can match more than one topic."""
    return "+" in topic_filter or "#" in topic_filter


def _check_text(text: str) -> str | None:
    if not text:
        return "is empty"
    if "\0" in text:
        return "holds a NUL character (U+0000), which MQTT forbids"
    if len(text.encode()) > _LONGEST_BYTES:
        return f"has more than {_LONGEST_BYTES} bytes"
    return None


def common_levels(one: str, other: str) -> int:
    """Count the levels that two topics have in common from the start."""
    pairs = zip(one.split("/"), other.split("/"), strict=False)
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], pairs))


_LARGEST_NAMED = 1024 * 1024
"""Bytes of a password, a key or a list of certificates."""


def read_plain_file(path: Path, largest: int, *, trusted_by_root: bool = False) -> bytes:
    """Read a file that is one, and not too large: a pipe or a device may have no end.

    More than `largest` bytes are refused; with `trusted_by_root` root takes a file only when nobody
    else can have written it.

    Raises:
        ValueError: says what is wrong with it.
    """
    try:
        # Without waiting for whoever writes into a pipe, and without making a terminal ours.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
    except OSError as error:
        raise ValueError(f"can't be read ({error.strerror})") from None
    try:
        status = os.fstat(descriptor)
        if stat.S_ISDIR(status.st_mode):
            raise ValueError("can't be read (Is a directory)")
        if not stat.S_ISREG(status.st_mode):
            raise ValueError("is no plain file but a device or a pipe; name a file")
        if status.st_size > largest:
            raise ValueError(f"is larger than {largest // 1024} KB; is it the right file?")
        if trusted_by_root and os.geteuid() == 0:
            _check_root_s(descriptor, status)
        with open(descriptor, "rb", closefd=False) as file:
            return file.read(largest)
    except OSError as error:
        raise ValueError(f"can't be read ({error.strerror})") from None
    finally:
        os.close(descriptor)


def _check_root_s(descriptor: int, status: os.stat_result) -> None:
    """See that nobody but root can have written a file, or put it where it is.

    Raises:
        ValueError: somebody can.
    """
    if status.st_uid != 0:
        try:
            user = pwd.getpwuid(status.st_uid).pw_name
        except KeyError:
            user = f"user {status.st_uid}"
        raise ValueError(
            f"belongs to {user}, and root takes only a configuration that belongs to root; run this"
            f" as {user}, or make the file root's"
        )
    if _others_may_write(status):
        raise ValueError(
            "can be written by others, and root takes only a configuration that root alone can"
            " write; chmod go-w closes it"
        )
    # Where it lies in truth, whatever links led to it.
    folder = Path(f"/proc/self/fd/{descriptor}").resolve().parent
    try:
        around = folder.stat()
    except OSError:
        return
    if around.st_uid != 0 or _others_may_write(around):
        raise ValueError(
            f"lies in {folder}, where others than root can write, and root takes no configuration"
            " from there; move it, or run this as another user"
        )


def _others_may_write(status: os.stat_result) -> bool:
    """Whether anybody but root can; root's own group is root."""
    by_group = status.st_mode & stat.S_IWGRP and status.st_gid != 0
    return bool(by_group or status.st_mode & stat.S_IWOTH)


def _check_private(path: Path) -> None:
    """See that a file with a secret is closed to other users; a group may share it on purpose.

    Raises:
        ValueError: others can read or change it.
    """
    mode = path.stat().st_mode
    if mode & stat.S_IROTH:
        raise ValueError(f"can be read by every user of this machine; chmod o= {path} closes it")
    if mode & stat.S_IWOTH:
        raise ValueError(f"can be changed by every user of this machine; chmod o= {path} closes it")


PriorityName = Literal["high", "medium", "low"]

_ADDRESS = re.compile(r"[^\s<>()\[\]\\,;:@\"\x00-\x1f\x7f]+@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*")
_NAMED_ADDRESS = re.compile(r"[^<>\"\\(),;:@\x00-\x1f\x7f]+ <([^<>]+)>")
ID = re.compile(r"[a-z0-9-]+")
"""What distinguishes sensors and devices."""
_CLOCK_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
# The extended form of ISO 8601-1:2019, 5.2.2.1 (from memory), and no other.
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
# RFC 6901 section 3: empty, or a slash before each token; a ~ only as ~0 or ~1.
_POINTER = re.compile(r"(/([^/~]|~[01])*)*")
# RFC 8428 section 4.5.1.
_SENML_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")


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


def _check_word(text: str) -> str | None:
    return _check_plain(text) or ("holds white space" if any(map(str.isspace, text)) else None)


def _check_host(text: str) -> str | None:
    if problem := _check_word(text):
        return problem
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


def _is(pattern: re.Pattern[str], what: str) -> AfterValidator:
    """Make a validator of a pattern that the whole text must fit."""
    return _says(lambda text: None if pattern.fullmatch(text) else f"is no {what}")


def _check_quiet_hours(text: str) -> str | None:
    start, dash, end = text.partition("-")
    if not (dash and _CLOCK_TIME.fullmatch(start) and _CLOCK_TIME.fullmatch(end)):
        return "is no span of two times of day"
    return "begins and ends at the same time" if start == end else None


_LONGEST_TURN_S = 7 * 86_400.0


def _check_turn(text: str) -> str | None:
    try:
        seconds = parse_duration(text)
    except ValueError:
        return "is no duration"
    return None if 0 < seconds <= _LONGEST_TURN_S else "is not above 0 and at most 7d"


def days_of(interval: str) -> tuple[date, date]:
    """Give the first and the last day of an ISO 8601 interval of dates.

    Raises:
        ValueError: it is none.
    """
    first, _, last = interval.partition("/")
    if not (_DATE.fullmatch(first) and _DATE.fullmatch(last)):
        raise ValueError(interval)
    return date.fromisoformat(first), date.fromisoformat(last)


def _check_days(text: str) -> str | None:
    try:
        first, last = days_of(text)
    except ValueError:
        return "is no interval of two dates"
    return "ends before it begins" if last < first else None


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


def _file(check: Callable[[Path], object]) -> AfterValidator:
    """Make a validator of what raises at a file; one that a journal names need not exist."""

    def validate(path: Path, info: ValidationInfo) -> Path:
        if (info.context or {}).get("folder") is not None:
            check(path)
        return path

    return AfterValidator(validate)


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
Id = Annotated[str, _is(ID, "ID")]
"""The ID of a sensor or a device."""
Word = Annotated[str, _says(_check_word)]
"""Plain text without white space."""
Host = Annotated[str, _says(_check_host)]
"""A name or an address, without what else a URL has: a password in it would be printed."""
TopicFilter = Annotated[str, _says(check_filter)]
TopicPrefix = Annotated[str, _says(check_prefix)]
Pointer = Annotated[str, _is(_POINTER, "JSON Pointer")]
SenmlName = Annotated[str, _is(_SENML_NAME, "SenML name")]
MailAddress = Annotated[str, _says(_check_address)]
MailSender = Annotated[str, _says(_check_sender)]
ClockTime = Annotated[str, _is(_CLOCK_TIME, "time of day")]
QuietHours = Annotated[str, _says(_check_quiet_hours)]
Turn = Annotated[str, _says(_check_turn)]
"""How long somebody is left in peace: a duration such as 30m."""
FilePath = Annotated[Path, BeforeValidator(_resolve)]
"""A path; a relative one starts at the configuration's folder."""
ReadableFile = Annotated[FilePath, _file(lambda path: read_plain_file(path, _LARGEST_NAMED))]
SecretFile = Annotated[ReadableFile, _file(_check_private)]

# A strict tuple refuses the lists that TOML and JSON have; its items stay strict.
MailAddresses = Annotated[
    tuple[MailAddress, ...], Field(strict=False, min_length=1), AfterValidator(_no_repeats)
]
Days = Annotated[
    tuple[Annotated[str, _says(_check_days)], ...], Field(strict=False), AfterValidator(_no_repeats)
]
"""ISO 8601 intervals of dates; both ends lie within."""
Priorities = Annotated[
    tuple[PriorityName, ...], Field(strict=False, min_length=1), AfterValidator(_no_repeats)
]
SensorNames = Annotated[
    tuple[str, ...], BeforeValidator(_one_or_more), Field(strict=False), AfterValidator(_no_repeats)
]
"""One sensor, or a list of sensors."""
Numbers = Annotated[tuple[float, ...], Field(strict=False)]
Interval = Annotated[tuple[float, float], Field(strict=False)]
Point = Annotated[tuple[float, float], Field(strict=False)]
Port = Annotated[int, Field(ge=1, le=65535)]
Positive = Annotated[float, Field(gt=0, le=1e9)]
NotNegative = Annotated[float, Field(ge=0, le=1e9)]

"""The tables [site], [mqtt], [store], [notify...], [summary] and [page], and passwords."""

import difflib
import os
import zoneinfo
from collections.abc import Iterator, Mapping
from datetime import date, time
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import SplitResult, urlsplit

from pydantic import AfterValidator, BeforeValidator, Field, SecretStr, ValidationInfo

from cabinetwatch.config.values import (
    ClockTime,
    Contradiction,
    Days,
    FilePath,
    Host,
    MailAddress,
    MailAddresses,
    MailSender,
    NotNegative,
    PlainText,
    Port,
    Positive,
    Priorities,
    QuietHours,
    ReadableFile,
    SecretFile,
    Table,
    TopicPrefix,
    Turn,
    Word,
    days_of,
    expanded,
    is_loopback,
    read_plain_file,
)
from cabinetwatch.text import ConfigError, TemperatureUnit, parse_duration


def _known_zone(name: str) -> str:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        nearest = difflib.get_close_matches(name, sorted(zoneinfo.available_timezones()), 1, 0)
        raise ValueError(f"is no known time zone; the nearest is {nearest[0]}") from None
    return name


class Site(Table):
    """One installation, watched by one daemon."""

    name: PlainText = Field("home", description="the name that mails and pages give the place")
    timezone: Annotated[str, AfterValidator(_known_zone)] = Field(
        "UTC", description='a name of the time zone database, such as "Europe/Dublin"'
    )
    temperature_unit: Annotated[TemperatureUnit, Field(strict=False)] = Field(
        TemperatureUnit.CELSIUS,
        description='the unit in which people read temperatures, "Cel" for °C or "degF" for °F',
    )
    altitude_m: float = Field(
        0.0, ge=-430, le=9000, description="the height above the sea in m, -430 to 9000"
    )
    design_ambient_c: float = Field(
        35.0,
        ge=-50,
        le=70,
        description="the hottest air to be reckoned with outside the cabinet in °C, -50 to 70",
    )
    derating_base_m: NotNegative = Field(
        900.0, description="the height in m, 0 or more, above which thin air lowers thresholds"
    )
    derating_k_per_km: NotNegative = Field(
        3.3, description="by how many K, 0 or more, each km above that height lowers them"
    )
    learning_days: Positive = Field(
        7.0, description="how many days, above 0, what is normal is learnt for"
    )
    lateness_s: NotNegative = Field(
        5.0, description="how many seconds, 0 or more, a reading with its own time may be late"
    )


class Mqtt(Table):
    """The connection to the broker. Paths are absolute once loaded."""

    host: Host = Field("127.0.0.1", description="the name or address of the broker")
    port: Port = Field(1883, description="a TCP port, 1 to 65535")
    protocol: Literal["auto", "5", "3.1.1"] = Field(
        "auto", description='"auto" (5, or 3.1.1 where the broker knows no other), "5" or "3.1.1"'
    )
    username: PlainText | None = Field(None, description="the name to log in to the broker with")
    password_file: SecretFile | None = Field(
        None, description="a file that holds the password and that others can't read"
    )
    client_id: Word | None = Field(
        None, description="a name that no other client of this broker has; its session hangs on it"
    )
    publish_under: TopicPrefix = Field(
        "cabinetwatch", description="the beginning of the topics published, without wildcards"
    )
    commands: bool = Field(default=False, description="true to take commands over MQTT, else false")
    tls: bool = Field(default=False, description="true to connect over TLS, else false")
    ca_file: ReadableFile | None = Field(
        None, description="a PEM file of the CA certificates to trust for the broker"
    )
    cert_file: ReadableFile | None = Field(
        None, description="a PEM file with the watch's own certificate"
    )
    key_file: SecretFile | None = Field(
        None, description="a PEM file with the key of that certificate, that others can't read"
    )

    @property
    def exposure(self) -> str | None:
        """What is wrong when the password crosses a network readable for all on it, else None."""
        if self.username is None or self.tls or is_loopback(self.host):
            return None
        return (
            f"[mqtt] tls = false sends the password to {self.host} readable for everybody on that"
            " network; set tls = true if the broker can, or give this user few rights there."
        )

    @classmethod
    def contradictions(cls, values: Mapping[str, Any]) -> Iterator[Contradiction]:
        """Find files of TLS without TLS, half a certificate, a password without a name."""
        if values.get("tls") is False:
            for key in ("ca_file", "cert_file", "key_file"):
                if values.get(key) is not None:
                    yield Contradiction(key, "is given without tls; set tls = true or leave it out")
        if {"cert_file", "key_file"} <= values.keys():
            if values["cert_file"] is not None and values["key_file"] is None:
                yield Contradiction("cert_file", "needs key_file beside it")
            if values["key_file"] is not None and values["cert_file"] is None:
                yield Contradiction("key_file", "needs cert_file beside it")
        if values.get("password_file") is not None and values.get("username", "") is None:
            yield Contradiction("password_file", "needs username beside it")


_PREFIX = "sqlite:///"


def _resolve_url(url: object, info: ValidationInfo) -> object:
    """Let the path of an SQLite file start at the configuration's folder."""
    if not isinstance(url, str):
        return url
    path = url.removeprefix(_PREFIX)
    if not url.startswith(_PREFIX) or not path or path == ":memory:" or set("?#\0") & set(path):
        raise ValueError("names no SQLite file")
    folder: Path | None = (info.context or {}).get("folder")
    return url if folder is None else f"{_PREFIX}{folder / expanded(path)}"


class Store(Table):
    """The database. `url` holds an absolute path once loaded."""

    url: Annotated[str, BeforeValidator(_resolve_url)] = Field(
        "sqlite:///cabinetwatch.db",
        validate_default=True,
        description='sqlite:/// and a path, such as "sqlite:///cabinetwatch.db"',
    )
    flush_s: float = Field(
        10.0, gt=0, le=600, description="the seconds between two writes, above 0 and at most 600"
    )
    keep_raw_days: int = Field(
        30, ge=2, le=36500, description="the days that single readings are kept, 2 to 36500"
    )
    keep_minutes_days: int = Field(
        400, ge=2, le=36500, description="the days that minutes are kept, 2 to 36500"
    )
    keep_quarters_days: int = Field(
        3660, ge=2, le=36500, description="the days that quarter-hours are kept, 2 to 36500"
    )

    @classmethod
    def contradictions(cls, values: Mapping[str, Any]) -> Iterator[Contradiction]:
        """Coarse figures stand for the fine ones that are gone, so they must outlive them."""
        fine_to_coarse = ("keep_raw_days", "keep_minutes_days", "keep_quarters_days")
        for fine, coarse in pairwise(key for key in fine_to_coarse if key in values):
            if values[fine] > values[coarse]:
                yield Contradiction(
                    coarse, f"is shorter than {fine} ({values[fine]}); give at least as many days"
                )

    @property
    def path(self) -> Path:
        """The database file."""
        return Path(self.url.removeprefix(_PREFIX))


_PRIORITIES = 'a list of priorities out of "high", "medium" and "low"'


def _resolve_program(argv: Any, info: ValidationInfo) -> Any:
    """Let a program named by a relative path start at the configuration's folder."""
    folder = (info.context or {}).get("folder")
    if folder is None or not isinstance(argv, list) or not argv or not isinstance(argv[0], str):
        return argv
    program = str(folder / argv[0]) if "/" in argv[0] else argv[0]
    return [program, *argv[1:]]


def _without_nul(argv: tuple[str, ...]) -> tuple[str, ...]:
    if not argv[0] or "\0" in "".join(argv):
        raise ValueError("has an empty program or a NUL character")
    return argv


class Email(Table):
    """A mail server, and who gets mail through it, beside the people. `from_` is the key `from`."""

    host: Host = Field(description="the name or address of the mail server")
    port: Port = Field(587, description="a TCP port, 1 to 65535")
    security: Literal["none", "starttls", "tls"] = Field(
        "starttls", description='"starttls", "tls" (from the first byte) or "none"'
    )
    ca_file: ReadableFile | None = Field(
        None, description="a PEM file of the CA certificates to trust for the mail server"
    )
    username: PlainText | None = Field(None, description="the name to log in with")
    password_file: SecretFile | None = Field(
        None, description="a file that holds the password and that others can't read"
    )
    from_: MailSender = Field(
        alias="from", description='the sender\'s address, such as "watch@under-stairs.example"'
    )
    to: MailAddresses | None = Field(
        None, description='a list of addresses, such as ["owner@under-stairs.example"]'
    )
    priorities: Priorities = Field(("high", "medium"), description=_PRIORITIES)

    @property
    def addresses(self) -> tuple[str, ...]:
        """Those of `to`, if any."""
        return self.to or ()

    @property
    def exposure(self) -> str | None:
        """What is wrong when the password crosses a network readable for all on it, else None."""
        if self.username is None or self.security != "none" or is_loopback(self.host):
            return None
        return (
            f'[notify.email] security = "none" sends the password to {self.host} readable for'
            ' everybody on the way; set "starttls" or "tls".'
        )

    @classmethod
    def contradictions(cls, values: Mapping[str, Any]) -> Iterator[Contradiction]:
        """Find an authority without TLS, a password without a name."""
        if values.get("security") == "none" and values.get("ca_file") is not None:
            yield Contradiction("ca_file", 'is given with security = "none"; leave one of them out')
        if values.get("password_file") is not None and values.get("username", "") is None:
            yield Contradiction("password_file", "needs username beside it")


class Person(Table):
    """Somebody who is mailed through the server of [notify.email], in a turn of their own."""

    name: PlainText | None = Field(None, description="the name that mails and pages give them")
    mail: MailAddress = Field(
        description='the address to mail to, such as "kim@under-stairs.example"'
    )
    priorities: Priorities = Field(("high", "medium"), description=_PRIORITIES)
    quiet_hours: QuietHours | None = Field(
        None, description='two times of day in the site\'s time zone, such as "22:30-06:30"'
    )
    after: Turn | None = Field(
        None, description='how long others have to acknowledge first, such as "30m"'
    )
    away: Days = Field(
        (), description='a list of first and last days, such as ["2026-12-20/2027-01-03"]'
    )

    @property
    def after_s(self) -> float:
        """How long others have to acknowledge first; 0 for none."""
        return 0.0 if self.after is None else parse_duration(self.after)

    @property
    def absences(self) -> list[tuple[date, date]]:
        """The first and the last day of each absence."""
        return [days_of(interval) for interval in self.away]

    def is_away(self, day: date) -> bool:
        """Whether they are away on a day."""
        return any(first <= day <= last for first, last in self.absences)


class MqttNotices(Table):
    """The retained transitions under PREFIX/alarm."""

    enabled: bool = Field(default=True, description="true or false")
    priorities: Priorities = Field(("high", "medium", "low"), description=_PRIORITIES)


class Command(Table):
    """A program of the user's, which gets the transition as JSON on standard input."""

    argv: Annotated[
        tuple[str, ...],
        BeforeValidator(_resolve_program),
        Field(strict=False, min_length=1),
        AfterValidator(_without_nul),
    ] = Field(description='a program and its arguments, such as ["./siren", "--short"]')
    timeout_s: Positive = Field(20.0, description="the seconds, above 0, it may take")
    priorities: Priorities = Field(("high",), description=_PRIORITIES)


_WEB_PORTS = {"http": 80, "https": 443}


def _web_parts(url: str, example: str) -> SplitResult:
    """Take a URL of a server apart.

    Raises:
        ValueError: it is none; one like `example` would be right.
    """
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        parts, port = urlsplit(""), None
    if parts.scheme not in _WEB_PORTS or not parts.hostname or port == 0 or not url.isascii():
        raise ValueError(f"is no URL of a server; write one like {example}")
    if any(letter.isspace() or not letter.isprintable() for letter in url):
        raise ValueError("has a blank in it; write it as %20")
    return parts


def _web_address(url: str) -> str:
    """Check that a URL names a server to POST to; the rest is for that server."""
    if _web_parts(url, "https://push.example/cabinet").username is not None:
        raise ValueError("holds a login; put an Authorization header into headers_file")
    return url


def _page_address(url: str) -> str:
    """Check that a URL names a place that mails can link to; what follows is put behind it."""
    parts = _web_parts(url, "http://cabinet.local:8080")
    if parts.username is not None or parts.query or parts.fragment:
        raise ValueError("has more than a server, a port and a path; leave the rest out")
    return url.rstrip("/")


class Http(Table):
    """A server of the user's that takes a POST: a push service, a gateway, a home automation."""

    url: Annotated[str, AfterValidator(_web_address)] = Field(
        description='where to POST to, such as "https://push.example/cabinet"'
    )
    headers_file: SecretFile | None = Field(
        None, description="a file of lines like Authorization: Bearer ..., which others can't read"
    )
    template: ReadableFile | None = Field(
        None, description="a Jinja2 template of the text to send in place of JSON"
    )
    ca_file: ReadableFile | None = Field(
        None, description="a PEM file of the CA certificates to trust for the server"
    )
    timeout_s: Positive = Field(20.0, description="the seconds, above 0, it may take")
    priorities: Priorities = Field(("high",), description=_PRIORITIES)

    @property
    def exposure(self) -> str | None:
        """What is wrong when secret headers cross a network readable for all on it, else None."""
        parts = urlsplit(self.url)
        if parts.scheme == "https" or self.headers_file is None:
            return None
        if is_loopback(parts.hostname or ""):
            return None
        return (
            f"[notify.http] url sends what headers_file holds to {parts.hostname} readable for"
            " everybody on the way; use https."
        )

    @property
    def server(self) -> tuple[str, int]:
        """Host and port."""
        parts = urlsplit(self.url)
        return parts.hostname or "", parts.port or _WEB_PORTS[parts.scheme]


_CALLED = {"email": "mail", "mqtt": "MQTT", "command": "program", "http": "push"}


class Notify(Table):
    """When and through which channels people are notified. Absent channels are None."""

    quiet_hours: QuietHours | None = Field(
        None, description='two times of day in the site\'s time zone, such as "22:30-06:30"'
    )
    repeat_s: Positive = Field(
        3600.0, description="the seconds, above 0, until an active high alarm is reported again"
    )
    digest_over: int = Field(
        5, ge=1, description="how many waiting notices, 1 or more, still go out one by one"
    )
    email: Email | None = Field(None, description="a table [notify.email]")
    people: dict[str, Person] = Field(default_factory=dict, description="tables [notify.people.ID]")
    mqtt: MqttNotices = Field(MqttNotices(), description="a table [notify.mqtt]")
    command: Command | None = Field(None, description="a table [notify.command]")
    http: Http | None = Field(None, description="a table [notify.http]")

    @property
    def mailed(self) -> dict[str, Person]:
        """The people, each by the channel that is theirs alone."""
        return {f"mail to {person_id}": person for person_id, person in self.people.items()}

    @property
    def readers(self) -> tuple[str, ...]:
        """The addresses of those who are notified at once; of all where nobody is."""
        simple = () if self.email is None else self.email.addresses
        people = self.people.values()
        first = (*simple, *(each.mail for each in people if each.after is None))
        return first or tuple(each.mail for each in people)

    @property
    def channels(self) -> list[str]:
        """The channels that are switched on; that of `[notify.email]` mails summaries at least."""
        on = {
            "email": self.email is not None,
            **dict.fromkeys(self.mailed, True),
            "mqtt": self.mqtt.enabled,
            "command": self.command is not None,
            "http": self.http is not None,
        }
        return [channel for channel, is_on in on.items() if is_on]

    @property
    def for_alarms(self) -> list[str]:
        """The channels that tell of alarms: `[notify.email]` does where it names addresses."""
        mails = self.email is not None and self.email.addresses
        return [channel for channel in self.channels if channel != "email" or mails]

    def called(self, channel: str) -> str:
        """Give what people call a channel."""
        for person_id, person in self.people.items():
            if channel == f"mail to {person_id}":
                return f"mail to {person.name or person_id}"
        return _CALLED.get(channel, channel)

    def quiet(self, channel: str) -> tuple[time, time] | None:
        """The quiet hours of a channel as start and end; the end may lie on the next day."""
        person = self.mailed.get(channel)
        hours = (None if person is None else person.quiet_hours) or self.quiet_hours
        # What MQTT retains is the present state, which never waits for the morning.
        if hours is None or channel == "mqtt":
            return None
        start, _, end = hours.partition("-")
        return time.fromisoformat(start), time.fromisoformat(end)


class Summary(Table):
    """When the weekly summary is mailed, and to whom: `Notify.readers` where left out."""

    day: Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"] = (
        Field("monday", description="a day of the week in English, small letters")
    )
    time: ClockTime = Field(
        "07:00", description='a time of day in the site\'s time zone, such as "07:00"'
    )
    to: MailAddresses | None = Field(
        None, description='a list of addresses, such as ["owner@under-stairs.example"]'
    )


class Page(Table):
    """Where the status page is written and found, and whether people may act through it."""

    directory: FilePath | None = Field(
        None, description="a folder for the page and its pictures, to be written as files"
    )
    every_s: Positive = Field(15.0, description="the seconds, above 0, between two pages")
    url: Annotated[str, AfterValidator(_page_address)] | None = Field(
        None, description='where people find the page, such as "http://cabinet.local:8080"'
    )
    actions: bool = Field(
        default=False, description="true to let the served page take what people do, else false"
    )
    pin_file: SecretFile | None = Field(
        None, description="a file that holds a PIN for the page and that others can't read"
    )

    @property
    def exposure(self) -> str | None:
        """What is wrong when what lets people act crosses a network readable, else None."""
        parts = urlsplit(self.url or "")
        if not self.actions or parts.scheme == "https" or is_loopback(parts.hostname or ""):
            return None
        return (
            "[page] actions = true with an http url lets whoever reads along in the network act in"
            " others' name: good enough for a home network, never for the internet; forward no"
            " port to it."
        )

    @classmethod
    def contradictions(cls, values: Mapping[str, Any]) -> Iterator[Contradiction]:
        """Find actions without a place for them, a PIN for nothing, a table that does nothing."""
        url = values.get("url", "")
        if values.get("actions") is True:
            if url is None:
                yield Contradiction("actions", "needs url beside it, for the links in mails")
            elif urlsplit(url).path.strip("/"):
                yield Contradiction(
                    "url", "has a path, and actions need the page at the root of its server"
                )
        if values.get("pin_file") is not None and values.get("actions") is False:
            yield Contradiction("pin_file", "is given without actions; set actions = true")
        if url is None and values.get("directory", "") is None:
            yield Contradiction("directory", "is not given, nor is url, so nothing would be done")


_LARGEST = 64 * 1024
CREDSTORE = Path("/etc/credstore")
"""Where the units take credentials from: systemd.exec(5), `LoadCredential=`."""


def find_secret(name: str, file: Path | None) -> SecretStr | None:
    """Look for a secret in its places: file, credential, environment, in this order; None in none.

    `name` is that of the systemd credential and, in capitals after CABINETWATCH_, of the
    environment variable. The line end after a secret is no part of it.

    Raises:
        ConfigError: a place has it and it can't be read, or it is empty.
    """
    if file is not None:
        return _from_file(name, file)
    credentials = os.environ.get("CREDENTIALS_DIRECTORY")
    if credentials and (credential := Path(credentials) / name).exists():
        return _from_file(name, credential)
    if not credentials and os.geteuid() == 0:
        # What systemd would give the service: so root's `check` logs in as the watch does.
        stored = CREDSTORE / f"cabinetwatch.{name}"
        if stored.exists():
            return _from_file(name, stored)
    variable = "CABINETWATCH_" + name.upper().replace("-", "_")
    value = os.environ.get(variable)
    return SecretStr(value) if value else None


def _from_file(name: str, file: Path) -> SecretStr:
    try:
        text = read_plain_file(file, _LARGEST).decode("utf-8")
    except UnicodeDecodeError:
        raise ConfigError([f"{file}: the {name} in it is no UTF-8 text"]) from None
    except ValueError as error:
        raise ConfigError([f"{file}: the file of the {name} {error}"]) from None
    secret = text.removesuffix("\n").removesuffix("\r")
    if not secret or not secret.isprintable():
        raise ConfigError([f"{file}: the {name} must be one line of text, and this file has none"])
    return SecretStr(secret)

"""The tables [notify], [notify.email], [notify.mqtt] and [notify.command]: who is told, and how."""

from collections.abc import Iterator, Mapping
from datetime import time
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo

from cabinetwatch.config.base import Contradiction, Table
from cabinetwatch.config.kinds import (
    Host,
    MailAddresses,
    MailSender,
    PlainText,
    Port,
    Positive,
    Priorities,
    QuietHours,
    ReadableFile,
    SecretFile,
    is_loopback,
)

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
    """A mail server, and who gets mail through it. `from_` is the key `from`."""

    host: Host = Field(description="the name or address of the mail server")
    port: Port = Field(587, description="a TCP port, 1 to 65535")
    security: Literal["none", "starttls", "tls"] = Field(
        "starttls", description='"starttls", "tls" (from the first byte) or "none"'
    )
    ca_file: ReadableFile | None = Field(
        None, description="a PEM file of the authorities that may vouch for the mail server"
    )
    username: PlainText | None = Field(None, description="the name to log in with")
    password_file: SecretFile | None = Field(
        None, description="a file that holds the password and that others can't read"
    )
    from_: MailSender = Field(
        alias="from", description='the sender\'s address, such as "watch@under-stairs.example"'
    )
    to: MailAddresses = Field(
        description='a list of addresses, such as ["owner@under-stairs.example"]'
    )
    priorities: Priorities = Field(("high", "medium"), description=_PRIORITIES)

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


class Notify(Table):
    """When and through which channels people are told. Absent channels are None."""

    quiet_hours: QuietHours | None = Field(
        None, description='two times of day in the site\'s time zone, such as "22:30-06:30"'
    )
    repeat_s: Positive = Field(
        3600.0, description="the seconds, above 0, until a standing high alarm is told again"
    )
    digest_over: int = Field(
        5, ge=1, description="how many waiting notices, 1 or more, still go out one by one"
    )
    email: Email | None = Field(None, description="a table [notify.email]")
    mqtt: MqttNotices = Field(MqttNotices(), description="a table [notify.mqtt]")
    command: Command | None = Field(None, description="a table [notify.command]")

    @property
    def quiet(self) -> tuple[time, time] | None:
        """The quiet hours as start and end; the end may lie on the next day."""
        if self.quiet_hours is None:
            return None
        start, _, end = self.quiet_hours.partition("-")
        return time.fromisoformat(start), time.fromisoformat(end)

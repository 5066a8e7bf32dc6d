"""The table [mqtt]: the broker, and how the watch presents itself to it."""

from collections.abc import Iterator, Mapping
from typing import Any, Literal

from pydantic import Field

from cabinetwatch.config.base import Contradiction, Table
from cabinetwatch.config.kinds import (
    Host,
    PlainText,
    Port,
    ReadableFile,
    SecretFile,
    TopicPrefix,
    Word,
    is_loopback,
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
        None, description="a PEM file of the authorities that may vouch for the broker"
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

"""The MQTT client library as the session needs it, its messages, and why it failed."""

import socket
import ssl
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from pydantic import SecretStr

from cabinetwatch.config.services import Mqtt
from cabinetwatch.text import ConfigError, printable


def excerpt(text: str, longest: int = 80) -> str:
    """Escape what could move a cursor or end a line, and cut what is too long."""
    shown = printable(text[:longest])
    return shown if len(text) <= longest else f"{shown}... ({len(text)} characters)"


def excerpt_of_bytes(payload: bytes, longest: int = 80) -> str:
    """Show a payload: its text where it is UTF-8, escapes for the bytes that are not."""
    text = payload[: 4 * longest].decode("utf-8", "backslashreplace")
    shown = printable(text[:longest])
    return shown if len(payload) <= longest else f"{shown}... ({len(payload)} bytes)"


# X509_V_ERR_... of OpenSSL's x509_vfy.h.
_NOT_YET_VALID = 9
_EXPIRED = 10
_SELF_SIGNED = (18, 19)
_UNKNOWN_ISSUER = (2, 20, 21)
_WRONG_NAME = (62, 64)


def certificate_sentence(error: ssl.SSLCertVerificationError, ca_file: Path | None) -> str:
    """Say why a certificate was refused and what would help, to go on after the server's name."""
    # The very clock that judged the certificate, not the watch's.
    clock = f"this machine's clock says {datetime.now(UTC):%Y-%m-%d}"
    code = error.verify_code
    if code == _NOT_YET_VALID:
        return f"its certificate is not valid yet: {clock}; if that is wrong, set the clock"
    if code == _EXPIRED:
        return (
            f"its certificate has expired: {clock}; if that is right, the server needs a new"
            " certificate"
        )
    if code in _SELF_SIGNED or code in _UNKNOWN_ISSUER:
        known = f"the authorities in {ca_file}" if ca_file else "the system's authorities"
        return (
            f"its certificate is signed by nobody among {known}; give the right authority's"
            " certificate as ca_file"
        )
    if code in _WRONG_NAME:
        return (
            f"its certificate is for another name ({error.verify_message}); write the name in the"
            " certificate as host"
        )
    return f"its certificate is refused: {error.verify_message}"


class Incoming(NamedTuple):
    """A message as it came in.

    `epoch` counts the connections of this process, from 1: a packet identifier means something
    only within one. `packet_id` is 0 at QoS 0. `t` is the arrival in watch time (ms). `resumed`
    tells whether the connection took up a session that the broker had kept. `stalled_ms` is how
    long, up to now in this connection, nothing could arrive: the receive window stood full, or we
    read nothing.
    """

    epoch: int
    packet_id: int
    topic: str
    payload: bytes
    qos: int
    dup: bool
    retain: bool
    t: int
    resumed: bool
    stalled_ms: int = 0


class ConnectionEvent(NamedTuple):
    """The connection came up, went down, or an attempt failed for a new reason.

    `reason` is a sentence for people. `end` says how a connection that was up ended: "taken" (the
    broker says that another client took the session over), "closed" (by the other side, without a
    word), or neither. When it is up, `protocol` is "5" or "3.1.1", and
    `receive_maximum` the window we asked for, None in 3.1.1, which knows none.
    """

    up: bool
    epoch: int
    t: int
    session_present: bool
    reason: str
    protocol: str
    receive_maximum: int | None
    end: Literal["taken", "closed", ""] = ""


class Will(NamedTuple):
    """What the broker publishes, retained, when we vanish without a word.

    `payload` is asked for at each connecting.
    """

    topic: str
    payload: Callable[[], bytes]


Protocol = Literal["5", "3.1.1"]


class ProtocolChoice:
    """With `auto`, 5 first, and 3.1.1 to a broker that knows no other.

    One that says so is believed for good. One that gives no answer may be such a broker or may be
    ill: every other attempt tries 3.1.1.

    Args:
        configured: "auto", "5" or "3.1.1".
    """

    def __init__(self, configured: Literal["auto", "5", "3.1.1"]) -> None:
        self._auto = configured == "auto"
        self._knows_no_5 = False
        self.present: Protocol = "3.1.1" if configured == "3.1.1" else "5"

    def refused_version(self) -> None:
        """The broker says that it doesn't know the version just tried."""
        self._knows_no_5 |= self.present == "5"

    def after_loss(self, *, no_answer: bool) -> bool:
        """Choose anew after a connection is gone; `no_answer` when the broker never said a word.

        Returns:
            Whether the choice has changed.
        """
        before = self.present
        if self._auto:
            fall_back = self._knows_no_5 or (no_answer and before == "5")
            self.present = "3.1.1" if fall_back else "5"
        return self.present != before


KEEPALIVE_S = 15
# How many messages the broker may send ahead of our acknowledgements. Measured with Mosquitto
# 2.0.11: it sends exactly as many as asked for (100, 1,000, 4,000 and 10,000 tried), 20 when not
# asked, and keeps that many on top of its 1,000 queued ones. 4,000 are the readings of 50 sensors
# at 2 s for 160 s: many commits of 10 s, and a store that fails can be waited for; and at 72 to 79
# bytes a reading they are a commit of 0.3 MB.
RECEIVE_MAXIMUM = 4_000
# What a broker that can't be asked sends ahead; Mosquitto's default, and the lowest we know of.
WINDOW_WITHOUT_MAXIMUM = 20
# Larger packets the broker throws away (MQTT 5.0, 3.1.2.11.4), so that nobody can fill our memory.
# Four times what is read of one: what is merely too long still comes, and is counted.
MAXIMUM_PACKET_BYTES = 512 * 1024
# How many of ours may be on their way unconfirmed; beyond this the library would queue by itself.
MOST_UNCONFIRMED = 20
_NEVER_EXPIRES = 0xFFFFFFFF


class TlsContext(ssl.SSLContext):
    """Remembers the socket of a handshake: the library leaves it open when the handshake fails."""

    _latest: ssl.SSLSocket | None = None

    def wrap_socket(self, *args: Any, **options: Any) -> ssl.SSLSocket:
        """Wrap as usual; the arguments are the base class's."""
        self._latest = super().wrap_socket(*args, **options)
        return self._latest

    def close_latest(self) -> None:
        """Close the socket of the latest handshake."""
        if self._latest is not None:
            self._latest.close()
            self._latest = None


def make_tls_context(settings: Mqtt) -> TlsContext | None:
    """Make what TLS needs; None when it is off.

    Raises:
        ConfigError: a file that can't be read or is none of its kind.
    """
    if not settings.tls:
        return None
    context = TlsContext(ssl.PROTOCOL_TLS_CLIENT)  # checks certificate and host name
    try:
        if settings.ca_file is None:
            context.load_default_certs()
        else:
            context.load_verify_locations(settings.ca_file)
    except OSError as error:
        raise ConfigError([_tls_problem("ca_file", settings.ca_file, error)]) from error
    if settings.cert_file is not None:
        try:
            context.load_cert_chain(settings.cert_file, settings.key_file)
        except OSError as error:
            raise ConfigError([_tls_problem("cert_file", settings.cert_file, error)]) from error
    return context


def make_client(
    settings: Mqtt,
    secret: SecretStr | None,
    tls: ssl.SSLContext | None,
    *,
    protocol: Protocol,
    client_id: str,
    clean: bool,
    will: Will | None,
) -> Client:
    """Make a client that is ready for `reconnect`; it acknowledges nothing by itself.

    With `clean` the session begins anew and ends with the connection, and messages are acknowledged
    as they come; else the broker keeps it for as long as it can.
    """
    version = MQTTProtocolVersion.MQTTv5 if protocol == "5" else MQTTProtocolVersion.MQTTv311
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=clean if protocol == "3.1.1" else None,
        protocol=version,
        reconnect_on_failure=False,
        manual_ack=not clean,
    )
    if settings.username is not None:
        client.username_pw_set(settings.username, secret.get_secret_value() if secret else None)
    if tls is not None:
        client.tls_set_context(tls)
    if will is not None:
        client.will_set(will.topic, will.payload(), qos=1, retain=True)
    if protocol == "5":
        client.connect_async(
            settings.host,
            settings.port,
            KEEPALIVE_S,
            clean_start=clean,
            properties=_connect_properties(clean=clean),
        )
    else:
        client.connect_async(settings.host, settings.port, KEEPALIVE_S)
    return client


def _connect_properties(*, clean: bool) -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    properties.MaximumPacketSize = MAXIMUM_PACKET_BYTES
    if not clean:
        # Absent means that the session ends with the connection (MQTT 5.0, 3.1.2.11.2).
        properties.SessionExpiryInterval = _NEVER_EXPIRES
    return properties


def _tls_problem(key: str, path: object, error: OSError) -> str:
    return f"[mqtt] {key} = {str(path)!r} can't be used: {error.strerror or error}"


# Reason codes of MQTT 5.0 (2.4); those of 3.1.1 are brought to the same numbers by the library.
UNSUPPORTED_PROTOCOL = 0x84
KEEP_ALIVE_TIMEOUT = 0x8D
SESSION_TAKEN_OVER = 0x8E
_ADVICE = {
    0x85: "it doesn't allow our client_id; choose another in [mqtt]",
    0x86: "it refuses the login; correct username or password_file in [mqtt]",
    0x87: "it refuses the login; correct username or password_file in [mqtt]",
    0x88: "it says that it is not available",
    0x89: "it says that it is busy",
    0x8A: "it has banned us",
    0x8B: "it is shutting down",
    KEEP_ALIVE_TIMEOUT: "it heard nothing from us for too long",
    SESSION_TAKEN_OVER: "another client has taken over our client_id; give each client its own in"
    " [mqtt]",
    0x95: "it found a packet of ours too large",
    0x97: "our quota with it is used up",
    0x9F: "it finds that we connect too often",
}
_OF_ERRORS: dict[type[Exception], str] = {
    ConnectionRefusedError: "nobody listens there; check that it runs, and host and port in [mqtt]",
    TimeoutError: "it doesn't answer; check host and port in [mqtt]",
}


NO_ANSWER = "it gave no answer; check port, tls and protocol in [mqtt]"
# A broker that speaks TLS 1.3 says so only after the handshake, and then closes the connection.
NO_ANSWER_OVER_TLS = (
    "it closed the connection after the TLS handshake; if it wants a client certificate, give"
    " cert_file and key_file in [mqtt], else check port and protocol"
)


def of_refused_version(configured: str, tried: str) -> str:
    """Say that the broker doesn't know a version of MQTT; with "auto" both are tried."""
    if configured != "auto":
        return f'it doesn\'t know MQTT {tried}; set protocol = "auto" in [mqtt]'
    if tried == "5":
        return "it doesn't know MQTT 5; 3.1.1 is tried next"
    return "it knows neither MQTT 5 nor 3.1.1; check host and port in [mqtt]"


def of_code(code: ReasonCode) -> str:
    """Say a reason code that the broker gave."""
    return _ADVICE.get(code.value, f"its reason is: {excerpt(str(code))} ({code.value:#04x})")


def of_refused_filter(code: ReasonCode) -> str:
    """Say why the broker does not let us read a topic filter."""
    if code.value in {0x80, 0x87}:  # 3.1.1 knows only 0x80, a failure of any kind
        return "it does not allow it; correct its access list"
    return of_code(code)


def of_error(error: Exception, ca_file: Path | None = None) -> str:
    """Say why no connection could be made; `ca_file` is what certificates are checked against."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return certificate_sentence(error, ca_file)
    if isinstance(error, ssl.SSLError):
        return _of_tls(error)
    if isinstance(error, socket.gaierror):
        return f"its name can't be resolved ({error.strerror}); check host in [mqtt]"
    for kind, sentence in _OF_ERRORS.items():
        if isinstance(error, kind):
            return sentence
    return excerpt(getattr(error, "strerror", None) or f"{type(error).__name__}: {error}")


def _of_tls(error: ssl.SSLError) -> str:
    reason = error.reason or str(error)
    if "CERTIFICATE_REQUIRED" in reason or "HANDSHAKE_FAILURE" in reason:
        return (
            f"TLS failed ({reason}); if it wants a client certificate, give cert_file and key_file"
            " in [mqtt], else check tls and port"
        )
    return f"TLS failed ({reason}); check tls and port in [mqtt]"

"""What the parts of mqtt/ share: messages and news of the connection, excerpts, TLS, and reasons.

A session hands on `Incoming` and `ConnectionEvent`. `excerpt` makes text from outside fit to be
shown. What a connection asks of the broker stands here, and why one failed, as sentences that go on
after the server's name; the mail server's certificate is judged in the same words.
"""

import socket
import ssl
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, NamedTuple

from paho.mqtt.reasoncodes import ReasonCode

from cabinetwatch.config.services import Mqtt
from cabinetwatch.text import ConfigError, printable

Protocol = Literal["5", "3.1.1"]


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
    word), or neither. When it is up, `protocol` is "5" or "3.1.1", and `receive_maximum` the window
    we asked for, None in 3.1.1, which knows none.
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
    """What the broker publishes, retained, when we vanish; `payload` is asked at each connect."""

    topic: str
    payload: Callable[[], bytes]


def excerpt(text: str, longest: int = 80) -> str:
    """Escape what could move a cursor or end a line, and cut what is too long."""
    shown = printable(text[:longest])
    return shown if len(text) <= longest else f"{shown}... ({len(text)} characters)"


def excerpt_of_bytes(payload: bytes, longest: int = 80) -> str:
    """Show a payload: its text where it is UTF-8, escapes for the bytes that are not."""
    text = payload[: 4 * longest].decode("utf-8", "backslashreplace")
    shown = printable(text[:longest])
    return shown if len(payload) <= longest else f"{shown}... ({len(payload)} bytes)"


def backoff_s(failures: int, first_s: float, longest_s: float) -> float:
    """Give the wait after so many failures in a row: it doubles, up to the longest.

    The one backoff of all that is tried again: connections to the broker, mails, commands.

    >>> [backoff_s(failures, 10.0, 300.0) for failures in (1, 2, 5, 6, 10**6)]
    [10.0, 20.0, 160.0, 300.0, 300.0]
    """
    return min(first_s * 2.0 ** min(failures - 1, 60), longest_s)


KEEPALIVE_S = 15
RECEIVE_MAXIMUM = 4_000
"""How many messages the broker may send ahead of our acknowledgements. Measured with Mosquitto
2.0.11: it sends exactly as many as asked for (100, 1,000, 4,000 and 10,000 tried), 20 when not
asked, and keeps that many on top of its 1,000 queued ones. 4,000 are the readings of 50 sensors at
2 s for 160 s: many commits of 10 s, and a store that fails can be waited for; and at 72 to 79 bytes
a reading they are a commit of 0.3 MB."""
WINDOW_WITHOUT_MAXIMUM = 20
"""What a broker that can't be asked sends ahead; Mosquitto's default, and the lowest we know of."""
MAXIMUM_PACKET_BYTES = 512 * 1024
"""Larger packets the broker throws away (MQTT 5.0, 3.1.2.11.4), so that nobody can fill our memory.
Four times what is read of one: what is merely too long still comes, and is counted."""
MOST_UNCONFIRMED = 20
"""How many of ours may be on their way; beyond this the library would queue by itself."""


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
    key, path = "ca_file", settings.ca_file
    try:
        if settings.ca_file is None:
            context.load_default_certs()
        else:
            context.load_verify_locations(settings.ca_file)
        if settings.cert_file is not None:
            key, path = "cert_file", settings.cert_file
            context.load_cert_chain(settings.cert_file, settings.key_file)
    except OSError as error:
        reason = error.strerror or error
        raise ConfigError([f"[mqtt] {key} = {str(path)!r} can't be used: {reason}"]) from error
    return context


# Reason codes of MQTT 5.0 (2.4); those of 3.1.1 are brought to the same numbers by the library.
UNSUPPORTED_PROTOCOL = 0x84
KEEP_ALIVE_TIMEOUT = 0x8D
SESSION_TAKEN_OVER = 0x8E
PACKET_TOO_LARGE = 0x95
RECEIVE_MAXIMUM_EXCEEDED = 0x93
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
    PACKET_TOO_LARGE: "it found a packet of ours too large",
    0x97: "our quota with it is used up",
    0x9F: "it finds that we connect too often",
}


def of_code(code: ReasonCode) -> str:
    """Say a reason code that the broker gave."""
    return _ADVICE.get(code.value, f"its reason is: {excerpt(str(code))} ({code.value:#04x})")


def of_refused_version(configured: str, tried: str) -> str:
    """Say that the broker doesn't know a version of MQTT; with "auto" both are tried."""
    if configured != "auto":
        return f'it doesn\'t know MQTT {tried}; set protocol = "auto" in [mqtt]'
    if tried == "5":
        return "it doesn't know MQTT 5; 3.1.1 is tried next"
    return "it knows neither MQTT 5 nor 3.1.1; check host and port in [mqtt]"


def of_silence(settings: Mqtt) -> str:
    """Say that the broker closed the connection without a word."""
    if settings.tls and settings.cert_file is None:
        # A broker that speaks TLS 1.3 says so only after the handshake, and then closes.
        return (
            "it closed the connection after the TLS handshake; if it wants a client certificate,"
            " give cert_file and key_file in [mqtt], else check port and protocol"
        )
    return "it gave no answer; check port, tls and protocol in [mqtt]"


def of_error(error: Exception, ca_file: Path | None) -> str:
    """Say why no connection could be made; `ca_file` is what certificates are checked against."""
    match error:
        case ssl.SSLCertVerificationError():
            return certificate_sentence(error, ca_file)
        case ssl.SSLError():
            reason = error.reason or str(error)
            advice = "check tls and port in [mqtt]"
            if "CERTIFICATE_REQUIRED" in reason or "HANDSHAKE_FAILURE" in reason:
                advice = (
                    "if it wants a client certificate, give cert_file and key_file in [mqtt], else"
                    " check tls and port"
                )
            return f"TLS failed ({reason}); {advice}"
        case socket.gaierror():
            return f"its name can't be resolved ({error.strerror}); check host in [mqtt]"
        case ConnectionRefusedError():
            return "nobody listens there; check that it runs, and host and port in [mqtt]"
        case TimeoutError():
            return "it doesn't answer; check host and port in [mqtt]"
    return excerpt(getattr(error, "strerror", None) or f"{type(error).__name__}: {error}")


def certificate_sentence(error: ssl.SSLCertVerificationError, ca_file: Path | None) -> str:
    """Say why a certificate was refused and what would help, to go on after the server's name."""
    # The very clock that judged the certificate, not the watch's.
    clock = f"this machine's clock says {datetime.now(UTC):%Y-%m-%d}"
    match error.verify_code:  # X509_V_ERR_... of OpenSSL's x509_vfy.h
        case 9:  # NOT_YET_VALID
            return f"its certificate is not valid yet: {clock}; if that is wrong, set the clock"
        case 10:  # HAS_EXPIRED
            return (
                f"its certificate has expired: {clock}; if that is right, the server needs a new"
                " certificate"
            )
        case 2 | 18 | 19 | 20 | 21:  # the issuer is unknown, or the certificate is self-signed
            known = f"the authorities in {ca_file}" if ca_file else "the system's authorities"
            return (
                f"its certificate is signed by nobody among {known}; give the right authority's"
                " certificate as ca_file"
            )
        case 62 | 64:  # HOSTNAME_MISMATCH, IP_ADDRESS_MISMATCH
            return (
                f"its certificate is for another name ({error.verify_message}); write the name in"
                " the certificate as host"
            )
    return f"its certificate is refused: {error.verify_message}"

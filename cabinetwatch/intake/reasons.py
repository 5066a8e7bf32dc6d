"""Why a connection failed, as a sentence that says what to do."""

import socket
import ssl
from pathlib import Path

from paho.mqtt.reasoncodes import ReasonCode

from cabinetwatch.intake.certificate import certificate_sentence
from cabinetwatch.intake.excerpt import excerpt

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

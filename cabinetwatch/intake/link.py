"""The MQTT client library, set up the way the session needs it."""

import ssl
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from pydantic import SecretStr

from cabinetwatch.config.mqtt import Mqtt
from cabinetwatch.errors import ConfigError
from cabinetwatch.intake.message import Will
from cabinetwatch.intake.protocol import Protocol

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

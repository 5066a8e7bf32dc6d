"""An MQTT broker inside this process, on a free loopback port, for the demo and for small tests.

It speaks MQTT 3.1.1 only. A message that its receiver has not acknowledged within 5 s is dropped:
enough for a demonstration, not for a house.
"""

import asyncio
import logging
import threading
from types import TracebackType
from typing import Self

import paho.mqtt.client as mqtt
from amqtt.adapters import StreamReaderAdapter, StreamWriterAdapter
from amqtt.broker import Broker
from paho.mqtt.enums import CallbackAPIVersion

from cabinetwatch.demo.loop_thread import LoopThread

LOOPBACK = "127.0.0.1"
_LISTENER = "default"
_LOUD_LOGGERS = ("amqtt", "transitions")

# Without a user name a client counts as anonymous, and the broker forgets its session.
_CONFIG = {
    "listeners": {_LISTENER: {"type": "external"}},
    "plugins": {
        "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": False},
    },
}


class EmbeddedBroker:
    """A context manager: inside it a broker answers on `host` and `port`.

    Clients give any user name and no password. QoS 0 and 1, retained messages, wills and persistent
    sessions work; everything is forgotten at the end.
    """

    host = LOOPBACK

    def __init__(self) -> None:
        self.port = 0
        self._levels: dict[str, int] = {}

    def __enter__(self) -> Self:
        """Start and wait until a client was let in.

        Raises:
            OSError: no loopback port could be had.
            RuntimeError: the broker did not answer.
        """
        self._hush()
        self._thread = LoopThread("demo-broker")
        try:
            self.port = self._thread.call(self._start())
            _probe(self.host, self.port)
        except BaseException:
            self._thread.stop()
            self._unhush()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close every connection and stop."""
        try:
            self._thread.call(self._stop())
        finally:
            self._thread.stop()
            self._unhush()

    async def _start(self) -> int:
        self._broker = Broker(_CONFIG, loop=asyncio.get_running_loop())
        await self._broker.start()
        self._server = await asyncio.start_server(self._connected, self.host, 0)
        port: int = self._server.sockets[0].getsockname()[1]
        return port

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await self._broker.external_connected(
                StreamReaderAdapter(reader), StreamWriterAdapter(writer), _LISTENER
            )
        finally:
            writer.close()

    async def _stop(self) -> None:
        self._server.close()
        await self._broker.shutdown()

    def _hush(self) -> None:
        """Keep the broker's own log out of the demo; it reports every client that goes."""
        for name in _LOUD_LOGGERS:
            logger = logging.getLogger(name)
            self._levels[name] = logger.level
            logger.setLevel(logging.CRITICAL)

    def _unhush(self) -> None:
        for name, level in self._levels.items():
            logging.getLogger(name).setLevel(level)


def _probe(host: str, port: int, timeout_s: float = 10.0) -> None:
    """Connect as a client would and wait for the answer."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="demo-probe")
    client.username_pw_set("demo-probe")
    answered = threading.Event()
    client.on_connect = lambda *_: answered.set()
    client.connect(host, port)
    client.loop_start()
    try:
        if not answered.wait(timeout_s):
            raise RuntimeError(f"the embedded broker on {host}:{port} did not answer")
    finally:
        client.disconnect()
        client.loop_stop()

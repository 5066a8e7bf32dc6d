"""Free TCP ports on 127.0.0.1 for the servers of the tests."""

import os
import random
import re
import socket
import time
from collections.abc import Iterator

from tests.support.patience import WITHIN_S

# Below the range (from 32768 on Linux) out of which the system serves outgoing connections and
# bind(0): a port stays free while its server is down, and no client can connect to itself.
_LOWEST, _HIGHEST = 15000, 32000
_SHARES = 16
_BETWEEN_PROBES_S = 0.01


def _share() -> list[int]:
    """Give the ports of this process of the tests, in an order of its own.

    Workers that run side by side have ports apart, so that none takes a port between another's
    choosing it and listening on it, or while that one's server is down.
    """
    worker = re.search(r"\d+", os.environ.get("PYTEST_XDIST_WORKER", "gw0"))
    number = int(worker[0]) % _SHARES if worker else 0
    ports = list(range(_LOWEST + number, _HIGHEST, _SHARES))
    random.SystemRandom().shuffle(ports)
    return ports


def _endless() -> Iterator[int]:
    while True:
        yield from _share()


_ports = _endless()


def free_port() -> int:
    """Give a port of 127.0.0.1 on which nobody listens now, and that was not given lately."""
    for _ in range(200):
        port = next(_ports)
        with socket.socket() as candidate:
            try:
                candidate.bind(("127.0.0.1", port))
            except OSError:
                continue
        return port
    raise RuntimeError(f"no free port between {_LOWEST} and {_HIGHEST} on 127.0.0.1")


def is_listening(port: int) -> bool:
    """Whether something accepts connections on the port."""
    with socket.socket() as probe:
        probe.settimeout(WITHIN_S)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def probes() -> Iterator[None]:
    """Give turns to look whether a server is there, until it has had time enough."""
    until = time.monotonic() + WITHIN_S
    while time.monotonic() < until:
        yield
        time.sleep(_BETWEEN_PROBES_S)

"""Free TCP ports on 127.0.0.1 for the servers of the tests."""

import random
import socket
import time

# Below the range (from 32768 on Linux) out of which the system serves outgoing connections and
# bind(0): a port stays free while its server is down, and no client can connect to itself.
_LOWEST, _HIGHEST = 15000, 32000


def free_port() -> int:
    """Give a port of 127.0.0.1 on which nobody listens now."""
    system_random = random.SystemRandom()
    for _ in range(200):
        port = system_random.randint(_LOWEST, _HIGHEST)
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
        probe.settimeout(1.0)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def pause_between_probes() -> None:
    """Let a server that is starting have the processor before it is probed again."""
    time.sleep(0.01)

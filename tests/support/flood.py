"""A flood of readings: a process that publishes as fast as the broker takes it, or at a set rate.

    python -m tests.support.flood PORT COUNT RATE PAYLOAD

Writes MQTT 3.1.1 packets made beforehand straight to a socket, so that what is measured is the
broker and who reads from it, not a client library that publishes. It goes round 50 topics,
`flood/0` to `flood/49`. PAYLOAD is "number", the number of the message, or "warmth", a figure
between 20 and 30 that climbs and falls slowly. RATE (a second) 0 is as fast as it goes. Prints a
line when the first message goes out and another when the broker has taken the last.
"""

import select
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from tests.support.patience import WITHIN_S

TOPICS = 50
_SLICE = 200
_ROOT = Path(__file__).parents[2]


class Flood:
    """The process, as its parent sees it."""

    def __init__(self, port: int, count: int, rate: float = 0.0, payload: str = "number") -> None:
        arguments = [str(port), str(count), str(rate), payload]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.support.flood", *arguments],
            stdout=subprocess.PIPE,
            text=True,
            cwd=_ROOT,
        )
        self._line()
        self.began = time.monotonic()

    @property
    def seconds(self) -> float:
        """The seconds since the first message went out."""
        return time.monotonic() - self.began

    def wait(self) -> float:
        """Wait until the broker has taken all; give the seconds since the first went out."""
        self._line()
        took_s = self.seconds
        self._process.communicate(timeout=WITHIN_S)
        assert self._process.returncode == 0
        return took_s

    def close(self) -> None:
        """End it whatever it does."""
        self._process.kill()
        self._process.communicate(timeout=WITHIN_S)

    def _line(self) -> None:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "the flood has ended early"


def warmth(number: int) -> str:
    """Give a figure that climbs from 20 to 30 and falls again, by 0.01 every 20 rounds."""
    return f"{30 - abs(number // (20 * TOPICS) % 2000 - 1000) / 100:.2f}"


def publish_packet(number: int, payload_kind: str) -> bytes:
    """Give PUBLISH at QoS 1 (MQTT 3.1.1, 3.3) of one message of the flood."""
    topic = f"flood/{number % TOPICS}".encode()
    payload = (str(number) if payload_kind == "number" else warmth(number)).encode()
    packet_id = number % 65535 + 1
    body = len(topic).to_bytes(2, "big") + topic + packet_id.to_bytes(2, "big") + payload
    return bytes([0x32, len(body)]) + body


def connect(port: int) -> socket.socket:
    """Connect as a client without a session (MQTT 3.1.1, 3.1) and wait to be let in."""
    sock = socket.create_connection(("127.0.0.1", port))
    name = b"flood"
    body = b"\x00\x04MQTT\x04\x02\x00\x00" + len(name).to_bytes(2, "big") + name
    sock.sendall(bytes([0x10, len(body)]) + body)
    answer = sock.recv(4, socket.MSG_WAITALL)
    if answer[:2] != b"\x20\x02" or answer[3] != 0:
        raise ConnectionError(f"the broker answered {answer!r}")
    return sock


def pour(sock: socket.socket, packets: Sequence[bytes], rate: float) -> None:
    """Publish, and read the four bytes of each PUBACK, until the broker has taken all."""
    count = len(packets)
    size = max(1, round(rate / 100)) if rate else _SLICE
    slices = [b"".join(packets[start : start + size]) for start in range(0, count, size)]
    sock.setblocking(False)
    began = time.monotonic()
    waiting, sent, left = b"", 0, 4 * count
    while left > 0:
        if not waiting and sent < len(slices):
            due = not rate or time.monotonic() - began >= sent * size / rate
            if due:
                waiting, sent = slices[sent], sent + 1
        wait_s = 0.005 if rate and not waiting else 1.0
        readable, writable, _ = select.select([sock], [sock] if waiting else [], [], wait_s)
        if readable:
            answers = sock.recv(1 << 16)
            if not answers:
                raise ConnectionError("the broker has gone")
            left -= len(answers)
        if writable:
            waiting = waiting[sock.send(waiting) :]


def main(port: int, count: int, rate: float, payload: str) -> None:
    """Publish, and say when it begins and ends."""
    packets = [publish_packet(number, payload) for number in range(count)]
    sock = connect(port)
    print("begins", flush=True)
    pour(sock, packets, rate)
    print("taken", flush=True)
    sock.close()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]), sys.argv[4])

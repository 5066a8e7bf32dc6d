"""A flood of readings: a process that publishes as fast as the broker takes it, or at a set rate.

    python -m tests.support.flood PORT COUNT RATE PAYLOAD TOPICS

Writes MQTT 3.1.1 packets made beforehand straight to a socket, so that what is measured is the
broker and who reads from it, not a client library that publishes. It goes round so many topics,
from `flood/0` on. PAYLOAD is "number", the number of the message, or "warmth", a figure
between 20 and 30 that climbs and falls slowly. RATE (a second) 0 is as fast as it goes. COUNT 0 is
for ever, until a line on standard input says after how many it may end. Prints a line when the
first message goes out and another, with their number, when the broker has taken the last.
"""

import select
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.support.patience import WITHIN_S

TOPICS = 50
_SLICE = 200
_ROOT = Path(__file__).parents[2]


class Flood:
    """The process, as its parent sees it."""

    def __init__(
        self,
        port: int,
        count: int | None,
        rate: float = 0.0,
        payload: str = "number",
        topics: int = TOPICS,
    ) -> None:
        """Begin; with no `count` it goes on until `end`."""
        arguments = [str(port), str(count or 0), str(rate), payload, str(topics)]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.support.flood", *arguments],
            stdin=subprocess.PIPE,
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

    def end(self, at_least: int) -> int:
        """Let it end once so many have gone out; give how many it were, all taken."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{at_least}\n")
        self._process.stdin.flush()
        count = int(self._line().split()[1])
        self._process.communicate(timeout=WITHIN_S)
        assert self._process.returncode == 0
        return count

    def close(self) -> None:
        """End it whatever it does."""
        self._process.kill()
        self._process.communicate(timeout=WITHIN_S)

    def _line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "the flood has ended early"
        return line


def warmth(number: int) -> str:
    """Give a figure that climbs from 20 to 30 and falls again, by 0.01 every 20 rounds."""
    return f"{30 - abs(number // (20 * TOPICS) % 2000 - 1000) / 100:.2f}"


def publish_packet(number: int, payload_kind: str, topics: int) -> bytes:
    """Give PUBLISH at QoS 1 (MQTT 3.1.1, 3.3) of one message of the flood."""
    topic = f"flood/{number % topics}".encode()
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


def finite(packets: Sequence[bytes], size: int) -> Iterator[tuple[int, bytes]]:
    """Give all packets in slices, each with how many it holds."""
    for start in range(0, len(packets), size):
        part = packets[start : start + size]
        yield len(part), b"".join(part)


def endless(payload: str, size: int, topics: int) -> Iterator[tuple[int, bytes]]:
    """Give slices of packets until somebody has said how many will do."""
    told: list[int] = []
    threading.Thread(target=lambda: told.append(int(sys.stdin.readline())), daemon=True).start()
    number = 0
    while not told or number < told[0]:
        numbers = range(number, number + size)
        yield size, b"".join(publish_packet(each, payload, topics) for each in numbers)
        number += size


def pour(sock: socket.socket, slices: Iterator[tuple[int, bytes]], slices_a_second: float) -> int:
    """Publish, and read the four bytes of each PUBACK, until the broker has taken all; count."""
    sock.setblocking(False)
    began = time.monotonic()
    waiting, given, count, answered = b"", 0, 0, 0
    over = False
    while not over or waiting or answered < 4 * count:
        ahead_s = given / slices_a_second - (time.monotonic() - began) if slices_a_second else 0.0
        if not waiting and not over and ahead_s <= 0.0:
            size, waiting = next(slices, (0, b""))
            over = not waiting
            count, given = count + size, given + 1
        wait_s = 0.005 if not waiting and not over else 1.0
        readable, writable, _ = select.select([sock], [sock] if waiting else [], [], wait_s)
        if readable:
            answers = sock.recv(1 << 16)
            if not answers:
                raise ConnectionError("the broker has gone")
            answered += len(answers)
        if writable:
            waiting = waiting[sock.send(waiting) :]
    return count


def main(port: int, count: int, rate: float, payload: str, topics: int) -> None:
    """Publish, and say when it begins and ends."""
    size = max(1, round(rate / 100)) if rate else _SLICE
    packets = [publish_packet(number, payload, topics) for number in range(count)]
    slices = finite(packets, size) if count else endless(payload, size, topics)
    sock = connect(port)
    print("begins", flush=True)
    taken = pour(sock, slices, rate / size)
    print(f"taken {taken}", flush=True)
    sock.close()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]), sys.argv[4], int(sys.argv[5]))

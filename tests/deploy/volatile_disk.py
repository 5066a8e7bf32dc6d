"""A disk with a write cache that a power cut empties: an NBD server over an image file.

What the machine writes lies in the cache until it flushes, as in a drive or a card that says
"written" early. A power cut keeps of that what chance has put on the medium by then, in any order.
The protocol is NBD's fixed newstyle handshake with simple replies (the NBD project's
doc/proto.md).
"""

import random
import socket
import struct
import threading
from pathlib import Path
from typing import BinaryIO

from tests.support.patience import WITHIN_S

_BLOCK = 4096
_HELLO = b"NBDMAGIC" + b"IHAVEOPT" + struct.pack(">H", 0b11)  # fixed newstyle, no zeroes
_OPTION_GO = 7
_REPLY_MAGIC = 0x3E889045565A9
_ACK, _INFO, _UNSUPPORTED = 1, 3, 0x80000001
_CAN_FLUSH_AND_FUA = 0b1101  # flags are there, FLUSH, FUA
_READ, _WRITE, _LEAVE, _FLUSH = range(4)
_FUA = 1
_IO_ERROR = 5


class VolatileDisk:
    """Serves one image over a socket to one machine at a time."""

    def __init__(self, image: Path, address: Path, seed: int) -> None:
        self.address = address
        self.lost_blocks = 0
        self._file: BinaryIO = image.open("r+b", buffering=0)
        self._size = image.stat().st_size
        self._cache: dict[int, bytes] = {}
        self._random = random.Random(seed)
        self._one_at_a_time = threading.Lock()
        self._unplugged = threading.Event()
        self._unplugged.set()
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.bind(str(address))
        self._socket.listen()
        threading.Thread(target=self._serve, name="volatile-disk", daemon=True).start()

    def cut(self) -> int:
        """Lose what was not flushed, but for what chance has written; give how many blocks.

        The machine is off: what it has sent by then arrives before.
        """
        if not self._unplugged.wait(WITHIN_S):
            raise TimeoutError("the disk is still in use")
        with self._one_at_a_time:
            waiting = list(self._cache.items())
            # From nothing to nearly all: each cut its own share.
            kept = self._random.random() ** 2
            lost = 0
            for number, block in waiting:
                if self._random.random() < kept:
                    self._to_medium(number, block)
                else:
                    lost += 1
            self._cache.clear()
            self.lost_blocks += lost
            return lost

    def settle(self) -> None:
        """Write what is in the cache, as a disk does that has power and time."""
        with self._one_at_a_time:
            self._flush()

    def close(self) -> None:
        """Serve no more."""
        self._socket.close()
        with self._one_at_a_time:
            self._file.close()

    def _serve(self) -> None:
        while True:
            try:
                machine, _ = self._socket.accept()
            except OSError:
                return
            self._unplugged.clear()
            with machine, machine.makefile("rb") as asked:
                try:
                    self._agree(machine, asked)
                    while self._answer(machine, asked):
                        pass
                except (OSError, struct.error, ValueError):
                    # The machine is gone, amid a word perhaps; the next one connects anew.
                    pass
            self._unplugged.set()

    def _agree(self, machine: socket.socket, asked: BinaryIO) -> None:
        """Lead the handshake up to the choice of the one export there is."""
        machine.sendall(_HELLO)
        asked.read(4)
        while True:
            _, option, length = struct.unpack(">QII", asked.read(16))
            asked.read(length)
            if option != _OPTION_GO:
                machine.sendall(struct.pack(">QIII", _REPLY_MAGIC, option, _UNSUPPORTED, 0))
                continue
            info = struct.pack(">HQH", 0, self._size, _CAN_FLUSH_AND_FUA)
            machine.sendall(struct.pack(">QIII", _REPLY_MAGIC, option, _INFO, len(info)) + info)
            machine.sendall(struct.pack(">QIII", _REPLY_MAGIC, option, _ACK, 0))
            return

    def _answer(self, machine: socket.socket, asked: BinaryIO) -> bool:
        _, flags, kind, cookie, offset, length = struct.unpack(">IHHQQI", asked.read(28))
        given = asked.read(length) if kind == _WRITE else b""
        if kind == _LEAVE or (kind == _WRITE and len(given) < length):
            return False
        content, error = b"", 0
        with self._one_at_a_time:
            if kind == _READ:
                content = self._read(offset, length)
            elif kind == _WRITE:
                self._write(offset, given, through=bool(flags & _FUA))
            elif kind == _FLUSH:
                self._flush()
            else:
                error = _IO_ERROR
        machine.sendall(struct.pack(">IIQ", 0x67446698, error, cookie) + content)
        return True

    def _block(self, number: int) -> bytes:
        cached = self._cache.get(number)
        if cached is not None:
            return cached
        self._file.seek(number * _BLOCK)
        return self._file.read(_BLOCK)

    def _read(self, offset: int, length: int) -> bytes:
        first, last = offset // _BLOCK, (offset + length - 1) // _BLOCK
        numbers = range(first, last + 1)
        if self._cache.keys().isdisjoint(numbers):
            self._file.seek(offset)
            return self._file.read(length)
        start = offset - first * _BLOCK
        return b"".join(self._block(number) for number in numbers)[start : start + length]

    def _write(self, offset: int, content: bytes, *, through: bool) -> None:
        place = 0
        while place < len(content):
            number, start = divmod(offset + place, _BLOCK)
            part = content[place : place + _BLOCK - start]
            place += len(part)
            if len(part) < _BLOCK:
                whole = self._block(number)
                part = whole[:start] + part + whole[start + len(part) :]
            if through:
                self._cache.pop(number, None)
                self._to_medium(number, part)
            else:
                self._cache[number] = part

    def _flush(self) -> None:
        for number, block in self._cache.items():
            self._to_medium(number, block)
        self._cache.clear()

    def _to_medium(self, number: int, block: bytes) -> None:
        self._file.seek(number * _BLOCK)
        self._file.write(block)

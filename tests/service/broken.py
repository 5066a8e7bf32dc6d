"""The daemon with one fault put in on purpose, to show that the tests of kills would find it.

python -m tests.service.broken FAULT run --config FILE
"""

import sys
from collections.abc import Callable

from cabinetwatch.cli.main import main
from cabinetwatch.mqtt.backlog import Repeats
from cabinetwatch.mqtt.decoding import Decoded, Decoder
from cabinetwatch.service.store_loop import StoreLoop
from cabinetwatch.store.records import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.thermal.device import DeviceObserver


def know_no_repeats() -> None:
    """Take every message for a new one."""
    Repeats.is_repeat = lambda self, message: False  # type: ignore[method-assign]


def acknowledge_early() -> None:
    """Tell the broker that a message is kept before it is."""
    put = StoreLoop.put

    def put_acknowledged(self: StoreLoop, work: Batch) -> None:
        self._acknowledge(work.take_receipts(len(work.receipts)))
        put(self, work)

    StoreLoop.put = put_acknowledged  # type: ignore[method-assign]


def forget_outbox() -> None:
    """Remember only in memory which notices wait."""
    Store.waiting = lambda self: []  # type: ignore[method-assign]


def stumble() -> None:
    """Fail at one value that is judged, and at one payload that is read."""
    judge, read = DeviceObserver.observe_temperature, Decoder.decode

    def judge_or_fail(self: DeviceObserver, t_ms: int, temperature_c: float) -> bool:
        if temperature_c == STUMBLES_AT:
            raise ZeroDivisionError("float division by zero")
        return judge(self, t_ms, temperature_c)

    def read_or_fail(self: Decoder, topic: str, payload: bytes, arrived_utc_ms: int) -> Decoded:
        if payload == STUMBLES_OVER:
            raise RuntimeError("nobody has foreseen this")
        return read(self, topic, payload, arrived_utc_ms)

    DeviceObserver.observe_temperature = judge_or_fail  # type: ignore[method-assign]
    Decoder.decode = read_or_fail  # type: ignore[method-assign]


STUMBLES_AT = 41.375
STUMBLES_OVER = b"\xff stumble \n over this"

FAULTS: dict[str, Callable[[], None]] = {
    "knows-no-repeats": know_no_repeats,
    "acknowledges-early": acknowledge_early,
    "forgets-outbox": forget_outbox,
    "stumbles": stumble,
}

if __name__ == "__main__":
    FAULTS[sys.argv[1]]()
    sys.exit(main(sys.argv[2:]))

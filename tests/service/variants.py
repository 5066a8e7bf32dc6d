"""The program with one thing changed on purpose: a fault to be found, a part that hangs, haste.

python -m tests.service.variants CHANGE run --config FILE
"""

import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from cabinetwatch.cli import services
from cabinetwatch.cli.main import main
from cabinetwatch.mqtt.backlog import Repeats
from cabinetwatch.mqtt.decoding import Decoded, Decoder
from cabinetwatch.mqtt.session import MqttSession
from cabinetwatch.notify.delivery import Delivery
from cabinetwatch.service import daemon, delivery_loop
from cabinetwatch.service.engine_loop import EngineLoop
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
        # Long enough that a kill finds what is acknowledged and not kept, however the machine does.
        time.sleep(0.3)
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

PLACES: dict[str, tuple[type, str]] = {
    "network": (MqttSession, "_turn"),
    "engine": (EngineLoop, "_round"),
    "store": (Store, "take_commands"),
    "delivery": (Delivery, "step"),
}
"""The parts that must make progress, and where each comes by again and again."""


def hang(part: str) -> None:
    """Let a part stand still there while a file named `hang` lies beside the configuration.

    What a part may stand still for is a second and a half then, and an idle delivery turns more
    often.
    """
    owner, name = PLACES[part]
    original: Callable[..., Any] = getattr(owner, name)
    sign = Path(sys.argv[-1]).with_name("hang")

    def wait_and_go_on(*arguments: Any, **options: Any) -> Any:
        while sign.exists():
            time.sleep(0.01)
        return original(*arguments, **options)

    setattr(owner, name, wait_and_go_on)
    for limit in ("NETWORK_S", "ENGINE_S", "STORE_S", "ATTEMPT_S"):
        setattr(daemon, limit, 1.5)
    delivery_loop._LOOK_AT_LEAST_EVERY_MS = 200


def guard_in_haste() -> None:
    """Let the guard take a time shorter than two heartbeats."""
    services.SHORTEST_S = 0.0


CHANGES: dict[str, Callable[[], None]] = {
    "knows-no-repeats": know_no_repeats,
    "acknowledges-early": acknowledge_early,
    "forgets-outbox": forget_outbox,
    "stumbles": stumble,
    "guards-in-haste": guard_in_haste,
    **{f"hangs-in-{part}": partial(hang, part) for part in PLACES},
}

if __name__ == "__main__":
    CHANGES[sys.argv[1]]()
    sys.exit(main(sys.argv[2:]))

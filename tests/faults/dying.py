"""The daemon with one thread that dies as soon as it has something to do.

python -m tests.faults.dying THREAD run --config FILE
"""

import sys
from typing import Any, NoReturn

from cabinetwatch.cli.main import main
from cabinetwatch.mqtt.connection import Connection
from cabinetwatch.service.delivery_loop import DeliveryLoop, SummaryLoop
from cabinetwatch.service.engine_loop import EngineLoop
from cabinetwatch.service.store_loop import StoreLoop

WORK: dict[str, tuple[type, str]] = {
    "network": (Connection, "work"),
    "engine": (EngineLoop, "_round"),
    "store": (StoreLoop, "_commit"),
    "delivery": (DeliveryLoop, "run"),
    "summary": (SummaryLoop, "run"),
}
"""Each thread, and what it does."""


def die(*_: Any, **__: Any) -> NoReturn:
    """Fail in a way that nobody has foreseen."""
    raise RuntimeError("a fault that nobody has foreseen")


if __name__ == "__main__":
    owner, name = WORK[sys.argv[1]]
    setattr(owner, name, die)
    sys.exit(main(sys.argv[2:]))

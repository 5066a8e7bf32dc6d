"""The daemon with one part that stands still for as long as a file named `hang` exists.

python -m tests.service.hanging PART run --config FILE

What a part may stand still for is a second and a half here, and an idle delivery turns more often.
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cabinetwatch.cli.main import main
from cabinetwatch.mqtt.session import MqttSession
from cabinetwatch.notify.delivery import Delivery
from cabinetwatch.service import daemon, delivery_loop
from cabinetwatch.service.engine_loop import EngineLoop
from cabinetwatch.store.store import Store

LIMIT_S = 1.5
PLACES: dict[str, tuple[type, str]] = {
    "network": (MqttSession, "_turn"),
    "engine": (EngineLoop, "_round"),
    "store": (Store, "take_commands"),
    "delivery": (Delivery, "step"),
}


def hang_in(part: str, while_exists: Path) -> None:
    """Let a part wait wherever it next comes by."""
    owner, name = PLACES[part]
    original: Callable[..., Any] = getattr(owner, name)

    def wait_and_go_on(*arguments: Any, **options: Any) -> Any:
        while while_exists.exists():
            time.sleep(0.01)
        return original(*arguments, **options)

    setattr(owner, name, wait_and_go_on)


if __name__ == "__main__":
    hang_in(sys.argv[1], Path(sys.argv[-1]).with_name("hang"))
    for limit in ("NETWORK_S", "ENGINE_S", "STORE_S", "ATTEMPT_S"):
        setattr(daemon, limit, LIMIT_S)
    delivery_loop._LOOK_AT_LEAST_EVERY_MS = 200
    sys.exit(main(sys.argv[2:]))

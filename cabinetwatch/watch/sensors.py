"""What the engine knows of one sensor: its present value, and whether that can still be trusted."""

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from cabinetwatch.config.sensors import Sensor

if TYPE_CHECKING:
    from cabinetwatch.watch.alarm import Alarm

SETTLE_AFTER_BOOT_MS = 300_000
"""Broker, radio and nodes come up slowly after a power cut: no silence before this age of boot."""


Feed = Callable[[int, float], None]
"""An observer, handed each live reading of a sensor: watch time (ms), value (SI, corrected)."""


class SensorView:
    """The present of one sensor.

    `value` is the last known value (SI, offset applied), NaN before the first. `good` says that it
    is live and fresh: heard within `silence_ms` and without a fault; only then is it judged.
    `silent` says that it has been missing for so long, on a watch that was online, that somebody
    should hear of it. `last_live_t` and `t` are watch time (ms); `heard_t` is when the last live
    reading was judged, up to the lateness after its own time: silence counts from there.
    """

    __slots__ = (
        "feeds",
        "good",
        "heard_t",
        "id",
        "judged",
        "last_live_t",
        "offset",
        "quantity",
        "silence",
        "silence_ms",
        "silent",
        "stale",
        "t",
        "value",
        "watchers",
    )

    def __init__(self, sensor_id: str, config: Sensor, order: int) -> None:
        self.id = sensor_id
        self.quantity = config.quantity
        self.offset = config.offset
        self.silence_ms = _silence_ms(config)
        self.value = math.nan
        self.t = 0
        self.last_live_t: int | None = None
        self.heard_t: int | None = None
        self.good = False
        self.silent = False
        self.feeds: tuple[Feed, ...] = ()
        self.judged: tuple[Alarm, ...] = ()
        """Alarms to judge on each live reading."""
        self.watchers: tuple[Alarm, ...] = ()
        """Alarms to judge when `good` or `silent` changes."""
        self.stale = StaleDeadline(self, order)
        self.silence = SilenceDeadline(self, order + 1)

    @property
    def known(self) -> bool:
        """Whether there is any value, however old."""
        return not math.isnan(self.value)

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {
            "value": self.value if self.known else None,
            "t": self.t,
            "last_live_t": self.last_live_t,
            "heard_t": self.heard_t,
            "good": self.good,
            "silent": self.silent,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self.value = math.nan if state["value"] is None else state["value"]
        self.t = state["t"]
        self.last_live_t = state["last_live_t"]
        self.heard_t = state["heard_t"]
        self.good = state["good"]
        self.silent = state["silent"]


def _silence_ms(config: Sensor) -> int | None:
    """Give how long a sensor may be missing; None for one that speaks only when it changes."""
    if config.interval_s is None:
        return None
    return round(config.interval_s * config.silent_after * 1000)


class StaleDeadline:
    """When the last live value becomes too old to be judged."""

    def __init__(self, sensor: SensorView, order: int) -> None:
        self.sensor = sensor
        self.order = order

    @property
    def due(self) -> int | None:
        """One silence after the last live reading; None when already stale or never heard."""
        sensor = self.sensor
        if not sensor.good or sensor.heard_t is None or sensor.silence_ms is None:
            return None
        return sensor.heard_t + sensor.silence_ms


class SilenceDeadline:
    """When a missing sensor is to be told as silent.

    `online_t` is when the watch came online, None while it is not: nothing is silent then.
    """

    def __init__(self, sensor: SensorView, order: int) -> None:
        self.sensor = sensor
        self.order = order
        self.online_t: int | None = None
        self.not_before_t = 0

    @property
    def due(self) -> int | None:
        """One silence after the last live reading or after the watch came online, if later."""
        sensor = self.sensor
        if self.online_t is None or sensor.silent or sensor.silence_ms is None:
            return None
        heard_t = self.online_t if sensor.heard_t is None else sensor.heard_t
        return max(max(heard_t, self.online_t) + sensor.silence_ms, self.not_before_t)

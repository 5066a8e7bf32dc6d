"""For how long the last known value of a power sensor stands for the load."""

from typing import TYPE_CHECKING

from cabinetwatch.watch.sensors import SensorView

if TYPE_CHECKING:
    from cabinetwatch.watch.devices import DeviceView

POWER_HOLD_MS = 600_000
"""How long the last known load holds when a power sensor is silent."""


class PowerHold:
    """Until when the last known value of a power sensor stands for the load of a device."""

    def __init__(self, device: "DeviceView", sensor: SensorView, order: int) -> None:
        self.device = device
        self.sensor = sensor
        self.order = order
        self.lapsed = False

    @property
    def holds(self) -> bool:
        """Whether the value may still be used."""
        sensor = self.sensor
        return sensor.taken_t is not None and (sensor.good or not self.lapsed)

    @property
    def due(self) -> int | None:
        """When a value that has gone stale stops standing for the load."""
        sensor = self.sensor
        if sensor.good or self.lapsed or sensor.taken_t is None:
            return None
        return sensor.taken_t + POWER_HOLD_MS

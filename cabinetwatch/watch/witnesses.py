"""Which temperatures should move together: the witnesses against a sensor that stands still."""

from collections.abc import Mapping

from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.frozen import FrozenWatch, Witness
from cabinetwatch.watch.sensors import SensorView

MOVED_K = 2.0
"""How far what drives a device's temperature must move before that has to move too."""

NEIGHBOUR_MOVED_K = 4.0
"""The same for the neighbours of an ambient, which also move by their own load: our choice."""


def watch_for_standing_still(
    sensors: Mapping[str, SensorView], devices: Mapping[str, DeviceView]
) -> None:
    """Give each temperature of a device, and each ambient, a watch with its witnesses.

    A device's temperature is driven by the ambient as it feels it and by its load. An ambient that
    is no device's own temperature has the devices in it as witnesses, and all of them must move.
    """
    for sensor in sensors.values():
        driven = [d for d in devices.values() if d.temperature is sensor and d.ambient is not None]
        within = [device for device in devices.values() if device.ambient is sensor]
        if driven:
            sensor.frozen = FrozenWatch([_driver(device) for device in driven], MOVED_K)
        elif within:
            witnesses = [_temperature(device.temperature) for device in within]
            sensor.frozen = FrozenWatch(witnesses, NEIGHBOUR_MOVED_K)


def _driver(device: DeviceView) -> Witness:
    def driver_c() -> tuple[int, float] | None:
        figures = device.heading
        if figures is None:
            return None
        if figures.power_w is None or figures.normal_rise_k is None:
            return 1, figures.felt_ambient_c
        reckoning = device.observer.learning.learnt_ms or 2
        return reckoning, figures.felt_ambient_c + figures.normal_rise_k

    return driver_c


def _temperature(sensor: SensorView) -> Witness:
    def temperature_c() -> tuple[int, float] | None:
        return (1, sensor.value) if sensor.good else None

    return temperature_c

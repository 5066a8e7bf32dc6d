"""What conditions on the settled rise have in common: which sensors they follow."""

from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.sensors import SensorView


def heading_inputs(device: DeviceView) -> tuple[SensorView, ...]:
    """Give every sensor whose reading can complete a step of the device's observer."""
    ambient = () if device.ambient is None else (device.ambient,)
    return (device.temperature, *ambient, *device.powers)


def heading_watched(device: DeviceView) -> tuple[SensorView, ...]:
    """Give the sensors without which there is no rise."""
    return (device.temperature,) + (() if device.ambient is None else (device.ambient,))

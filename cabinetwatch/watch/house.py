"""The engine's picture of everything it watches: sensors, devices, the watch itself."""

from dataclasses import dataclass

from cabinetwatch.config.model import Config
from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.site import SiteView
from cabinetwatch.watch.witnesses import watch_for_standing_still

_ORDERS_A_SENSOR = 2


@dataclass(frozen=True, slots=True)
class House:
    """All views of one configuration. `next_order` is free for whoever needs deadlines next."""

    config: Config
    sensors: dict[str, SensorView]
    devices: dict[str, DeviceView]
    site: SiteView
    next_order: int

    @classmethod
    def build(cls, config: Config) -> "House":
        """Make the views that a configuration asks for, with nothing heard yet."""
        sensors = {
            sensor_id: SensorView(sensor_id, config, rank * _ORDERS_A_SENSOR)
            for rank, sensor_id in enumerate(sorted(config.sensors))
        }
        next_order = len(sensors) * _ORDERS_A_SENSOR
        devices: dict[str, DeviceView] = {}
        for device_id, device in sorted(config.devices.items()):
            devices[device_id] = DeviceView(
                device_id,
                device,
                config.name_of(device_id),
                config.site,
                sensors,
                order=next_order,
                false_alarms_per_year=_rate(config, "cooling-loss", device_id),
                false_missing_per_year=_rate(config, "rise-missing", device_id),
            )
            next_order += len(device.power)  # a deadline for each
        for device_id, view in devices.items():
            view.enclosing = [devices[outer] for outer in config.enclosing(device_id)]
            for around in view.enclosing:
                around.enclosed.append(view)
        watch_for_standing_still(sensors, devices)
        return cls(config, sensors, devices, SiteView(config.site.name), next_order)

    def device_measured_by(self, sensor: SensorView) -> DeviceView | None:
        """Give the device whose temperature a sensor is, if any."""
        for device in self.devices.values():
            if device.temperature is sensor:
                return device
        return None


def _rate(config: Config, condition: str, device_id: str) -> float:
    """Give the false alarms a year that the device's sequential test is made for."""
    settings = config.alarm(condition, device_id)
    return float(getattr(settings, "false_alarms_per_year"))  # noqa: B009 - the condition's own key

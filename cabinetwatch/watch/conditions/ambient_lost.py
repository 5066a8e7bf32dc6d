"""`ambient-lost`: the ambient reference of a device can't be trusted, so its rise is unknown."""

from collections.abc import Iterable
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.watch.conditions.base import DeviceCondition
from cabinetwatch.watch.conditions.faulty import BlindSettings, hold_s
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.wording import celsius


class AmbientLostSettings(BlindSettings):
    """Keys of `[alarms.ambient-lost]`."""

    priority: str | None = "high"


class AmbientLost(DeviceCondition):
    """Raised when the device's ambient sensor is silent, stuck or implausible."""

    name = "ambient-lost"
    Settings = AmbientLostSettings
    # With the sensor back the rise is known, and judged, however long it takes to be trusted.
    hides_while_held = False
    tells_silence = True
    likely = "The ambient sensor or its node has lost power or radio, or has come off."
    response = (
        "Bring the ambient sensor back. Until then only limits on the device's own temperature"
        " guard it, where it has any: a lost fan is seen later than usual, or not at all."
    )

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Devices with an ambient reference."""
        return [name for name, device in config.devices.items() if device.ambient is not None]

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """No value changes it, only coming and going."""
        return ()

    @property
    def watched(self) -> tuple[SensorView, ...]:
        """The ambient sensor."""
        return () if self.device.ambient is None else (self.device.ambient,)

    @property
    def off_delay_s(self) -> float:
        """As long as its sensor's own faults take to return."""
        return hold_s(self.settings, self.device.ambient)

    @property
    def cause(self) -> str:
        """One dead sensor is one notice, however many devices it serves."""
        return f"ambient/{self._sensor_id()}"

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the sensor."""
        del t, active
        ambient = self.device.ambient
        return ambient is not None and (ambient.silent or ambient.stuck or ambient.implausible)

    def began(self, pending_t: int) -> int:
        """It began with the sensor's last reading, or the first of those that can't be true."""
        ambient = self.device.ambient
        if ambient is None or ambient.last_live_t is None:
            return pending_t
        if ambient.stuck and ambient.frozen is not None:
            return ambient.frozen.since_t
        if ambient.implausible:
            return ambient.screen.since_ms
        return ambient.last_live_t

    def seen(self) -> str:
        """Say which sensor, and what can't be known."""
        ambient = self.device.ambient
        return (
            f"{self.device.name} has lost its ambient reference: {self._sensor_name()} is"
            f" {_fault(ambient)}, so {self._unknown()} known; {self._guard()}."
        )

    def _unknown(self) -> str:
        device = self.device.config
        if device.derating and device.derating_air == "ambient":
            return "neither its rise nor its derating margin can be"
        return "its rise can't be"

    def _guard(self) -> str:
        """Say what goes on guarding the device: nobody may rely on a limit that isn't there."""
        device = self.device.config
        has_curve = device.derating and device.derating_air == "device"
        has_limit = self.house.config.sensors[device.temperature].high is not None
        if has_curve or has_limit:
            return "its temperature is still watched"
        return "no limit guards it until that is back"

    def gone(self) -> str:
        """Say that it is back."""
        ambient_c = self.device.ambient_c
        now = "" if ambient_c is None else f" and reads {celsius(ambient_c)}"
        return f"{self.device.name}: its ambient reference {self._sensor_name()} is back{now}."

    def values(self) -> dict[str, Any]:
        """The device's figures and the sensor's name."""
        return super().values() | {"ambient_sensor": self._sensor_id()}

    def _sensor_name(self) -> str:
        return "" if self.device.ambient is None else self.device.ambient.name

    def _sensor_id(self) -> str:
        return "" if self.device.ambient is None else self.device.ambient.id


def _fault(ambient: SensorView | None) -> str:
    """Say what is wrong with a sensor."""
    if ambient is None:
        return "not there"
    last = f" (last reading {celsius(ambient.value)})" if ambient.known else ""
    if ambient.implausible and ambient.wild_value is not None:
        return f"implausible (it reads {celsius(ambient.wild_value)})"
    if ambient.stuck:
        return f"stuck{last.replace('last reading', 'at')}"
    return f"silent{last}"

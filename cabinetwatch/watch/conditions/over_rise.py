"""`over-rise`: the rise above ambient is larger than the limit set for the device."""

from collections.abc import Iterable
from typing import Any

from pydantic import Field

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.config.model import Config
from cabinetwatch.watch.conditions.base import NOT_YET_BACK, HeadingCondition, beyond
from cabinetwatch.watch.wording import celsius, kelvin


class OverRiseSettings(AlarmSettings):
    """Keys of `[alarms.over-rise]`."""

    priority: str | None = "medium"
    on_delay_s: float = 60.0
    off_delay_s: float = 60.0
    deadband_k: float = Field(
        1.0, description="the K, 0 or more, back from the setpoint at which it returns"
    )


class OverRise(HeadingCondition):
    """Raised when the rise, against ambient as the device feels it, is above `max_rise_k`."""

    name = "over-rise"
    Settings = OverRiseSettings
    settings: OverRiseSettings
    likely = "Less cooling than before (a fan, dust, a covered vent), or more load."
    response = (
        "See that every fan turns and that intake and outlet are free of dust and padding; if the"
        " load has grown for good, prove the cooling again and set max_rise_k anew."
    )

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Devices with an ambient reference and a limit."""
        return [
            device_id
            for device_id, device in config.devices.items()
            if device.ambient is not None and device.max_rise_k is not None
        ]

    @property
    def limit_k(self) -> float:
        """The configured limit."""
        return self.device.config.max_rise_k or 0.0

    def judge(self, t: int, active: bool) -> bool | None:
        """Compare; unknown while either sensor is."""
        del t
        rise_k = self.device.rise_k
        if rise_k is None:
            return None
        return beyond(rise_k, self.limit_k, self.settings.deadband_k, active=active)

    def seen(self) -> str:
        """Say by how much."""
        rise_k = self.device.rise_k
        if rise_k is None:
            return f"{self._present()}; it was last seen above the {kelvin(self.limit_k)} allowed."
        above = "above" if rise_k > self.limit_k else NOT_YET_BACK
        return f"{self._present()}, {above} the {kelvin(self.limit_k)} allowed."

    def gone(self) -> str:
        """Say where it is now."""
        return f"{self._present()}, within the {kelvin(self.limit_k)} allowed."

    def _present(self) -> str:
        device = self.device
        rise_k, temperature_c, ambient_c = device.rise_k, device.temperature_c, device.ambient_c
        if rise_k is None or temperature_c is None or ambient_c is None:
            return f"{device.name}: its rise is not known now"
        return (
            f"{device.name} runs {kelvin(rise_k)} above the air it feels"
            f" ({celsius(temperature_c)}, ambient now {celsius(ambient_c)})"
        )

    def values(self) -> dict[str, Any]:
        """The device's figures and the limit."""
        return super().values() | {"max_rise_k": self.limit_k}

"""`over-derating`: the air is warmer than the derating curve allows at the present load."""

import math
from collections.abc import Iterable

from pydantic import Field

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.config.model import Config
from cabinetwatch.watch.conditions.base import NOT_YET_BACK, DeviceCondition, beyond
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.wording import celsius, kelvin, percent


class OverDeratingSettings(AlarmSettings):
    """Keys of `[alarms.over-derating]`."""

    priority: str | None = "high"
    on_delay_s: float = 60.0
    off_delay_s: float = 60.0
    deadband_k: float = Field(
        1.0, description="the K, 0 or more, back from the setpoint at which it returns"
    )


class OverDerating(DeviceCondition):
    """Raised when the temperature of the curve's air is above the derating threshold."""

    name = "over-derating"
    Settings = OverDeratingSettings
    settings: OverDeratingSettings
    ends_a_trial = True
    likely = (
        "It runs hotter than its maker allows at this load: lost cooling, more load, or hotter"
        " air around it."
    )
    response = (
        "Take load off or switch the device off now. Then give it air: open the cabinet, see that"
        " every fan turns and no vent is covered. Undo the last change of cooling."
    )

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Devices with a derating curve."""
        return [device_id for device_id, device in config.devices.items() if device.derating]

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """The air that the curve speaks of, and the load."""
        air = self.device.air
        return (() if air is None else (air,)) + self.device.powers

    @property
    def cause(self) -> str:
        """Air around it that is too hot is an event of the device that encloses it, if one does."""
        enclosing = self.house.config.enclosing(self.subject)
        by_ambient = self.device.config.derating_air == "ambient"
        return f"device/{enclosing[0]}" if by_ambient and enclosing else super().cause

    def judge(self, t: int, active: bool) -> bool | None:
        """Compare; unknown while the air's temperature is."""
        del t
        air_c, threshold_c = self.device.air_c, self.device.threshold_c
        if air_c is None or threshold_c is None:
            return None
        return beyond(air_c, threshold_c, self.settings.deadband_k, active=active)

    def seen(self) -> str:
        """Say by how much it is above."""
        device = self.device
        if device.margin_k is None or device.air_c is None or device.threshold_c is None:
            return f"{device.name} was last seen above its derating threshold."
        if math.isinf(device.threshold_c):
            return (
                f"{device.name} draws {percent(device.load_fraction or 1.0)} of its rated load,"
                " more than its derating curve allows at any temperature."
            )
        is_back = device.margin_k >= 0
        where = NOT_YET_BACK if is_back else f"{kelvin(-device.margin_k)} above"
        return (
            f"{device.name}: {self._air()} is at {celsius(device.air_c)}, {where} its derating"
            f" threshold of {celsius(device.threshold_c)} at {self._load()}."
        )

    def gone(self) -> str:
        """Say how much margin there is again."""
        device = self.device
        if device.margin_k is None or device.air_c is None or device.threshold_c is None:
            return f"{device.name} is no longer above its derating threshold."
        return (
            f"{device.name}: {self._air()} is back to {celsius(device.air_c)},"
            f" {kelvin(device.margin_k)} below its derating threshold of"
            f" {celsius(device.threshold_c)} at {self._load()}."
        )

    def _air(self) -> str:
        return "the air around it" if self.device.config.derating_air == "ambient" else "its air"

    def _load(self) -> str:
        load = self.device.load_fraction
        if load is not None:
            held = ", as last known" if self.device.power_is_old else ""
            return f"{percent(load)} load{held}"
        if self.device.powers and self.device.config.rated_power_w is not None:
            return "full load, taken so because its power is not known now"
        return "full load"

"""`silent`: a sensor has not been heard for several of its intervals."""

from typing import Any

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.watch.conditions.faulty import BlindSensorCondition
from cabinetwatch.watch.wording import quantity


class SilentSettings(AlarmSettings):
    """Keys of `[alarms.silent]`; without a priority: high for a device's temperature."""


class Silent(BlindSensorCondition):
    """Raised when no live reading came for `silent_after` intervals while the broker was there."""

    name = "silent"
    Settings = SilentSettings
    likely = (
        "The node has lost power or radio, its battery is flat, or the probe has come off; the"
        " clock of a node that dates its readings itself may be wrong."
    )
    response = (
        "See that the sensor node has power and reaches the network; look at what it publishes with"
        " cabinetwatch listen."
    )

    @property
    def cause(self) -> str:
        """Sensors of one topic sit on one node: its silence is one notice."""
        return f"node/{self.house.config.sensors[self.subject].topic}"

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the silence that the sensor's deadlines find."""
        del t, active
        return self.sensor.silent

    def began(self, pending_t: int) -> int:
        """It began with the last reading."""
        return pending_t if self.sensor.last_live_t is None else self.sensor.last_live_t

    def seen(self) -> str:
        """Say what is missing and what that blinds."""
        if self.sensor.last_live_t is None:
            return f"{self.called} has not been heard from since the watch came online{self.so()}."
        last = quantity(self.sensor.value, self.sensor.quantity)
        return f"{self.called} has fallen silent{self.so()}; its last reading was {last}."

    def gone(self) -> str:
        """Say that it is back."""
        if not self.sensor.known:
            return f"{self.called} is heard again."
        value = quantity(self.sensor.value, self.sensor.quantity)
        return f"{self.called} is heard again and reads {value}."

    def values(self) -> dict[str, Any]:
        """The last value, and after how long it counts as silent."""
        silence_ms = self.sensor.silence_ms
        return super().values() | {"silence_s": None if silence_ms is None else silence_ms / 1000}

"""`implausible`: what a sensor says can't be true."""

from typing import Any

from cabinetwatch.text import rounded
from cabinetwatch.watch.conditions.faulty import BlindSettings, FaultySensorCondition
from cabinetwatch.watch.wording import quantity


class ImplausibleSettings(BlindSettings):
    """Keys of `[alarms.implausible]`; without a priority: high for a device's temperature."""


class Implausible(FaultySensorCondition):
    """Raised when values out of range, fault codes or impossible steps come again and again.

    A single one is set aside and raises nothing; a value reached in ordinary steps is a reading.
    """

    name = "implausible"
    Settings = ImplausibleSettings
    likely = "A loose plug, a broken or wet cable, a failing probe, or too weak a supply."
    response = (
        "See that the probe's plug and cable are sound and dry, and restart its node; replace the"
        " probe if it goes on. Where it is what the place really reads, widen range or correct"
        " fault_codes and max_step_per_s."
    )

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the filter of the sensor's values."""
        del t, active
        return self.sensor.implausible

    def began(self, pending_t: int) -> int:
        """It began with the first of the wild values."""
        since_t = self.sensor.screen.since_ms
        return min(pending_t, since_t) if since_t > 0 else pending_t

    def seen(self) -> str:
        """Say what it reads and why that can't be."""
        sensor = self.sensor
        if sensor.wild_value is None:
            return f"{self.called} was last seen giving readings that can't be true."
        value = quantity(sensor.wild_value, sensor.quantity)
        return f"{self.called} reads {value}, {self._why()}{self.so()}."

    def _why(self) -> str:
        sensor = self.sensor
        reason = sensor.screen.reason
        if reason == "fault code":
            return "which is one of its fault codes"
        if reason == "impossible step":
            last = f", after {quantity(sensor.value, sensor.quantity)}" if sensor.known else ""
            return f"a step that can't be true{last}"
        if reason == "outside its range":
            span = self.house.config.credible(self.subject)
            lowest, highest = (quantity(end, sensor.quantity) for end in span)
            return f"outside the range of {lowest} to {highest} that it can have"
        return "which can't be true"

    def values(self) -> dict[str, Any]:
        """The last good value, the last wild one, and why that is wild."""
        sensor = self.sensor
        wild = sensor.wild_value
        return super().values() | {
            "wild_value": None if wild is None else rounded(wild, 3),
            "reason": sensor.screen.reason,
        }

"""Conditions on sensors that can no longer be believed, and on the ambient reference."""

import math
from collections.abc import Iterable
from typing import Any, NamedTuple

from pydantic import Field

from cabinetwatch.clock import describe_duration
from cabinetwatch.config.equipment import AlarmSettings
from cabinetwatch.config.model import Config
from cabinetwatch.text import counted, rounded
from cabinetwatch.watch.conditions.base import DeviceCondition, SensorCondition, celsius, quantity
from cabinetwatch.watch.events import Priority
from cabinetwatch.watch.sensors import SensorView

SHORTEST_HOLD_S = 60.0
"""A sensor that speaks often must still be well for so long: common practice, no source."""

HOLD_SILENCES = 2.0
"""A node that speaks every 15 to 220 s, taken for one of every 10 s, would be raised or returned 39
times in 49 minutes without a hold, and with this one twice (reckoned, for evenly spread gaps)."""


class BlindSettings(AlarmSettings):
    """Delays for a sensor that can't be used.

    What is only just late, or wild for a moment, comes right within half a minute: a radio that
    sends again, a node that starts again (common practice, no source). It is over once the sensor
    has been well for twice as long as it takes to count as silent: one that speaks once and falls
    silent again has not come back.
    """

    on_delay_s: float = 30.0
    off_delay_s: float | None = Field(
        None, description="the seconds, 0 or more, it must be gone before the alarm returns"
    )


def hold_s(settings: AlarmSettings, sensor: SensorView | None) -> float:
    """Give for how long a sensor must be well again before its alarm returns."""
    if settings.off_delay_s is not None:
        return settings.off_delay_s
    silence_ms = None if sensor is None else sensor.silence_ms
    return max(SHORTEST_HOLD_S, 0.0 if silence_ms is None else HOLD_SILENCES * silence_ms / 1000)


class BlindSensorCondition(SensorCondition):
    """A sensor tells nothing that can be used, and blinds the device that it measures."""

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """No single value changes it, only the sensor's being heard and trusted or not."""
        return ()

    @property
    def watched(self) -> tuple[SensorView, ...]:
        """The sensor itself."""
        return (self.sensor,)

    @property
    def off_delay_s(self) -> float:
        """The sensor must have been well for twice as long as it takes to be silent."""
        return hold_s(self.settings, self.sensor)

    @property
    def priority(self) -> Priority:
        """High for a device's temperature: without it the device is not watched."""
        if self.settings.priority is not None:
            return Priority(self.settings.priority)
        device = self.house.device_measured_by(self.sensor)
        return Priority.MEDIUM if device is None else Priority.HIGH

    def so(self) -> str:
        """Say which device is blind now, for the end of a sentence."""
        device = self.house.device_measured_by(self.sensor)
        return "" if device is None else f", so {device.name} is not watched by temperature now"

    def values(self) -> dict[str, Any]:
        """The last value that was taken as true, in the sensor's SI unit."""
        known = self.sensor.known
        return {
            "value": rounded(self.sensor.value, 3) if known else None,
            "quantity": self.sensor.quantity,
        }


class FaultySensorCondition(BlindSensorCondition):
    """A sensor is heard, but what it says is not taken."""

    def gone(self) -> str:
        """Say what it reads now."""
        value = quantity(self.sensor.value, self.sensor.quantity)
        return f"{self.called} can be believed again and reads {value}."


class SilentSettings(BlindSettings):
    """Keys of `[alarms.silent]`; without a priority: high for a device's temperature."""


class _Clue(NamedTuple):
    """What the engine has seen that explains a silence: for the sentence, and what it likely is."""

    seen: str
    likely: str


class Silent(BlindSensorCondition):
    """Raised when no live reading came for `silent_after` intervals while the broker was there."""

    name = "silent"
    Settings = SilentSettings
    tells_silence = True
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
        clue = self._clue()
        why = "" if clue is None else f"; {clue.seen}"
        if self.sensor.last_live_t is None:
            since = "has not been heard from since the watch came online"
            return f"{self.called} {since}{self.so()}{why}."
        last = quantity(self.sensor.value, self.sensor.quantity)
        return f"{self.called} has fallen silent{self.so()}; its last reading was {last}{why}."

    @property
    def suspicion(self) -> str:
        """What explains it, where something was seen that does."""
        clue = self._clue()
        return self.likely if clue is None else clue.likely

    def _clue(self) -> _Clue | None:
        sensor, unheard = self.sensor, self.sensor.unheard
        if unheard.unread_t is not None and self._after_last(unheard.unread_t):
            messages = counted(unheard.unreadable, "message")
            problem = unheard.problem.removeprefix(f"{self.subject}: ").removesuffix(".")
            return _Clue(
                f"{messages} came that could not be read: {problem}",
                "Its node runs, but what it sends does not fit pointer, senml_name or unit in the"
                " sensor's table, or its probe has failed.",
            )
        if unheard.late_t is not None and self._after_last(unheard.late_t):
            readings = counted(unheard.late, "reading")
            return _Clue(
                f"its clock is up to {unheard.late_ms / 1000:z.0f} s behind, so {readings} came too"
                " late to be judged; see lateness_s",
                "The clock of its node is behind, or it sends its readings late.",
            )
        every_ms = sensor.spoken_every_ms
        interval_s = self.house.config.sensors[self.subject].interval_s
        if every_ms is not None and interval_s is not None:
            every_s = math.ceil(every_ms / 1000)
            return _Clue(
                f"lately it speaks up to every {every_s} s, not every {interval_s:zg} s; set its"
                f" interval_s to {every_s} if that is its way",
                "It speaks less often than its interval_s says, its radio loses messages, or its"
                " battery is nearly flat.",
            )
        return None

    def _after_last(self, t: int) -> bool:
        """Whether something came after the last reading that could be judged."""
        return self.sensor.heard_t is None or t > self.sensor.heard_t

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


class StuckSettings(BlindSettings):
    """Keys of `[alarms.stuck]`; without a priority: high for a device's temperature."""


class Stuck(FaultySensorCondition):
    """Raised when a temperature stands while what should move it has moved."""

    name = "stuck"
    Settings = StuckSettings
    likely = "The node sends its last value again and again, or its probe has come off its bus."
    response = (
        "Warm the probe in your hand: if its value does not move, restart its node, then see to"
        " plug and cable, and replace the probe."
    )

    @classmethod
    def subjects(cls, config: Config) -> list[str]:
        """Temperatures of devices and their ambients: only there is something that moves them."""
        used: set[str] = set()
        for device in config.devices.values():
            if device.ambient is not None:
                used |= {device.temperature, device.ambient}
        return sorted(used)

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the watch over the sensor's standing still."""
        del t, active
        return self.sensor.stuck

    def began(self, pending_t: int) -> int:
        """It began when the value was first read."""
        frozen = self.sensor.frozen
        return pending_t if frozen is None else min(pending_t, frozen.since_t)

    def seen(self) -> str:
        """Say what it stands at, for how long, and what that blinds."""
        value = quantity(self.sensor.value, self.sensor.quantity)
        return (
            f"{self.called} has stood at {value} for {self._for()} while the temperatures around"
            f" it moved{self.so()}."
        )

    def _for(self) -> str:
        frozen, last_t = self.sensor.frozen, self.sensor.last_live_t
        stood_ms = 0 if frozen is None or last_t is None else last_t - frozen.since_t
        return describe_duration(stood_ms / 1000)

    def values(self) -> dict[str, Any]:
        """The value, and how long it has stood."""
        frozen, last_t = self.sensor.frozen, self.sensor.last_live_t
        stood_ms = 0 if frozen is None or last_t is None else last_t - frozen.since_t
        return super().values() | {"stood_s": stood_ms / 1000}


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

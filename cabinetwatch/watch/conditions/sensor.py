"""Conditions on sensors: what they read, and what can no longer be believed.

What each method is for stands with `Condition`.
"""

# ruff: noqa: D102

import math
from abc import abstractmethod
from collections.abc import Collection, Iterable, Sequence
from typing import Any, ClassVar, NamedTuple

from pydantic import Field

from cabinetwatch.config.model import AlarmSettings, Config
from cabinetwatch.config.values import common_levels
from cabinetwatch.text import NBSP, counted, measure, rounded
from cabinetwatch.thermal.humidity import dew_point_c
from cabinetwatch.watch.conditions.base import (
    NOT_YET_BACK,
    Condition,
    DeviceCondition,
    HoldSettings,
    SensorCondition,
    SetpointSettings,
    TimeToRespond,
    beyond,
    listed,
    quantity,
)
from cabinetwatch.watch.conditions.forecast import Drift, HotDay
from cabinetwatch.watch.conditions.heat import CoolingLoss, OverRise, RiseMissing
from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.events import Priority
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.site import SiteModel

_OTHER_DEADBAND = {"humidity": 2.0, "power": 2.0, "fan-speed": 30.0, "sound-level": 1.0}
"""In %RH, W, rpm, dB; our choice: a few times the resolution of common sensors."""


class LimitSettings(SetpointSettings, HoldSettings):
    """Keys of `[alarms.high]` and `[alarms.low]`."""

    deadband: float | None = Field(
        None, description="the same for other quantities, in the unit of the limit"
    )


class Limit(SensorCondition):
    """What `high` and `low` share."""

    Settings = LimitSettings
    settings: LimitSettings
    consequence = "what the limit was set for"
    time_to_respond = TimeToRespond.DAY
    sign: ClassVar[float]
    past: ClassVar[str]
    """Which way, as a factor and as a word, it is too much."""

    @property
    def cause(self) -> str:
        """A temperature of a device is an event of that device."""
        device = self.model.device_measured_by(self.sensor)
        return super().cause if device is None else f"device/{device.id}"

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self.limit: float = getattr(self.model.config.sensors[self.subject], self.name)
        # `deadband` where given, else `deadband_k` for temperatures and a choice for the rest.
        given, given_k = self.settings.deadband, self.settings.deadband_k
        usual = _OTHER_DEADBAND.get(self.sensor.quantity, given_k)
        self.deadband = usual if given is None else given

    def values(self) -> dict[str, Any]:
        return super().values() | {self.name: self.limit}

    def _present(self) -> str:
        if not self.sensor.known:
            return f"{self.called}: no value yet"
        return f"{self.called} {'reads' if self.sensor.good else 'last read'} {self._reading()}"

    def _limit(self) -> str:
        return quantity(self.limit, self.sensor.quantity, self.unit)

    def judge(self, t: int, active: bool) -> bool | None:
        if not self.sensor.good:
            return None
        value, limit = self.sign * self.sensor.value, self.sign * self.limit
        return beyond(value, limit, self.deadband, active=active)

    def seen(self) -> str:
        if self.recurrence.is_held and self.recurrence.away_t is not None and self.sensor.good:
            return f"{self._back()}; it reads {self._reading()} (limit {self._limit()})."
        is_past = self.sign * self.sensor.value > self.sign * self.limit
        where = self.past if is_past else NOT_YET_BACK
        return f"{self._present()}, {where} its limit of {self._limit()}."

    def gone(self) -> str:
        again = f", within its limit of {self._limit()} again" if self.sensor.good else ""
        return f"{self._present()}{again}."


class High(Limit):
    """Raised when the value is above `high`."""

    name = "high"
    predicate = "above its limit"
    over = "within its limit again"
    needs = ("high",)
    sign, past = 1.0, "above"
    likely = "Higher than the limit you set for this sensor."
    response = "Check what has changed around this sensor; if it is heat, give the cabinet air."


class Low(Limit):
    """Raised when the value is below `low`."""

    name = "low"
    predicate = "below its limit"
    over = "within its limit again"
    needs = ("low",)
    sign, past = -1.0, "below"
    likely = "Lower than the limit you set for this sensor."
    response = "Check what has changed around this sensor."


class CondensationSettings(SetpointSettings, HoldSettings):
    """Keys of `[alarms.condensation]`."""

    priority: str | None = "low"
    on_delay_s: float = 600.0
    off_delay_s: float | None = 600.0
    deadband_k: float = Field(
        0.5, description="the K, 0 or more, back from the setpoint at which it returns"
    )
    condensation_margin_k: float = Field(
        2.0, description="the K, 0 or more, above the dew point that the coldest surface must have"
    )


class Condensation(SensorCondition):
    """Raised when the dew point is within a margin of the coldest temperature around.

    The dew point is made of a humidity and the temperature of the same air: of the same topic, else
    of the topic with the most levels in common from the start. Surfaces are the sensors with
    `surface = true`; without any, the temperatures of the devices.
    """

    name = "condensation"
    predicate = "close to condensation"
    over = "no longer close to condensation"
    Settings = CondensationSettings
    settings: CondensationSettings
    consequence = "water on the gear: corrosion, and a short circuit when it is switched on"
    time_to_respond = TimeToRespond.WEEKS
    likely = "Moist air on cold surfaces: a damp place, laundry or cooking, or gear that was off."
    response = (
        "Air the place when it is drier outside, and find the moisture. Do not switch on gear that"
        " is wet or has just come in from the cold: let it dry and warm up first."
    )

    def __init__(self, model: SiteModel, subject: str, settings: AlarmSettings) -> None:
        super().__init__(model, subject, settings)
        config = model.config
        self.air = model.sensors[companion(config, subject) or subject]
        surfaces = [name for name, sensor in config.sensors.items() if sensor.surface]
        if not surfaces:
            surfaces = [device.temperature for device in config.devices.values()]
        self.surfaces = [model.sensors[name] for name in dict.fromkeys(surfaces)]

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Humidities with a temperature of their air, where there is a surface."""
        any_surface = bool(config.devices) or any(s.surface for s in config.sensors.values())
        return [
            name
            for name, sensor in config.sensors.items()
            if sensor.quantity == "humidity" and any_surface and companion(config, name)
        ]

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """The humidity; the temperatures count at its pace."""
        return (self.sensor,)

    @property
    def dew_point_c(self) -> float | None:
        """The dew point of the air, None while either sensor is not good."""
        air_c, humidity = self.air.present, self.sensor.present
        return None if air_c is None or humidity is None else dew_point_c(air_c, humidity)

    @property
    def coldest(self) -> SensorView | None:
        """The coldest surface that is known now."""
        good = [surface for surface in self.surfaces if surface.good]
        return min(good, key=lambda surface: surface.value, default=None)

    def judge(self, t: int, active: bool) -> bool | None:
        dew_c, coldest, settings = self.dew_point_c, self.coldest, self.settings
        if dew_c is None or coldest is None:
            return None
        margin_k = settings.condensation_margin_k + (settings.deadband_k if active else 0.0)
        return coldest.value - dew_c < margin_k

    def seen(self) -> str:
        dew_c, coldest = self.dew_point_c, self.coldest
        if dew_c is None or coldest is None:
            return f"The air at {self.called} was last seen close to its dew point."
        if self.recurrence.is_held and self.recurrence.away_t is not None:
            return f"{self._back()}."
        distance_k = coldest.value - dew_c
        near = f"only {self._k(distance_k)} above it" if distance_k > 0.0 else "not above it"
        return (
            f"The air at {self.called} has its dew point at {self._c(dew_c)}"
            f" ({self._c(self.air.value)}, {self._reading()} humidity), and"
            f" {coldest.name} at {self._c(coldest.value)} is {near}."
        )

    def gone(self) -> str:
        dew_c, coldest = self.dew_point_c, self.coldest
        if dew_c is None or coldest is None:
            return f"The air at {self.called} is no longer close to its dew point."
        return (
            f"The air at {self.called} has its dew point at {self._c(dew_c)},"
            f" {self._k(coldest.value - dew_c)} below {coldest.name}."
        )

    def values(self) -> dict[str, Any]:
        dew_c, coldest = self.dew_point_c, self.coldest
        return {
            "humidity_percent": rounded(self.sensor.last_known, 3),
            "temperature_c": rounded(self.air.last_known, 3),
            "dew_point_c": rounded(dew_c, 3),
            "coldest_c": None if coldest is None else rounded(coldest.value, 3),
            "coldest_sensor": None if coldest is None else coldest.id,
            "condensation_margin_k": self.settings.condensation_margin_k,
        }


def companion(config: Config, humidity: str) -> str | None:
    """Give the temperature sensor in the air of a humidity sensor: the one nearest by topic.

    A sensor on a surface measures no air. One without a topic level in common is elsewhere.
    """
    topic = config.sensors[humidity].topic
    nearest, most = None, 0
    for name, sensor in config.sensors.items():
        if sensor.quantity == "temperature" and not sensor.surface:
            common = common_levels(topic, sensor.topic) + (sensor.topic == topic)
            if common > most:
                nearest, most = name, common
    return nearest


SHORTEST_HOLD_S = 60.0
"""A sensor that speaks often must still be well for so long: common practice, no source."""

HOLD_SILENCES = 2.0
"""A node that speaks every 15 to 220 s, taken for one of every 10 s, would be raised or returned 39
times in 49 minutes without a hold, and with this one twice (reckoned, for evenly spread gaps)."""


class BlindSettings(HoldSettings):
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


def guards_of(model: SiteModel, device: DeviceView) -> list[str]:
    """Say what still guards a device now: what is judged, and would tell that it gets too hot.

    A guard counts only where its alarm is switched on and its sensor can be believed.
    """

    def is_on(condition: str, subject: str) -> bool:
        return model.config.alarm(condition, subject).enabled

    config, guards = device.config, []
    temperature, fan, air = device.temperature, device.fan, device.air
    limits = model.config.sensors[temperature.id].high is not None and is_on("high", temperature.id)
    derates = bool(config.derating) and is_on("over-derating", device.id)
    if temperature.good and (limits or (derates and air is temperature)):
        guards.append("its own temperature")
    elif device.rise_is_known and is_on("cooling-loss", device.id):
        guards.append("its rise")
    if fan is not None and fan.good and config.min_fan_rpm and is_on("fan-slow", device.id):
        guards.append("its fan")
    if derates and air is not temperature and air is not None and air.good:
        guards.append("the surrounding air")
    return guards


def watched_by(guards: list[str]) -> str:
    """Say of a device that only these still guard it."""
    return f"is watched only by {' and '.join(guards)} now" if guards else "is not watched now"


class BlindCondition(Condition):
    """A sensor, be it the subject or not, tells nothing that can be used."""

    Settings = BlindSettings
    time_to_respond = TimeToRespond.DAY
    free_raises = 1
    # No single value changes it, only the sensor's being heard and trusted or not.
    inputs: tuple[SensorView, ...] = ()
    sensor: SensorView

    @property
    def watched(self) -> tuple[SensorView, ...]:
        return (self.sensor,)

    @property
    def cause(self) -> str:
        """Sensors of one topic sit on one node: what ails that is one event, whomever it serves."""
        return f"node/{self.model.config.sensors[self.sensor.id].topic}"

    @property
    def off_delay_s(self) -> float:
        """The sensor must have been well for twice as long as it takes to be silent."""
        if self.settings.off_delay_s is not None:
            return self.settings.off_delay_s
        return max(SHORTEST_HOLD_S, HOLD_SILENCES * (self.sensor.silence_ms or 0) / 1000)

    @property
    def devices(self) -> Collection[DeviceView]:
        """Those that it may leave unguarded."""
        return self.model.devices.values()

    @property
    def priority(self) -> Priority:
        """High where without it nothing guards a device any more."""
        if self.settings.priority is not None:
            return Priority(self.settings.priority)
        unguarded = any(
            self.sensor in device.guards and not guards_of(self.model, device)
            for device in self.devices
        )
        return (TimeToRespond.HOUR if unguarded else self.time_to_respond).priority

    def seen(self) -> str:
        return f"{self._back()}." if self.recurrence.away_t is not None else self._fault()

    @abstractmethod
    def _fault(self) -> str:
        """Say what is seen of the fault while it is there."""


class BlindSensorCondition(BlindCondition, SensorCondition):
    """A sensor tells nothing that can be used, and blinds the device that it measures."""

    consequence = "what it measures is not watched meanwhile"
    is_sensor_fault = True

    def so(self) -> str:
        """Say which device is blind now, for the end of a sentence."""
        device = self.model.device_measured_by(self.sensor)
        if device is None:
            return ""
        return f", so {device.name} {watched_by(guards_of(self.model, device))}"


class FaultySensorCondition(BlindSensorCondition):
    """A sensor is heard, but what it says is not taken."""

    def gone(self) -> str:
        return f"{self.called}: {self.over}; it reads {self._reading()}."


class _Clue(NamedTuple):
    """What the engine has seen that explains a silence: for the sentence, and what it likely is."""

    seen: str
    likely: str


class Silent(BlindSensorCondition):
    """Raised when no live reading came for `silent_after` intervals while the broker was there."""

    name = "silent"
    predicate = "silent"
    over = "heard again"
    tells_silence = True
    likely = (
        "The node has lost power or radio, its battery is flat, or the probe has come off; or the"
        " clock of a node that dates its readings itself is wrong."
    )
    response = (
        "Check that the sensor node has power and reaches the network; cabinetwatch listen shows"
        " what it publishes."
    )

    def judge(self, t: int, active: bool) -> bool | None:
        return self.sensor.silent

    def began(self, pending_t: int) -> int:
        """It began with the last reading."""
        return pending_t if self.sensor.last_live_t is None else self.sensor.last_live_t

    def seen(self) -> str:
        clue = self._slower() if self.recurrence.away_t is not None else None
        return super().seen() if clue is None else f"{self._back()}; {clue.seen}."

    def _fault(self) -> str:
        clue = self._clue()
        why = "" if clue is None else f"; {clue.seen}"
        if self.sensor.last_live_t is None:
            since = "has not been heard from since the watch came online"
            return f"{self.called} {since}{self.so()}{why}."
        last = self._reading()
        return f"{self.called} has fallen silent{self.so()}; its last reading was {last}{why}."

    @property
    def suspicion(self) -> str:
        """What explains it, where something was seen that does."""
        clue = self._clue()
        return self.likely if clue is None else clue.likely

    def _clue(self) -> _Clue | None:
        unheard = self.sensor.unheard
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
            behind = measure(unheard.late_ms / 1000, 0, "s")
            return _Clue(
                f"its clock is up to {behind} behind, so {readings} came too late to be judged"
                " (see lateness_s)",
                "The clock of its node is behind, or it sends its readings late.",
            )
        return self._slower()

    def _slower(self) -> _Clue | None:
        every_ms = self.sensor.spoken_every_ms
        interval_s = self.model.config.sensors[self.subject].interval_s
        if every_ms is not None and interval_s is not None:
            every_s = math.ceil(every_ms / 1000)
            return _Clue(
                f"it really speaks up to every {every_s}{NBSP}s, not every {interval_s:zg}{NBSP}s"
                f" (if that is right, set its interval_s to {every_s})",
                "It speaks less often than its interval_s says, its radio loses messages, or its"
                " battery is nearly flat.",
            )
        return None

    def _after_last(self, t: int) -> bool:
        """Whether something came after the last reading that could be judged."""
        return self.sensor.heard_t is None or t > self.sensor.heard_t

    def gone(self) -> str:
        if not self.sensor.known:
            return f"{self.called} is heard again."
        return f"{self.called} is heard again and reads {self._reading()}."

    def values(self) -> dict[str, Any]:
        silence_ms = self.sensor.silence_ms
        return super().values() | {"silence_s": None if silence_ms is None else silence_ms / 1000}


class Stuck(FaultySensorCondition):
    """Raised when a temperature stands while what should move it has moved."""

    name = "stuck"
    predicate = "stuck on one reading"
    over = "no longer stuck"
    likely = "The node sends its last value again and again, or its probe has come off its bus."
    response = (
        "Warm the probe in your hand. If its value does not move, restart its node, then check plug"
        " and cable, and replace the probe."
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
        return self.sensor.stuck

    def began(self, pending_t: int) -> int:
        """It began when the value was first read."""
        frozen = self.sensor.frozen
        return pending_t if frozen is None else min(pending_t, frozen.since_t)

    def _fault(self) -> str:
        return (
            f"{self.called} reads {self._reading()} all the time, while the temperatures around it"
            f" moved{self.so()}."
        )


class Implausible(FaultySensorCondition):
    """Raised when values out of range, fault codes or impossible steps come again and again.

    A single one is set aside and raises nothing; a value reached in ordinary steps is a reading.
    """

    name = "implausible"
    predicate = "giving implausible readings"
    over = "readings are plausible again"
    likely = "A loose plug, a broken or wet cable, a failing probe, or too weak a supply."
    response = (
        "Check that the probe's plug and cable are sound and dry, and restart its node; replace the"
        " probe if it goes on. If the readings are right, widen range or correct fault_codes and"
        " max_step_per_s."
    )

    def judge(self, t: int, active: bool) -> bool | None:
        return self.sensor.implausible

    def began(self, pending_t: int) -> int:
        """It began with the first of the wild values."""
        since_t = self.sensor.value_filter.since_ms
        return min(pending_t, since_t) if since_t > 0 else pending_t

    def _fault(self) -> str:
        sensor = self.sensor
        if sensor.wild_value is None:
            return f"{self.called} gives readings that can't be true{self.so()}."
        value = quantity(sensor.wild_value, sensor.quantity, self.unit)
        return f"{self.called} reads {value}, {self._why()}{self.so()}."

    def _why(self) -> str:
        sensor = self.sensor
        reason = sensor.value_filter.reason
        if reason == "fault code":
            return "which is one of its fault codes"
        if reason == "impossible step":
            last = f", after {self._reading()}" if sensor.known else ""
            return f"a step that can't be true{last}"
        if reason == "outside its range":
            span = self.model.config.credible(self.subject)
            lowest, highest = (quantity(end, sensor.quantity, self.unit) for end in span)
            return f"outside its range of {lowest} to {highest}"
        return "which can't be true"

    def values(self) -> dict[str, Any]:
        return super().values() | {
            "wild_value": rounded(self.sensor.wild_value, 3),
            "reason": self.sensor.value_filter.reason,
        }


class AmbientLost(BlindCondition, DeviceCondition):
    """Raised when the device's ambient sensor is silent, stuck or implausible."""

    name = "ambient-lost"
    predicate = "the sensor of the surrounding air is lost"
    over = "the sensor of the surrounding air is back"
    consequence = "its rise is not known: lost cooling is noticed later, or not at all"
    needs = ("ambient",)
    hides = (OverRise, HotDay, Drift, CoolingLoss, RiseMissing)
    # With the sensor back the rise is known, and judged, however long it takes to be trusted.
    hides_while_held = False
    tells_silence = True
    likely = "The sensor or its node has lost power or radio, or has come off."
    response = (
        "Check the sensor of the surrounding air: its battery, radio range, plug and cable. Until"
        " it is back, lost cooling of the device is noticed later than usual, or not at all."
    )

    def __init__(self, model: SiteModel, subject: str, settings: AlarmSettings) -> None:
        super().__init__(model, subject, settings)
        self.sensor = model.sensors[model.config.devices[subject].ambient or ""]

    @property
    def devices(self) -> Collection[DeviceView]:
        return (self.device,)

    def headline(self, others: Sequence[str], *, over: bool) -> str:
        """It is the sensor's, and befalls the devices around it."""
        if over:
            return f"{self.sensor.name}: the surrounding air is known again"
        whose = listed([self.called, *others])
        return f"{self.sensor.name} {self._what}: the surrounding air of {whose} is not known"

    @property
    def explains_at(self) -> tuple[str, ...]:
        return (self.subject, self.sensor.id)

    def explains(self, other: Condition) -> bool:
        """It tells the faults of the ambient sensor in their place, too."""
        if isinstance(other, BlindSensorCondition):
            return other.sensor is self.sensor
        return other.subject == self.subject and super().explains(other)

    def judge(self, t: int, active: bool) -> bool | None:
        return self.sensor.silent or self.sensor.stuck or self.sensor.implausible

    def began(self, pending_t: int) -> int:
        """It began with the sensor's last reading, or the first of those that can't be true."""
        ambient = self.sensor
        if ambient.last_live_t is None:
            return pending_t
        if ambient.stuck and ambient.frozen is not None:
            return ambient.frozen.since_t
        return ambient.value_filter.since_ms if ambient.implausible else ambient.last_live_t

    def _fault(self) -> str:
        device = self.device.config
        unknown = "its rise is not known"
        if device.derating and device.derating_air == "ambient":
            unknown = "neither its rise nor its margin is known"
        # Nobody may rely on a limit that isn't there, or that can't be judged.
        guards = guards_of(self.model, self.device)
        return (
            f"{self.device.name}: the sensor of the surrounding air, {self.sensor.name}, is"
            f" {self._how()}, so {unknown}; it {watched_by(guards)}."
        )

    @property
    def _what(self) -> str:
        ambient = self.sensor
        return "implausible" if ambient.implausible else "stuck" if ambient.stuck else "silent"

    def _how(self) -> str:
        ambient = self.sensor
        at = self._c(ambient.value)
        if ambient.implausible and ambient.wild_value is not None:
            return f"implausible (it reads {self._c(ambient.wild_value)})"
        if ambient.stuck:
            return f"stuck (at {at})" if ambient.known else "stuck"
        return f"silent (last reading {at})" if ambient.known else "silent"

    def gone(self) -> str:
        ambient_c = self.device.ambient_c
        now = "" if ambient_c is None else f" and reads {self._c(ambient_c)}"
        return f"{self.called}: {self.over}: {self.sensor.name} is there again{now}."

    def values(self) -> dict[str, Any]:
        return super().values() | {"ambient_sensor": self.sensor.id}

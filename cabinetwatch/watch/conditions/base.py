"""What every condition is: a judge of one subject that can also say what it found.

Dust lifts a device out of its band whenever it has much to do, every day for weeks. An alarm that
is raised so often isn't read any more (a longer off-delay for an alarm that chatters: common
practice, no source).
"""

from abc import ABC, abstractmethod
from collections.abc import Iterable
from typing import Any, ClassVar, Literal

from cabinetwatch.config.equipment import AlarmSettings, ConditionSpec
from cabinetwatch.config.model import Config
from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.events import Entry, Priority
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.site import SiteModel


def celsius(value_c: float) -> str:
    """Write a temperature, e.g. 48.3 °C."""
    return f"{_fixed(value_c, 1)} °C"


def kelvin(value_k: float) -> str:
    """Write a difference of temperatures, e.g. 12.4 K."""
    return f"{_fixed(value_k, 1)} K"


# By quantity: the unit as people read it, and decimals that a sensor in a house deserves.
_QUANTITIES = {
    "temperature": ("°C", 1),
    "humidity": ("%", 0),
    "power": ("W", 1),
    "fan-speed": ("rpm", 0),
    "sound-level": ("dB", 1),
}


def quantity(value: float, kind: str) -> str:
    """Write a value of a sensor's quantity with its unit, e.g. 61 % or 900 rpm."""
    unit, decimals = _QUANTITIES[kind]
    return f"{_fixed(value, decimals)} {unit}"


_LONGEST = 1e9
"""Figures beyond are written with an exponent: 200 digits are no sentence."""


def percent(fraction: float) -> str:
    """Write a fraction as per cent, e.g. 75 %."""
    return f"{_fixed(100 * fraction, 0)} %"


def _fixed(value: float, decimals: int) -> str:
    """Write with fixed decimals and without a negative zero; what no sensor can mean, briefly."""
    if not abs(value) < _LONGEST:
        return f"{value:z.3g}"
    return f"{value:z.{decimals}f}"


def interval_k(value_k: float, sd_k: float) -> str:
    """Write a difference with the half width of its 95 % interval, e.g. 21.3 K ± 1.2 K."""
    return f"{kelvin(value_k)} ± {kelvin(1.96 * sd_k)}"


FREE_RAISES = 2
"""Raised so often it returns as soon as it is gone; from the next raise on it has to keep away."""

KEEPS_AWAY_MS = 36 * 3_600_000
"""Our choice: longer than a day, since loads recur daily."""

_FORGOTTEN_MS = 72 * 3_600_000


class Recurrence:
    """Follows one judgement; feed it in the order of time."""

    def __init__(self) -> None:
        self.is_held = False
        self._was_there = False
        self._raises = 0
        self._last_t = 0

    def observe(self, t: int, is_there: bool, *, is_slight: bool) -> bool:
        """Take what is judged at `t` (watch ms); say whether it counts as standing."""
        if is_there:
            if not self._was_there and not self.is_held:
                is_new = self._raises == 0 or t - self._last_t > _FORGOTTEN_MS
                self._raises = 1 if is_new else self._raises + 1
            if not is_slight:
                self._raises = 0
            self._last_t = t
        elif self.is_held and t - self._last_t < KEEPS_AWAY_MS:
            return True
        self._was_there = is_there
        self.is_held = is_there and self._raises > FREE_RAISES
        return is_there

    def release(self) -> None:
        """It can't be now, whatever was: the device is off."""
        self.is_held = self._was_there = False

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "held": self.is_held,
            "there": self._was_there,
            "raises": self._raises,
            "last": self._last_t,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self.is_held, self._was_there = state["held"], state["there"]
        self._raises, self._last_t = state["raises"], state["last"]


class Condition(ABC):
    """One condition of one subject.

    A condition judges; delays, acknowledgement and hiding are its alarm's business. It may keep a
    memory of what it was fed (`save`, `load`), and may name an instant at which to be asked again
    although nothing was measured (`due`).
    """

    name: ClassVar[str]
    kind: ClassVar[Literal["device", "sensor", "site"]]
    Settings: ClassVar[type[AlarmSettings]]
    likely: str = ""
    """What it likely is; see `suspicion`."""
    response: str
    """What to do about it; the configuration may replace it."""
    hides_while_held: ClassVar[bool] = True
    """Whether it goes on explaining others while it is over, and only its off-delay still runs."""
    tells_silence: ClassVar[bool] = False
    """Whether it is told because a sensor of `watched` is silent."""
    momentary: ClassVar[bool] = False
    """Whether it is over as soon as it is told, and needs no acknowledgement."""

    def __init__(self, house: SiteModel, subject: str, settings: AlarmSettings) -> None:
        self.house = house
        self.subject = subject
        self.settings = settings
        self.due: int | None = None

    @classmethod
    def spec(cls) -> ConditionSpec:
        """What the configuration must know of this condition."""
        return ConditionSpec(cls.name, cls.kind, cls.Settings)

    @classmethod
    @abstractmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """The subjects that the condition applies to under a configuration."""

    @property
    def follows(self) -> DeviceView | None:
        """The device at each step of whose observer it is judged, if any."""
        return None

    def hear(self, entry: Entry, offset_ms: int) -> None:
        """Take a journal entry before it takes effect; `offset_ms` is the offset until now."""
        del entry, offset_ms

    @property
    @abstractmethod
    def inputs(self) -> tuple[SensorView, ...]:
        """Sensors whose every live reading can change the judgement."""

    @property
    def watched(self) -> tuple[SensorView, ...]:
        """Sensors whose going missing or coming back can change the judgement."""
        return self.inputs

    @abstractmethod
    def judge(self, t: int, active: bool) -> bool | None:
        """Say whether the condition holds at `t` (watch ms).

        Args:
            t: now.
            active: whether the alarm stands, for hysteresis.

        Returns:
            True or False, or None when it can't be known: the alarm then keeps its state.
        """

    def recovers(self) -> bool:
        """Whether what made it hold is over, and it only takes its time to show."""
        return False

    @abstractmethod
    def seen(self) -> str:
        """Say in one sentence what is seen while it holds, with the figures."""

    @abstractmethod
    def gone(self) -> str:
        """Say in one sentence what is seen when it no longer holds."""

    @abstractmethod
    def values(self) -> dict[str, Any]:
        """Give the figures behind the sentence, with unit suffixes."""

    def began(self, pending_t: int) -> int:
        """Say since when it has been going on (watch ms): first sight, unless it knows better."""
        return pending_t

    @property
    def priority(self) -> Priority:
        """The configured priority, or the condition's own choice."""
        return Priority(self.settings.priority or "medium")

    @property
    def on_delay_s(self) -> float:
        """How long it must hold throughout before the alarm is raised."""
        return self.settings.on_delay_s

    @property
    def called(self) -> str:
        """What people call its subject."""
        return self.house.config.name_of(self.subject)

    @property
    def off_delay_s(self) -> float:
        """How long it must be gone throughout before the alarm returns."""
        return self.settings.off_delay_s or 0.0

    @property
    def suspicion(self) -> str:
        """What it likely is, as far as can be told now."""
        return self.likely

    @property
    def cause(self) -> str:
        """What one event explains this and others of its instant; its own alarm unless shared."""
        return f"{self.subject}/{self.name}"

    @property
    def advice(self) -> str:
        """What to do about it: the configuration's words, or ours; first what a trial demands."""
        advice = self.settings.response or self.remedy
        return f"{self.urge[0].upper()}{self.urge[1:]}. {advice}" if self.urge else advice

    @property
    def remedy(self) -> str:
        """Our own words on what to do; some conditions have others as things get worse."""
        return self.response

    @property
    def urge(self) -> str:
        """What must be done at once because a trial is under way, as a clause; else empty."""
        return ""

    def save(self) -> dict[str, Any]:
        """Give the memory as JSON-able values."""
        return {}

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved memory."""
        del state


class DeviceCondition(Condition):
    """A condition of a device."""

    kind = "device"
    ends_a_trial: ClassVar[bool] = False
    """Whether a change of cooling must be undone when it comes during a trial of the device."""

    def __init__(self, house: SiteModel, subject: str, settings: AlarmSettings) -> None:
        super().__init__(house, subject, settings)
        self.device = house.devices[subject]

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Every device, unless narrowed."""
        return config.devices

    @property
    def cause(self) -> str:
        """What befalls one device at one instant is one event."""
        return f"device/{self.subject}"

    @property
    def urge(self) -> str:
        """Undo the change that is on trial."""
        trial = self.device.trial
        if trial is None or not self.ends_a_trial:
            return ""
        change = f" ({trial.change})" if trial.change else ""
        return f"undo the change of the trial {trial.name}{change}"

    def values(self) -> dict[str, Any]:
        """The device's live figures."""
        return self.device.figures()


class HeadingCondition(DeviceCondition):
    """A condition on where a device is heading: judged at each step of the device's observer."""

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Devices with an ambient reference."""
        return [name for name, device in config.devices.items() if device.ambient is not None]

    @property
    def follows(self) -> DeviceView | None:
        """The device."""
        return self.device

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """No single reading changes it, only a step of the observer."""
        return ()

    @property
    def watched(self) -> tuple[SensorView, ...]:
        """Temperature and ambient: without them there is no rise."""
        ambient = self.device.ambient
        return (self.device.temperature,) + (() if ambient is None else (ambient,))


class SensorCondition(Condition):
    """A condition of a sensor."""

    kind = "sensor"

    def __init__(self, house: SiteModel, subject: str, settings: AlarmSettings) -> None:
        super().__init__(house, subject, settings)
        self.sensor = house.sensors[subject]

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Every sensor, unless narrowed."""
        return config.sensors

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """The sensor itself."""
        return (self.sensor,)


class SiteCondition(Condition):
    """A condition of the watch itself; it is told, not measured."""

    kind = "site"

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """The site, whose subject is called site."""
        del config
        return ("site",)

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """No sensor."""
        return ()


NOT_YET_BACK = "not yet safely back within"
"""Where a value stands that is within its limit again, but not beyond deadband or off-delay."""


def beyond(value: float, setpoint: float, deadband: float, *, active: bool) -> bool:
    """Judge a high setpoint: raised above it, returned at or below setpoint minus deadband.

    OPC UA Part 9, annex B.1.5: a high alarm returns only below limit minus deadband.
    """
    return value > (setpoint - deadband if active else setpoint)

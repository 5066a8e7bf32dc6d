"""What every condition is: a class that says all there is to know of it, and judges one subject.

Nothing outside this package knows a condition by its name. What the rest must know is asked of the
class: what people call it, the keys it needs, what it hides, what a trial does to it.
"""

import math
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from typing import Any, ClassVar, TypeVar

from pydantic import Field, create_model

from cabinetwatch.config.model import (
    SITE_SUBJECT,
    AlarmSettings,
    ConditionSpec,
    Config,
    SubjectKind,
)
from cabinetwatch.text import (
    NBSP,
    TemperatureUnit,
    counted,
    describe_duration,
    measure,
    rounded,
)
from cabinetwatch.thermal.windows import Figures
from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.events import Entry, Priority
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.site import SiteModel


class TimeToRespond(StrEnum):
    """How soon somebody must act so that the consequence does not come."""

    HOUR = "within the hour"
    DAY = "within a day"
    WEEKS = "within weeks"

    @property
    def priority(self) -> Priority:
        """What follows from it (ISA-18.2, from memory: by consequence and time to respond)."""
        return {
            TimeToRespond.HOUR: Priority.HIGH,
            TimeToRespond.DAY: Priority.MEDIUM,
            TimeToRespond.WEEKS: Priority.LOW,
        }[self]


_Settings = TypeVar("_Settings", bound=AlarmSettings)


def with_defaults(base: type[_Settings], **defaults: Any) -> type[_Settings]:
    """Give the same keys with other defaults."""
    fields: dict[str, Any] = {
        key: (base.model_fields[key].annotation, value) for key, value in defaults.items()
    }
    return create_model(base.__name__, __base__=base, **fields)


class HoldSettings(AlarmSettings):
    """The key of a condition that comes and goes with its sensor; see `Recurrence`."""

    hold_h: float = Field(
        24.0,
        description="the hours, 0 or more, it must be gone to return when raised again within them",
    )


class SetpointSettings(AlarmSettings):
    """Keys of a condition that compares with a setpoint in degC or K."""

    priority: str | None = "medium"
    on_delay_s: float = 60.0
    off_delay_s: float | None = 60.0
    deadband_k: float = Field(
        1.0, description="the K, 0 or more, back from the setpoint at which it returns"
    )


class Recurrence:
    """Follows what comes and goes, and says when it does so too often to be over at once.

    An alarm that is raised again and again isn't read any more. So after some raises it is held: it
    is over only once it has kept away for long (a longer off-delay for an alarm that chatters:
    common practice, no source). What has kept away for that long counts as new. Instants are watch
    time (ms).

    Args:
        free_raises: so many raises in a row are over as soon as what raised them is.
        keeps_away_h: how long a held one has to keep away.
    """

    def __init__(self, free_raises: float, keeps_away_h: float) -> None:
        self.keeps_away_s = 3600.0 * keeps_away_h
        self.is_held = False
        self.away_t: int | None = None
        """Since when it has kept away although its alarm stands; None while it is there."""
        self.first_t = 0
        self.times = 0
        """How often it has come since `first_t`."""
        self._free_raises = free_raises
        self._raises = 0
        self._last_t = 0

    def raised(self, t: int) -> None:
        """Its alarm is raised, for what has been there since `t`."""
        if not self._raises or t - self._last_t > 1000 * self.keeps_away_s:
            self.first_t, self.times, self._raises = t, 0, 0
        self.times += 1
        self._raises += 1
        self.is_held = self._raises > self._free_raises

    def follow(self, away_t: int | None) -> None:
        """Take since when it has kept away while its alarm stands; None while it is there."""
        self.times += away_t is None and self.away_t is not None
        self.away_t = away_t

    def returned(self, t: int) -> None:
        """Its alarm is over, for what has kept away since `t`."""
        self.is_held, self.away_t, self._last_t = False, None, t

    def release(self) -> None:
        """Hold it no longer: it can't be now."""
        self.is_held = False

    def forget(self) -> None:
        """Count what comes next as new."""
        self.is_held, self._raises = False, 0

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {key: getattr(self, name) for key, name in _KEPT.items()}

    def load(self, state: Mapping[str, Any]) -> None:
        """Go on from a saved state; one of an earlier version lacks some or all of it."""
        for key in _KEPT.keys() & state.keys():
            setattr(self, _KEPT[key], state[key])


_KEPT = {
    "held": "is_held", "away": "away_t", "first": "first_t", "times": "times",
    "raises": "_raises", "last": "_last_t",
}  # fmt: skip
"""What of a recurrence is saved, under which key."""


class Condition(ABC):
    """One condition of one subject.

    A condition judges; delays, acknowledgement and hiding are its alarm's business. It may keep a
    memory of what it was fed (`save`, `load`), and may name an instant at which to be asked again
    although nothing was measured (`due`).
    """

    name: ClassVar[str]
    predicate: ClassVar[str]
    """What its subject is while it holds, after "NAS: " or "the watch is "."""
    over: ClassVar[str]
    """What its subject is once it is over, likewise: "fan running again"."""
    kind: ClassVar[SubjectKind]
    Settings: ClassVar[type[AlarmSettings]] = AlarmSettings
    needs: ClassVar[tuple[str, ...]] = ()
    """Keys of the subject's table in the configuration without which it does not apply."""
    is_cooling: ClassVar[bool] = False
    """Whether it tells of lost cooling: what gets warm inside the device is of the same cause."""
    is_worse: ClassVar[bool] = False
    """Whether it makes an incident worse that is on already: a threshold passed."""
    hides: ClassVar[tuple[type["Condition"], ...]] = ()
    """What it explains of the same subject: suppressed by design while it stands."""
    hides_while_held: ClassVar[bool] = True
    """Whether it goes on explaining others while it is over, and only its off-delay still runs."""
    free_raises: ClassVar[float] = math.inf
    keeps_away_h: ClassVar[float] = 0.0
    """After how many raises it is held, and for how long, unless `hold_h` says: see `Recurrence`.
    At least a day, since what makes a sensor or a load come and go recurs daily."""
    withheld_in_trial: ClassVar[bool] = False
    """Whether a change of cooling may raise it by itself: suppressed while one is on trial."""
    ends_a_trial: ClassVar[bool] = False
    """Whether a change of cooling must be undone when it comes while that is on trial."""
    tells_silence: ClassVar[bool] = False
    """Whether it is told because a sensor of `watched` is silent."""
    is_heat: ClassVar[bool] = False
    """Whether it says that a device is too warm, or is about to be."""
    is_sensor_fault: ClassVar[bool] = False
    """Whether it tells of the sensor itself, rather than of what that measures."""
    rests_on_trend: ClassVar[bool] = False
    """Whether it is judged by the days on record, which a note begins anew."""
    momentary: ClassVar[bool] = False
    """Whether it is over as soon as it is told, and needs no acknowledgement."""
    weekly_figure: ClassVar[str] = ""
    """The figure of a device's week that says the same: no summary tells both."""
    misses_readings: ClassVar[bool] = False
    """Whether the watch hears only part of what is sent while it stands."""
    consequence: ClassVar[str]
    """What comes of it if nobody acts: "if nobody acts, ..."."""
    time_to_respond: ClassVar[TimeToRespond]
    """How long there is to act; the default priority follows from it."""
    likely: str = ""
    """What it likely is; see `suspicion`."""
    response: str
    """What to do about it; the configuration may replace it."""

    def __init__(self, model: SiteModel, subject: str, settings: AlarmSettings) -> None:
        self.model = model
        self.subject = subject
        self.settings = settings
        self.unit = model.config.site.temperature_unit
        self.due: int | None = None
        keeps_away_h = settings.hold_h if isinstance(settings, HoldSettings) else self.keeps_away_h
        self.recurrence = Recurrence(self.free_raises, keeps_away_h)

    @classmethod
    def spec(cls) -> ConditionSpec:
        """What the configuration must know of this condition."""
        return ConditionSpec(cls.name, cls.kind, cls.Settings)

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """The subjects that it applies to: those whose table has all that it needs."""
        if cls.kind == "site":
            return (SITE_SUBJECT,)
        tables: Mapping[str, Any] = config.devices if cls.kind == "device" else config.sensors
        return [
            name
            for name, table in tables.items()
            if all(getattr(table, key) not in (None, ()) for key in cls.needs)
        ]

    # -- judging --------------------------------------------------------------------------------

    @property
    @abstractmethod
    def inputs(self) -> tuple[SensorView, ...]:
        """Sensors whose every live reading can change the judgement."""

    @property
    def watched(self) -> tuple[SensorView, ...]:
        """Sensors whose going missing or coming back can change the judgement."""
        return self.inputs

    @property
    def follows(self) -> DeviceView | None:
        """The device at each step of whose observer it is judged, if any."""
        return None

    @abstractmethod
    def judge(self, t: int, active: bool) -> bool | None:
        """Say whether the condition holds at `t` (watch ms).

        `active` says whether the alarm stands, for hysteresis. None when it can't be known: the
        alarm then keeps its state.
        """

    def hear(self, entry: Entry) -> None:  # noqa: B027 - most need not listen
        """Take a journal entry before it takes effect."""

    def told(self, active: bool) -> None:  # noqa: B027 - most need not know
        """Learn that after its delays the alarm stands, or no longer does."""

    def recovers(self) -> bool:
        """Whether what made it hold is over, and it only takes its time to show."""
        return False

    def cools_down(self, t: int, since_t: int) -> bool:
        """Whether the heat of another alarm, which ended at `since_t`, still explains it."""
        return False

    @property
    def explains_at(self) -> tuple[str, ...]:
        """The subjects whose alarms it may explain; empty for all."""
        return (self.subject,)

    def explains(self, other: "Condition") -> bool:
        """Whether it hides another while it stands: asked once, of all alarms at `explains_at`."""
        return isinstance(other, self.hides)

    def save(self) -> dict[str, Any]:
        """Give the memory as JSON-able values."""
        return {}

    def load(self, state: Mapping[str, Any]) -> None:  # noqa: B027 - most remember nothing
        """Go on from a saved memory."""

    # -- telling --------------------------------------------------------------------------------

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
    def off_delay_s(self) -> float:
        """How long it must be gone throughout before the alarm returns."""
        return self.settings.off_delay_s or 0.0

    @property
    def called(self) -> str:
        """What people call its subject."""
        return self.model.config.name_of(self.subject)

    def headline(self, others: Sequence[str], *, over: bool) -> str:
        """Say in a few words what is wrong, and whom else it befalls, or that it is over."""
        more = f" (also {listed(others)})" if others else ""
        return f"{self.called}: {self.over if over else self.predicate}{more}"

    @property
    def phrase(self) -> str:
        """What people read of it while it holds."""
        return f"{self.called}: {self.predicate}"

    def _c(self, value_c: float) -> str:
        """Write a temperature in the unit that people read, e.g. 48.3 °C."""
        return self.unit.temperature(value_c)

    def _k(self, value_k: float) -> str:
        """Write a difference of temperatures likewise, e.g. 12.4 K."""
        return self.unit.difference(value_k)

    def _back(self) -> str:
        """Say that it is over and only its alarm still stands, and why; without a full stop."""
        recurrence = self.recurrence
        when = self.model.clock(recurrence.away_t or 0)
        so_far = f"{self.called}: {self.over} since {when}"
        if not recurrence.is_held:
            lasts = describe_duration(self.off_delay_s)
            return f"{so_far} (its alarm ends once that has lasted {lasts})"
        times, first = counted(recurrence.times, "time"), self.model.clock(recurrence.first_t)
        away = describe_duration(recurrence.keeps_away_s)
        goes = f"but it comes and goes ({times} since {first})"
        return f"{so_far}, {goes}: its alarm ends once it has kept away for {away}"

    @property
    def suspicion(self) -> str:
        """What it likely is, as far as can be told now."""
        return self.likely

    @property
    def cause(self) -> str:
        """The event that explains this and others, whose alarms are one incident; else its own."""
        return f"{self.subject}/{self.name}"

    @property
    def remedy(self) -> str:
        """Our own words on what to do; some conditions have others as things get worse."""
        return self.response

    @property
    def urge(self) -> str:
        """What must be done at once because a trial is under way, as a clause; else empty."""
        return ""

    @property
    def advice(self) -> str:
        """What to do about it: the configuration's words, or ours; first what a trial demands."""
        advice = self.settings.response or self.remedy
        return f"{self.urge[0].upper()}{self.urge[1:]}. {advice}" if self.urge else advice


class DeviceCondition(Condition):
    """A condition of a device."""

    kind = "device"

    def __init__(self, model: SiteModel, subject: str, settings: AlarmSettings) -> None:
        super().__init__(model, subject, settings)
        self.device = model.devices[subject]

    @property
    def cause(self) -> str:
        """All that makes or tells its heat is one event."""
        return f"device/{self.subject}" if self.is_heat else super().cause

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

    needs: ClassVar[tuple[str, ...]] = ("ambient",)
    inputs: tuple[SensorView, ...] = ()

    @property
    def follows(self) -> DeviceView | None:
        """The device."""
        return self.device

    @property
    def watched(self) -> tuple[SensorView, ...]:
        """Temperature and ambient: without them there is no rise."""
        ambient = self.device.ambient
        return (self.device.temperature,) + (() if ambient is None else (ambient,))

    def _present_c(self, figures: Figures) -> float:
        """The last reading, as `values` gives it, or the last one judged while that is missing."""
        temperature_c = self.device.temperature_c
        return figures.temperature_c if temperature_c is None else temperature_c

    def _settling(self, figures: Figures) -> str:
        """Write where the rise is settling, give or take its 95 % interval; or what it is so far.

        A loss is told within the minute, when little can be known of where it leads.
        """
        settled_k, sd_k = figures.settled_rise_k, figures.settled_rise_sd_k
        if is_vague(settled_k, sd_k):
            course = "and climbing" if settled_k > figures.rise_k else "so far"
            return f"{self._k(figures.rise_k)} above the surrounding air {course}"
        return f"settling at {interval_k(settled_k, sd_k, self.unit)} above the surrounding air"


class SensorCondition(Condition):
    """A condition of a sensor."""

    kind = "sensor"
    free_raises = 1

    def __init__(self, model: SiteModel, subject: str, settings: AlarmSettings) -> None:
        super().__init__(model, subject, settings)
        self.sensor = model.sensors[subject]

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """The sensor itself."""
        return (self.sensor,)

    def values(self) -> dict[str, Any]:
        """The last value that was taken as true, in the sensor's SI unit."""
        return {
            "value": rounded(self.sensor.last_known, 3),
            "quantity": self.sensor.quantity,
        }

    def _reading(self) -> str:
        """Write the last value that was taken as true."""
        return quantity(self.sensor.value, self.sensor.quantity, self.unit)


class SiteCondition(Condition):
    """A condition of the watch itself; it is told, not measured."""

    kind = "site"
    inputs: tuple[SensorView, ...] = ()

    @property
    def phrase(self) -> str:
        """What people read of it while it holds."""
        return f"the watch is {self.predicate}"

    def __init__(self, model: SiteModel, subject: str, settings: AlarmSettings) -> None:
        super().__init__(model, subject, settings)
        self.site = model.site

    def headline(self, others: Sequence[str], *, over: bool) -> str:
        """It is of the watch itself."""
        return f"The watch is {self.over if over else self.predicate}"


_MOST_NAMED = 2


def listed(names: Sequence[str]) -> str:
    """Name one after the other; of many the first ones, and how many more."""
    if len(names) > _MOST_NAMED + 1:
        return f"{', '.join(names[:_MOST_NAMED])} and {len(names) - _MOST_NAMED} more"
    return " and ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))


SHUT_DOWN = (
    "Reduce its load or shut it down properly, now; pull the plug only if it does not answer."
)
"""What to do about gear that is too hot."""

NOT_YET_BACK = "not yet safely back within"
"""Where a value stands that is within its limit again, but not beyond deadband or off-delay."""


def beyond(value: float, setpoint: float, deadband: float, *, active: bool) -> bool:
    """Judge a high setpoint: raised above it, returned at or below setpoint minus deadband.

    OPC UA Part 9, annex B.1.5: a high alarm returns only below limit minus deadband.
    """
    return value > (setpoint - deadband if active else setpoint)


SIGMAS_95 = 1.96
"""Half the width of a 95 % interval, in standard deviations."""

_COARSE_K = 10.0
"""An uncertainty from here on makes decimals an empty promise."""

# By quantity: decimals that a sensor in a house deserves, and the unit as people read it.
_QUANTITIES = {
    "humidity": (0, "%"),
    "power": (1, "W"),
    "fan-speed": (0, "rpm"),
    "sound-level": (1, "dB"),
}


def quantity(value: float, kind: str, unit: TemperatureUnit) -> str:
    """Write a value of a sensor's quantity with its unit, e.g. 61 % or 900 rpm."""
    return unit.temperature(value) if kind == "temperature" else measure(value, *_QUANTITIES[kind])


def rpm(value: float) -> str:
    """Write a fan speed, e.g. 900 rpm."""
    return measure(value, *_QUANTITIES["fan-speed"])


_VAGUE_K = 3.0
"""Our choice: what is known to within this is worth telling, however small it is."""


def is_vague(value_k: float, sd_k: float) -> bool:
    """Whether the 95 % interval of a rise reaches down to none at all, and so tells nothing.

    >>> [is_vague(10.0, 5.0), is_vague(10.0, 5.2), is_vague(1.0, 1.5), is_vague(1.0, 1.6)]
    [False, True, False, True]
    """
    return SIGMAS_95 * sd_k > max(value_k, _VAGUE_K)


def interval_k(value_k: float, sd_k: float, unit: TemperatureUnit) -> str:
    """Write a difference with the half width of its 95 % interval, e.g. 21.3 K ± 1.2 K."""
    half_k = SIGMAS_95 * sd_k
    decimals = 0 if half_k >= _COARSE_K else 1
    ends = (unit.difference(each, decimals) for each in (value_k, half_k))
    return " ± ".join(ends).replace(" ", NBSP)


def watts(value_w: float) -> str:
    """Write a power in whole W, e.g. 40 W."""
    return measure(value_w, 0, "W")


def percent(fraction: float) -> str:
    """Write a fraction as per cent, e.g. 75 %."""
    return measure(100 * fraction, 0, "%")

"""What the engine knows of the whole site, of the watch itself, and of its connection.

A connection that is made says little: a second client under our client ID lets each of us in and
throws the other out, for ever. So a connection counts only once it has held.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from cabinetwatch.config.model import Config
from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.refusals import Refusals
from cabinetwatch.watch.sensors import FrozenWatch, SensorView, Witness

HOLDS_AFTER_MS = 30_000
"""How long a connection must have held to count as one; until then it may be a flapping one. Longer
than it takes to find out that a way carries nothing (one and a half keepalives of 15 s)."""

TAKEN_WITHIN_MS = 60_000
"""Two connections that the other side closed without a word, before they held, and both within
this: somebody else comes in under our client ID. Our choice."""

TAKEN_FOR_MS = 300_000
"""So long without a further sign, nobody takes our session any more: five of the longest waits
between two attempts of ours (common practice, no source)."""

End = Literal["taken", "closed", ""]
"""How a connection ended: the broker said that another client took the session over; it was closed
by the other side without a word; or neither."""


class ConnectionView:
    """The connection, as the journal's entries tell of it. Instants are watch time (ms).

    `up` says that the broker has let us in, `held` that it has held for so long since. `away_t` is
    when the last one that held was lost, or the watch started; None while one holds. `since_t` is
    since when the present one has been listened to without a break. `broken` counts those that were
    lost since `away_t`, before they held, the first of them at `flapped_t`.
    `taken_t` is the last sign that another client uses our client ID, None without any;
    `told_taken` whether the broker itself has said so.
    """

    order = -1
    """Of its deadline: at one instant it is settled before what hangs on it."""

    def __init__(self) -> None:
        self.up = False
        self.held = False
        self.since_t = 0
        self.away_t: int | None = None
        self.broken = 0
        self.flapped_t: int | None = None
        self.reason = ""
        self.client_id = ""
        self.taken_t: int | None = None
        self.told_taken = False
        self._closed_t: int | None = None
        self._neglected = False
        """Whether nobody listened for a while since it was made."""

    @property
    def due(self) -> int | None:
        """When the present connection will have held."""
        return self.since_t + HOLDS_AFTER_MS if self.up and not self.held else None

    @property
    def back(self) -> bool:
        """Whether there is a connection that nothing speaks against, though it may not hold yet.

        It doesn't count for what is raised already; it keeps an absence that seems over from being
        raised.
        """
        return self.held or (self.up and self.flapped_t is None)

    def is_taken(self, t: int) -> bool:
        """Whether another client, as far as known, uses our client ID at `t`."""
        return self.taken_t is not None and t < self.taken_t + TAKEN_FOR_MS

    def begin(self, t: int) -> None:
        """The watch starts: that nobody takes the session any more must show anew."""
        self.away_t = t
        if self.taken_t is not None:
            self.taken_t = t

    def stop(self, t: int) -> None:
        """The watch has left the broker in good order, or is found to have ended."""
        self._leave(t)
        self.broken, self.flapped_t, self._closed_t = 0, None, None
        self.reason = ""
        if not self.is_taken(t):
            self.taken_t = None

    def made(self, t: int, data: Mapping[str, Any]) -> None:
        """The broker has let us in."""
        self.up, self.held, self.since_t = True, False, t
        self._neglected = False
        self.client_id = str(data.get("client_id", ""))

    def hold(self) -> None:
        """It has held for so long that it counts."""
        self.held = True
        self.away_t, self.broken, self.flapped_t = None, 0, None
        self._closed_t = None
        self.reason = ""

    def paused(self, to_t: int, ms: int) -> None:
        """Nobody listened for `ms` until `to_t`: from there on it must hold, and be heard.

        A broker breaks off with who doesn't listen: that says nothing against the connection.
        """
        if self.up:
            self.since_t, self._neglected = to_t, True
        if self.away_t is not None:
            self.away_t += ms
        if self.flapped_t is not None:
            self.flapped_t += ms

    def lost(self, t: int, data: Mapping[str, Any]) -> None:
        """It is gone; or, without any, an attempt failed."""
        end = data.get("end", "")
        if self.up and not self._neglected:
            self._look_who(t, end)
        elif not self.up:
            # Where another client takes our place the broker lets us in each time.
            self._closed_t = None
        if self.up and not self.held and not self._neglected:
            self.broken += 1
            self.flapped_t = t if self.flapped_t is None else self.flapped_t
        self.reason = str(data.get("reason", ""))
        self._leave(t)

    def _look_who(self, t: int, end: End) -> None:
        was_taken = self.is_taken(t)
        before_t, self._closed_t = self._closed_t, None
        if end == "taken":
            self.taken_t, self.told_taken = t, True
        elif end == "closed" and was_taken:
            # Known to be so: then any connection that is closed says that it goes on.
            self.taken_t = t
        elif end == "closed" and not self.held:
            if before_t is not None and t - before_t <= TAKEN_WITHIN_MS:
                self.taken_t, self.told_taken = t, False
            self._closed_t = t

    def _leave(self, t: int) -> None:
        if self.held:
            self.away_t = t
        self.up = self.held = False

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {
            "held": self.held,
            "since_t": self.since_t,
            "away_t": self.away_t,
            "broken": self.broken,
            "flapped_t": self.flapped_t,
            "client_id": self.client_id,
            "taken_t": self.taken_t,
            "told_taken": self.told_taken,
            "closed_t": self._closed_t,
            "neglected": self._neglected,
        }

    def load(self, state: Mapping[str, Any], *, up: bool, reason: str) -> None:
        """Go on from a saved state; one of an earlier version says only whether there was one."""
        self.up, self.reason = up, reason
        self.held = state.get("held", up)
        self.since_t = state.get("since_t", 0)
        self.away_t = state.get("away_t")
        self.broken = state.get("broken", 0)
        self.flapped_t = state.get("flapped_t")
        self.client_id = state.get("client_id", "")
        self.taken_t = state.get("taken_t")
        self.told_taken = state.get("told_taken", False)
        self._closed_t = state.get("closed_t")
        self._neglected = state.get("neglected", False)


@dataclass(slots=True)
class SiteView:
    """The state of the watch itself. Instants are watch time (ms).

    `failing` holds, for each channel that can't deliver now, the error and whether it is final.
    """

    name: str
    running: bool = False
    store_error: str | None = None
    readings_lost: int = 0
    store_note: str = ""
    store_set_aside: bool = False
    failing: dict[str, tuple[str, bool]] = field(default_factory=dict)
    connection: ConnectionView = field(default_factory=ConnectionView)
    refusals: Refusals = field(default_factory=Refusals)

    @property
    def connected(self) -> bool:
        """Whether the broker has let us in, though the connection may not hold."""
        return self.connection.up

    def forget_channels_but(self, channels: set[str]) -> None:
        """Forget the faults of channels that are no longer delivered by."""
        self.failing = {name: fault for name, fault in self.failing.items() if name in channels}

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {
            "running": self.running,
            "connected": self.connected,
            "disconnect_reason": self.connection.reason,
            "connection": self.connection.save(),
            "store_error": self.store_error,
            "readings_lost": self.readings_lost,
            "store_note": self.store_note,
            "store_set_aside": self.store_set_aside,
            "failing": {channel: list(fault) for channel, fault in self.failing.items()},
            "refusals": self.refusals.save(),
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self.running = state["running"]
        self.connection.load(
            state.get("connection", {}), up=state["connected"], reason=state["disconnect_reason"]
        )
        self.store_error = state["store_error"]
        self.readings_lost = state["readings_lost"]
        self.store_note = state.get("store_note", "")
        self.store_set_aside = state.get("store_set_aside", False)
        self.failing = {name: (error, final) for name, (error, final) in state["failing"].items()}
        self.refusals = Refusals.load(state.get("refusals", {}))


MOVED_K = 2.0
"""How far what drives a device's temperature must move before that has to move too."""

NEIGHBOUR_MOVED_K = 4.0
"""The same for the neighbours of an ambient, which also move by their own load: our choice."""


def watch_for_standing_still(
    sensors: Mapping[str, SensorView], devices: Mapping[str, DeviceView]
) -> None:
    """Give each temperature of a device, and each ambient, a watch with its witnesses.

    A device's temperature is driven by the ambient as it feels it and by its load. An ambient that
    is no device's own temperature has the devices in it as witnesses, and all of them must move.
    """
    for sensor in sensors.values():
        driven = [d for d in devices.values() if d.temperature is sensor and d.ambient is not None]
        within = [device for device in devices.values() if device.ambient is sensor]
        if driven:
            sensor.frozen = FrozenWatch([_driver(device) for device in driven], MOVED_K)
        elif within:
            witnesses = [_temperature(device.temperature) for device in within]
            sensor.frozen = FrozenWatch(witnesses, NEIGHBOUR_MOVED_K)


def _driver(device: DeviceView) -> Witness:
    def driver_c() -> tuple[int, float] | None:
        figures = device.heading
        if figures is None:
            return None
        if figures.power_w is None or figures.normal_rise_k is None:
            return 1, figures.felt_ambient_c
        reckoning = device.observer.learning.learnt_ms or 2
        return reckoning, figures.felt_ambient_c + figures.normal_rise_k

    return driver_c


def _temperature(sensor: SensorView) -> Witness:
    def temperature_c() -> tuple[int, float] | None:
        return (1, sensor.value) if sensor.good else None

    return temperature_c


_ORDERS_A_SENSOR = 2


@dataclass(frozen=True, slots=True)
class SiteModel:
    """All views of one configuration. `next_order` is free for whoever needs deadlines next."""

    config: Config
    sensors: dict[str, SensorView]
    devices: dict[str, DeviceView]
    site: SiteView
    next_order: int

    @classmethod
    def build(cls, config: Config) -> "SiteModel":
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

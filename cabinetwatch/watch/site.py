"""What the engine knows of the whole site, of the watch itself, and of its connection.

A connection that is made says little: a second client under our client ID lets each of us in and
throws the other out, for ever. So a connection counts only once it has held.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Literal

from cabinetwatch.config.model import Config
from cabinetwatch.config.services import Notify
from cabinetwatch.text import local_time
from cabinetwatch.thermal.device import STILL_K
from cabinetwatch.watch.devices import DeviceView, with_sensors_called
from cabinetwatch.watch.events import Entry, EntryKind, Refusal, Refusals, renamed_refusals
from cabinetwatch.watch.sensors import SLOWEST_MS, FrozenWatch, Seen, SensorView

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

    key = "the connection"
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
        self.closed_t: int | None = None
        self.neglected = False
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
        self.broken, self.flapped_t, self.closed_t = 0, None, None
        self.reason = ""
        if not self.is_taken(t):
            self.taken_t = None

    def made(self, t: int, data: Mapping[str, Any]) -> None:
        """The broker has let us in."""
        self.up, self.held, self.since_t = True, False, t
        self.neglected = False
        self.client_id = str(data.get("client_id", ""))

    def lapse(self, t: int) -> None:
        """It has held for so long that it counts."""
        self.held = True
        self.away_t, self.broken, self.flapped_t = None, 0, None
        self.closed_t = None
        self.reason = ""

    def paused(self, to_t: int, ms: int) -> None:
        """Nobody listened for `ms` until `to_t`: from there on it must hold, and be heard.

        A broker breaks off with who doesn't listen: that says nothing against the connection.
        """
        if self.up:
            self.since_t, self.neglected = to_t, True
        if self.away_t is not None:
            self.away_t += ms
        if self.flapped_t is not None:
            self.flapped_t += ms

    def lost(self, t: int, data: Mapping[str, Any]) -> None:
        """It is gone; or, without any, an attempt failed."""
        end = data.get("end", "")
        if self.up and not self.neglected:
            self._look_who(t, end)
        elif not self.up:
            # Where another client takes our place the broker lets us in each time.
            self.closed_t = None
        if self.up and not self.held and not self.neglected:
            self.broken += 1
            self.flapped_t = t if self.flapped_t is None else self.flapped_t
        self.reason = str(data.get("reason", ""))
        self._leave(t)

    def _look_who(self, t: int, end: End) -> None:
        was_taken = self.is_taken(t)
        before_t, self.closed_t = self.closed_t, None
        if end == "taken":
            self.taken_t, self.told_taken = t, True
        elif end == "closed" and was_taken:
            # Known to be so: then any connection that is closed says that it goes on.
            self.taken_t = t
        elif end == "closed" and not self.held:
            if before_t is not None and t - before_t <= TAKEN_WITHIN_MS:
                self.taken_t, self.told_taken = t, False
            self.closed_t = t

    def _leave(self, t: int) -> None:
        if self.held:
            self.away_t = t
        self.up = self.held = False

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {name: getattr(self, name) for name in _KEPT}

    def load(self, state: Mapping[str, Any], *, up: bool, reason: str) -> None:
        """Go on from a saved state; one of an earlier version says only whether there was one."""
        self.up = self.held = up
        self.reason = reason
        for name in _KEPT & state.keys():
            setattr(self, name, state[name])


_KEPT = {
    "held", "since_t", "away_t", "broken", "flapped_t", "client_id", "taken_t", "told_taken",
    "closed_t", "neglected",
}  # fmt: skip
"""Attributes of a connection that are saved as they are."""


@dataclass(slots=True)
class SiteView:
    """The state of the watch itself. Instants are watch time (ms).

    `failing` holds, for each channel that can't deliver now, the error and whether it is final.
    """

    running: bool = False
    store_error: str | None = None
    readings_lost: int = 0
    store_note: str = ""
    store_set_aside: bool = False
    failing: dict[str, tuple[str, bool]] = field(default_factory=dict)
    offset_ms: int = 0
    """What makes UTC of watch time."""
    connection: ConnectionView = field(default_factory=ConnectionView)
    refusals: Refusals = field(default_factory=Refusals)

    @property
    def connected(self) -> bool:
        """Whether the broker has let us in, though the connection may not hold."""
        return self.connection.up

    def forget_channels(self, notify: Notify) -> None:
        """Forget the faults of channels by which a configuration no longer tells of alarms.

        Where summaries still go by one, the next to fail says so anew.
        """
        for name in self.failing.keys() - notify.for_alarms:
            del self.failing[name]

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {name: getattr(self, name) for name in _KEPT_OF_SITE} | {
            "connected": self.connected,
            "disconnect_reason": self.connection.reason,
            "connection": self.connection.save(),
            "failing": {channel: list(fault) for channel, fault in self.failing.items()},
            "refusals": self.refusals.save(),
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Go on from a saved state; one of an earlier version lacks some of it."""
        for name in _KEPT_OF_SITE & state.keys():
            setattr(self, name, state[name])
        self.connection.load(
            state.get("connection", {}), up=state["connected"], reason=state["disconnect_reason"]
        )
        self.failing = {name: (error, final) for name, (error, final) in state["failing"].items()}
        self.refusals = Refusals.load(state.get("refusals", {}))


_KEPT_OF_SITE = {"running", "store_error", "readings_lost", "store_note", "store_set_aside"}
"""Attributes of the watch that are saved as they are."""

NEIGHBOUR_MOVED_K, NEIGHBOURS_MOVED_K = 4.0, 2.0
"""How far what stands in an ambient must move, beyond what its load did, before the ambient has to
move too: one device by itself, and where several all do (our choice). One alone may have lost its
cooling."""


EXPECTED_FOR_MS = 900_000
"""How long what was expected of a device's temperature holds: longer than readings are apart."""


def watch_for_standing_still(
    sensors: Mapping[str, SensorView], devices: Mapping[str, DeviceView]
) -> None:
    """Give each temperature of a device, and each ambient, a watch with its witnesses.

    A device's temperature is driven by the ambient as it feels it and by its load: its witness is
    what its model expects. An ambient that is no device's own temperature has the devices in it as
    witnesses (see `FrozenWatch`).
    """
    for sensor in sensors.values():
        driven = [d for d in devices.values() if d.temperature is sensor and d.ambient is not None]
        within = [device for device in devices.values() if device.ambient is sensor]
        if driven:
            witnesses = [partial(_expected_c, device) for device in driven]
            sensor.frozen = FrozenWatch(witnesses, STILL_K, flickers=True)
        elif within:
            witnesses = [partial(_unloaded_c, device) for device in within]
            moved_k = NEIGHBOURS_MOVED_K if len(within) > 1 else NEIGHBOUR_MOVED_K
            sensor.frozen = FrozenWatch(witnesses, moved_k)


def _expected_c(device: DeviceView) -> Seen | None:
    expected = device.observer.expectation
    if expected is None or not device.rise_is_known:
        return None
    if device.temperature.t - expected.t_ms > EXPECTED_FOR_MS:
        # Nothing was judged for a while: the next will be a jump.
        return None
    value_c = expected.felt_ambient_c + expected.load_rise_k
    if not expected.response_known:
        return Seen(expected.reckoning, value_c, SLOWEST_MS)
    return Seen(expected.reckoning, value_c)


def _unloaded_c(device: DeviceView) -> Seen | None:
    """Give a device's temperature, less the rise that its load explains."""
    sensor, expected = device.temperature, device.observer.expectation
    if not sensor.good:
        return None
    if expected is None:
        return Seen(1, sensor.value)
    return Seen(expected.reckoning, sensor.value - expected.load_rise_k)


Rates = Callable[[Config, str], Mapping[str, float]]
"""Gives the rates of false alarms that a device's observer is made for."""


class SiteModel:
    """All views of one configuration, with nothing heard yet."""

    def __init__(self, config: Config, rates: Rates) -> None:
        self.config = config
        self.site = SiteView()
        self.sensors = {
            sensor_id: SensorView(sensor_id, config, rank)
            for rank, sensor_id in enumerate(sorted(config.sensors))
        }
        self.next_order = 3 * len(self.sensors)
        """Free for whoever needs deadlines next: each sensor has three."""
        self.devices = {
            device_id: DeviceView(device_id, config, self.sensors, rates(config, device_id))
            for device_id in sorted(config.devices)
        }
        for device_id, view in self.devices.items():
            view.enclosing = [self.devices[outer] for outer in config.enclosing(device_id)]
            for around in view.enclosing:
                around.enclosed.append(view)
        watch_for_standing_still(self.sensors, self.devices)

    def hear(self, entry: Entry) -> None:
        """Take what another part of the watch has noticed."""
        site, data = self.site, entry.data
        if entry.kind is EntryKind.STORE:
            site.store_error = None if data["ok"] else str(data["error"])
            site.readings_lost = int(data.get("lost", 0))
            site.store_note = str(data.get("note", ""))
            site.store_set_aside = data.get("set_aside") is True
        elif entry.kind is EntryKind.DELIVERY:
            channel = str(data["channel"])
            if data["ok"]:
                site.failing.pop(channel, None)
            else:
                site.failing[channel] = (str(data["error"]), bool(data["permanent"]))
        elif entry.kind is EntryKind.REFUSED:
            site.refusals.note(Refusal.told_by(entry))
        elif entry.kind is EntryKind.UNHEARD:
            for name, counts in data["sensors"].items():
                if (sensor := self.sensors.get(name)) is not None:
                    sensor.unheard.note(entry.t, counts, sensor.heard_t)

    def clock(self, t: int) -> str:
        """Write an instant of watch time as the site's clocks show it, e.g. 30 Nov 10:02."""
        local = local_time(t + self.site.offset_ms, self.config.site.timezone, "%d %b %H:%M")
        return local.lstrip("0")

    def device_measured_by(self, sensor: SensorView) -> DeviceView | None:
        """Give the device whose temperature a sensor is, if any."""
        return next((d for d in self.devices.values() if d.temperature is sensor), None)

    def save(self, devices: Mapping[str, Any]) -> dict[str, Any]:
        """Give the state of all views, those of the devices as they are handed over."""
        return {
            "site": self.site.save(),
            "sensors": {name: sensor.save() for name, sensor in self.sensors.items()},
            "devices": devices,
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Go on from a saved state; what the configuration no longer knows is passed over."""
        self.site.load(state["site"])
        for name in state["sensors"].keys() & self.sensors.keys():
            self.sensors[name].load(state["sensors"][name])
        for name in state["devices"].keys() & self.devices.keys():
            self.devices[name].load(state["devices"][name])


def renamed(state: Mapping[str, Any], old: str, new: str) -> dict[str, Any]:
    """Give an engine's saved state as it would be had a sensor always had its new ID."""

    def called(name: str) -> str:
        return new if name == old else name

    def key_of(alarm: str) -> str:
        subject, _, condition = alarm.partition("/")
        return f"{called(subject)}/{condition}"

    incidents = [
        each
        | {
            "cause": key_of(each["cause"]),
            "raised": [key_of(key) for key in each["raised"]],
            "seen": {called(name): seen for name, seen in each["seen"].items()},
        }
        for each in state["incidents"]["open"]
    ]
    return {
        **state,
        "site": state["site"] | {"refusals": renamed_refusals(state["site"]["refusals"], called)},
        "sensors": {called(name): each for name, each in state["sensors"].items()},
        "devices": {
            name: each | {"made_for": with_sensors_called(each["made_for"], called)}
            for name, each in state["devices"].items()
        },
        "alarms": {key_of(key): each for key, each in state["alarms"].items()},
        "incidents": state["incidents"] | {"open": incidents},
        "waiting": sorted([t, called(name), value] for t, name, value in state["waiting"]),
    }

"""The engine: told what was measured and when, it answers with the transitions that follow."""

import heapq
from collections.abc import Mapping
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.thermal.plausible import Quality as Verdict
from cabinetwatch.watch.alarm import Alarm
from cabinetwatch.watch.commands import Answer, carry_out
from cabinetwatch.watch.deadlines import Deadlines
from cabinetwatch.watch.deeds import DEEDS, carry_out_deed, withhold
from cabinetwatch.watch.entry import Entry, EntryKind
from cabinetwatch.watch.frozen import FrozenWatch
from cabinetwatch.watch.house import House
from cabinetwatch.watch.panel import Panel
from cabinetwatch.watch.power import PowerHold
from cabinetwatch.watch.reading import Quality, Reading
from cabinetwatch.watch.sensors import (
    SETTLE_AFTER_BOOT_MS,
    SensorView,
    SilenceDeadline,
    StaleDeadline,
)
from cabinetwatch.watch.transition import Transition
from cabinetwatch.watch.trials import TrialBook

STATE_VERSION = 7
"""Of what `save` gives; a state of another version is not loaded."""

_NOTHING: list[Transition] = []
_GOOD = Verdict.GOOD


class Engine:
    """Judges one site on watch time. Knows no clock: `now` moves only by what it is told.

    `observe`, `tell` and `advance` take instants that never go back (watch ms), and return the
    transitions that follow, in order. What falls due between two calls is dated when it was due.
    """

    def __init__(self, config: Config) -> None:
        self.now = 0
        self.offset_ms = 0
        self.answer: Answer | None = None
        """What became of the last command told."""
        self.trials = TrialBook()
        self._build(config)

    def _build(self, config: Config) -> None:
        self.config = config
        self.house = House.build(config)
        self._lateness_ms = round(config.site.lateness_s * 1000)
        self._deadlines = Deadlines()
        self._waiting: list[tuple[int, str, float]] = []
        self._panel = Panel(self.house, self._deadlines)
        # The panel's own: it is looked at with each reading.
        self._touched = self._panel.touched

    @property
    def alarms(self) -> Mapping[str, Alarm]:
        """All alarms of the site, by SUBJECT/CONDITION."""
        return self._panel.alarms

    # -- what is measured -------------------------------------------------------------------

    def observe(self, reading: Reading) -> list[Transition]:
        """Take one reading; see `Reading` for which instants it may carry."""
        sensor_id, t, value, quality = reading
        sensor = self.house.sensors.get(sensor_id)
        if quality == Quality.LIVE:
            told = self.advance(t) if t >= self._deadlines.next_t or self._waiting else _NOTHING
            self.now = t
            if sensor is not None:
                self._hear(sensor, t, value)
                if self._touched:
                    return told + self._settle(t)
            return told
        if sensor is None or quality == Quality.LATE:
            return _NOTHING
        if quality == Quality.TIMED:
            heapq.heappush(self._waiting, (t, sensor_id, value))
        else:
            self._remember(sensor, t, value)
        return _NOTHING

    def _hear(self, sensor: SensorView, t: int, raw_value: float) -> None:
        """Judge a live reading. The hot path: most readings change no judgement."""
        value = raw_value + sensor.offset
        sensor.last_live_t = t
        sensor.heard_t = self.now
        screen = sensor.screen
        if screen is not None:
            if screen.judge(t, value, raw_value) is not _GOOD:
                self._set_aside(sensor, t, value)
                return
            sensor.note_step(value)
        frozen = sensor.frozen
        if frozen is not None and self._is_frozen(sensor, frozen, t, value):
            return
        sensor.value = value
        sensor.t = sensor.taken_t = t
        revived = not sensor.good or sensor.silent
        if revived:
            sensor.good, sensor.silent, sensor.implausible, sensor.stuck = True, False, False, False
        for feed, alarms in sensor.feeds:
            if feed(t, value):
                for alarm in alarms:
                    raw = alarm.condition.judge(t, alarm.active)
                    if raw is not alarm.raw:
                        self._panel.take(alarm, raw, self.now, t)
        for alarm in sensor.judged:
            raw = alarm.condition.judge(t, alarm.active)
            if raw is not alarm.raw or alarm.condition.due is not None:
                self._panel.take(alarm, raw, self.now, t)
        if revived:
            self._revived(sensor)

    def _set_aside(self, sensor: SensorView, t: int, value: float) -> None:
        """A value that can't be true is not taken; the sensor counts as heard all the same."""
        sensor.wild_value = value
        implausible = sensor.screen is not None and sensor.screen.implausible
        if implausible and not sensor.implausible:
            sensor.implausible = True
            self._distrust(sensor, t)
        self._heard(sensor)

    def _is_frozen(self, sensor: SensorView, frozen: FrozenWatch, t: int, value: float) -> bool:
        """Say whether the sensor is stuck; it then counts as heard and is not taken."""
        if value != sensor.value:
            if sensor.stuck:
                frozen.recovered(t)
            frozen.changed(t, value)
            return False
        if frozen.stands(t, value) and not sensor.stuck:
            sensor.stuck = True
            self._distrust(sensor, t)
        if sensor.stuck:
            self._heard(sensor)
        return sensor.stuck

    def _heard(self, sensor: SensorView) -> None:
        """Whatever it says, the sensor is not silent."""
        if sensor.silent:
            sensor.silent = False
            self._deadlines.set(sensor.silence)
            self._panel.judge(sensor.watchers, self.now)

    def _remember(self, sensor: SensorView, t: int, value: float) -> None:
        """Keep a value that is not judged as the last known one, if it is newer."""
        if t >= sensor.t:
            sensor.value = value + sensor.offset
            sensor.t = t

    def _revived(self, sensor: SensorView) -> None:
        self._deadlines.set(sensor.stale)
        self._deadlines.set(sensor.silence)
        for device in self.house.devices.values():
            for hold in device.power_holds:
                if hold.sensor is sensor:
                    hold.lapsed = False
        self._panel.judge(sensor.watchers, self.now)

    def _settle(self, t: int) -> list[Transition]:
        return self._panel.settle(t, self.offset_ms)

    # -- what falls due -----------------------------------------------------------------------

    @property
    def next_t(self) -> float:
        """When something falls due next (watch ms), infinite if nothing does."""
        if not self._waiting:
            return self._deadlines.next_t
        return min(self._deadlines.next_t, self._waiting[0][0] + self._lateness_ms)

    def advance(self, to: int) -> list[Transition]:
        """Let time pass up to and including `to`: everything due is dated when it was due."""
        told: list[Transition] = []
        while (due := self.next_t) <= to:
            t = self.now = max(self.now, int(due))
            self._release(t)
            while (item := self._deadlines.pop(t)) is not None:
                self._fall_due(item, t)
            if self._touched:
                told += self._settle(t)
        self.now = max(self.now, to)
        return told

    def _release(self, t: int) -> None:
        """Judge the readings with a time of their own that have waited long enough, in order."""
        while self._waiting and self._waiting[0][0] + self._lateness_ms <= t:
            own_t, sensor_id, value = heapq.heappop(self._waiting)
            sensor = self.house.sensors[sensor_id]
            if own_t >= sensor.t:
                self._hear(sensor, own_t, value)

    def _fall_due(self, item: object, t: int) -> None:
        if isinstance(item, Alarm):
            item.expire(t)
            self._panel.touch(item)
            self._panel.judge((item,), self.now)
        elif isinstance(item, StaleDeadline):
            self._distrust(item.sensor, t)
        elif isinstance(item, SilenceDeadline):
            item.sensor.silent = True
            self._panel.judge(item.sensor.watchers, self.now)
        elif isinstance(item, PowerHold):
            item.lapsed = True
            self._panel.judge(item.sensor.judged, self.now)
            if item.device.power_gone(t):
                self._panel.judge(item.device.step_alarms, self.now)

    def _distrust(self, sensor: SensorView, t: int) -> None:
        """From now on nothing is judged by a sensor that is stale, stuck or implausible."""
        sensor.good = False
        for device in self.house.devices.values():
            for hold in device.power_holds:
                if hold.sensor is sensor:
                    self._deadlines.set(hold)
            if device.ambient is sensor:
                device.ambient_gone()
        for alarm in sensor.watchers:
            self._panel.take(alarm, alarm.condition.judge(t, alarm.active), self.now, t)

    # -- what the engine is told beside readings ------------------------------------------------

    def tell(self, entry: Entry) -> list[Transition]:
        """Take one journal entry; a new configuration goes to `configure` instead."""
        if entry.kind is EntryKind.START:
            return self._start(entry)
        told = self.advance(entry.t)
        for alarm in self.alarms.values():
            alarm.condition.hear(entry, self.offset_ms)
        site, data = self.house.site, entry.data
        if entry.kind is EntryKind.STOP:
            site.running = False
            self._offline("")
        elif entry.kind is EntryKind.CONNECT:
            site.connected, site.disconnect_reason = True, ""
            self._online(entry.t)
        elif entry.kind is EntryKind.DISCONNECT:
            self._offline(str(data.get("reason", "")))
        elif entry.kind is EntryKind.OFFSET:
            self.offset_ms = int(data["offset_ms"])
        elif entry.kind is EntryKind.STORE:
            site.store_error = None if data["ok"] else str(data["error"])
            site.readings_lost = int(data.get("lost", 0))
            site.store_note = str(data.get("note", ""))
        elif entry.kind is EntryKind.DELIVERY:
            self._delivery(data)
        elif entry.kind is EntryKind.COMMAND:
            self.answer = self._obey(data, entry.t)
            for alarm in self.answer.alarms:
                self._panel.touch(alarm)
            self._panel.judge(self.answer.alarms, self.now)
        self._panel.judge_site(self.now)
        return told + self._settle(entry.t)

    def _obey(self, command: Mapping[str, Any], t: int) -> Answer:
        alarms, devices = self.alarms.values(), self.house.devices
        if command.get("command") in DEEDS:
            return carry_out_deed(command, self.trials, alarms, devices, (t, self.offset_ms))
        return carry_out(command, alarms, devices, t)

    def _start(self, entry: Entry) -> list[Transition]:
        """Begin a run. What falls due while nothing ran is dated then, but nothing was silent."""
        ran_until_ms = entry.data.get("ran_until_ms")
        told = [] if ran_until_ms is None else self.advance(int(ran_until_ms))
        self.house.site.running = False
        self._offline("")
        told += self.advance(entry.t)
        self.offset_ms = int(entry.data["offset_ms"])
        boot_ms = int(entry.data["boot_ms"])
        for sensor in self.house.sensors.values():
            sensor.silence.not_before_t = boot_ms + SETTLE_AFTER_BOOT_MS
        self.house.site.running = True
        self._panel.judge_site(self.now)
        return told + self._settle(entry.t)

    def _online(self, t: int) -> None:
        """Silence counts anew from here."""
        for sensor in self.house.sensors.values():
            sensor.silence.online_t = t
            self._deadlines.set(sensor.silence)

    def _offline(self, reason: str) -> None:
        self.house.site.connected = False
        self.house.site.disconnect_reason = reason
        for sensor in self.house.sensors.values():
            sensor.silence.online_t = None

    def _delivery(self, data: Any) -> None:
        failing = self.house.site.failing
        channel = str(data["channel"])
        if data["ok"]:
            failing.pop(channel, None)
        else:
            failing[channel] = (str(data["error"]), bool(data["permanent"]))

    def configure(self, config: Config, t: int) -> list[Transition]:
        """Put another configuration in force at `t`: alarms and memories that still exist go on.

        An alarm that stands but has no place in it is told as normal, so that nothing is left
        standing that nobody judges.
        """
        told = self.advance(t)
        gone = {key: alarm for key, alarm in self.alarms.items() if alarm.state != "normal"}
        state = self.save()
        self._build(config)
        self.load(state)
        self.house.site.forget_channels_but(_channels(config))
        for key in sorted(gone.keys() - self.alarms.keys()):
            told.append(self._panel.dropped(gone[key], t, self.offset_ms))
        self._panel.judge(self.alarms.values(), self.now)
        return told + self._settle(t)

    # -- state ------------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """Give the whole state as JSON-able values, for a warm start."""
        return {
            "version": STATE_VERSION,
            "now": self.now,
            "offset_ms": self.offset_ms,
            "site": self.house.site.save(),
            "sensors": {
                name: sensor.save()
                | {
                    "online_t": sensor.silence.online_t,
                    "not_before_t": sensor.silence.not_before_t,
                }
                for name, sensor in self.house.sensors.items()
            },
            "devices": {name: device.save() for name, device in self.house.devices.items()},
            "alarms": {key: alarm.save() for key, alarm in self.alarms.items()},
            "waiting": [list(item) for item in sorted(self._waiting)],
            "trials": self.trials.save(),
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved state; what the configuration no longer knows is passed over."""
        self.now = state["now"]
        self.offset_ms = state["offset_ms"]
        self.house.site.load(state["site"])
        for name, saved in state["sensors"].items():
            if (sensor := self.house.sensors.get(name)) is not None:
                sensor.load(saved)
                sensor.silence.online_t = saved["online_t"]
                sensor.silence.not_before_t = saved["not_before_t"]
        for name, saved in state["devices"].items():
            if (device := self.house.devices.get(name)) is not None:
                device.load(saved)
        for key, saved in state["alarms"].items():
            if (alarm := self.alarms.get(key)) is not None:
                alarm.load(saved)
        self._waiting = [
            (t, name, value) for t, name, value in state["waiting"] if name in self.house.sensors
        ]
        self.trials.load(state["trials"])
        self._resume()

    def _resume(self) -> None:
        """Derive after a load what is not saved: suppression and deadlines."""
        withhold(self.trials, self.alarms.values(), self.house.devices)
        for alarm in self.alarms.values():
            alarm.refresh_suppression()
            self._deadlines.set(alarm)
        for sensor in self.house.sensors.values():
            self._deadlines.set(sensor.stale)
            self._deadlines.set(sensor.silence)
        for device in self.house.devices.values():
            for hold in device.power_holds:
                due = hold.due
                if due is not None and due <= self.now:
                    hold.lapsed = True
                self._deadlines.set(hold)


def _channels(config: Config) -> set[str]:
    """Give the channels that a configuration delivers by."""
    notify = config.notify
    wanted = {
        "email": notify.email is not None,
        "mqtt": notify.mqtt.enabled,
        "command": notify.command is not None,
    }
    return {channel for channel, is_wanted in wanted.items() if is_wanted}

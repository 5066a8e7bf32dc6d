"""The engine: told what was measured and when, it answers with the transitions that follow.

It hears readings and journal entries, lets fall due what is due, and goes back to before what can't
be judged. What a sensor, a device or the site is at an instant, its views know (`SiteModel`); what
is to be told, the alarms (`AlarmManager`).
"""

import heapq
import math
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.thermal.sensing import Quality as Verdict
from cabinetwatch.watch.alarms import Alarm, AlarmManager, Deadlines, Route, Timed
from cabinetwatch.watch.commands import CommandDesk, CommandResult
from cabinetwatch.watch.conditions import observer_rates
from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.events import (
    DEADLINE,
    LONGEST_EXCERPT,
    MANY_SINCE,
    MOST_SINCE,
    RESET_AFTER,
    REST_MS,
    Account,
    Entry,
    EntryKind,
    Quality,
    Reading,
    Refusal,
    RestorePoint,
    Transition,
    Waited,
    describe_error,
)
from cabinetwatch.watch.incidents import IncidentBook
from cabinetwatch.watch.sensors import (
    SETTLE_AFTER_BOOT_MS,
    PowerHold,
    SensorView,
    SilenceDeadline,
    StaleDeadline,
    Unheard,
)
from cabinetwatch.watch.site import ConnectionView, SiteModel, renamed
from cabinetwatch.watch.trials import TrialBook

STATE_VERSION = 7
"""Of what `save` gives; a state of another version is not loaded."""

_MOST_TOLD = 100
_MOST_PASSED = 1_000
"""So much may go wrong within one call before even that is given up."""

_MALFORMED = (AttributeError, KeyError, TypeError, ValueError, OverflowError)
"""What reading an entry that isn't as it should be may raise."""


class Engine:
    """Judges one site on watch time. Knows no clock: `now` moves only by what it is told.

    `observe`, `tell` and `advance` take instants that never go back (watch ms), and return the
    transitions that follow, in order. What falls due between two calls is dated when it was due.

    What can't be judged because judging it raises is set aside: the engine goes back to its state
    before it, goes on without, and tells of it as `input-refused`. A replay does the same.
    """

    def __init__(self, config: Config) -> None:
        self.now = 0
        self.answer: CommandResult | None = None
        """What became of the last command told."""
        self.refused: deque[Refusal] = deque(maxlen=_MOST_TOLD)
        """What was set aside lately, for who writes the log to take out."""
        self._restore = RestorePoint()
        self._since = self._restore.since
        self._going_back = False
        self._falling: int | Waited | None = None
        """What is being judged because it fell due."""
        self._build(config)

    def _build(self, config: Config) -> None:
        self.config = config
        self.trials = TrialBook()
        self.model = SiteModel(config, observer_rates)
        self._deadlines = Deadlines()
        self._lateness_ms = round(config.site.lateness_s * 1000)
        self._waiting: list[Waited] = []
        """Readings with a time of their own, whose turn is `lateness_s` after it."""
        self._manager = AlarmManager(self.model, self._deadlines)
        self.incidents = IncidentBook(self.model, self._manager)
        self._desk = CommandDesk(self.model, self._manager, self.trials, self.incidents)
        self._touched = self._manager.touched
        self._judged = dict(self._manager.routes)
        """Of the sensors that are judged: one that rests is left out."""
        self.alarms: Mapping[str, Alarm] = self._manager.alarms
        """All alarms of the site, by SUBJECT/CONDITION."""

    @property
    def offset_ms(self) -> int:
        """What makes UTC of watch time."""
        return self.model.site.offset_ms

    # -- what is measured -------------------------------------------------------------------

    def observe(self, reading: Reading) -> list[Transition]:
        """Take one reading; see `Reading` for which instants it may carry."""
        sensor_id, t, value, quality = reading
        if quality:
            # Not live.
            self._keep_back(reading)
            return []
        told: list[Transition] = []
        deadlines = self._deadlines
        if self._waiting or (t >= deadlines.next_t and deadlines.is_due(t)):
            told = self.advance(t)
        self.now = t
        route = self._judged.get(sensor_id)
        if route is None:
            return told + self._pass_by(reading)
        self._record(reading)
        try:
            self._hear(route, t, value)
            if self._touched:
                return told + self._settle(t)
        except Exception as error:  # noqa: BLE001 - whatever it is, the watch goes on
            self._since.pop()
            why = describe_error(error)
            return told + self._refuse(Refusal(t, sensor_id, repr(value), why, sensor=True))
        return told

    def _keep_back(self, reading: Reading) -> None:
        """Take a reading that is not judged now."""
        sensor_id, t, value, quality = reading
        sensor = self.model.sensors.get(sensor_id)
        if sensor is None or quality == Quality.LATE:
            return
        self._record(reading)
        if quality == Quality.TIMED:
            heapq.heappush(self._waiting, (t, sensor_id, value))
        else:
            self._remember(sensor, t, value)

    def _pass_by(self, reading: Reading) -> list[Transition]:
        """Take a reading of a sensor that nobody knows, or that rests."""
        sensor_id, t, _, _ = reading
        if sensor_id not in self.model.sensors:
            return []
        if self._rests(sensor_id, t):
            self._record(reading)
            return []
        return self.observe(reading)

    def _record(self, item: Reading | Entry | Refusal) -> None:
        """Note what is told, for a way back."""
        if len(self._since) >= MOST_SINCE:
            self._keep()
        self._since.append(item)

    def _hear(self, route: Route, t: int, raw_value: float) -> None:
        """Judge a live reading. The hot path: most readings change no judgement."""
        sensor, now = route.sensor, self.now
        value, heard_t = raw_value + sensor.offset, sensor.heard_t
        sensor.last_live_t = t
        if heard_t is not None and now - heard_t > sensor.long_gap_ms:
            sensor.note_gap(heard_t, now)
        sensor.heard_t = now
        if sensor.value_filter.judge(t, value, raw_value) is not Verdict.GOOD:
            self._set_aside(route, t, value)
            return
        frozen = sensor.frozen
        if frozen is not None and frozen.take(t, value):
            self._stands_still(route, t)
            return
        sensor.value = value
        sensor.t = sensor.taken_t = t
        revived = not sensor.good or sensor.silent
        if revived:
            sensor.good, sensor.silent, sensor.implausible, sensor.stuck = True, False, False, False
        for feed, alarms in route.feeds:
            if feed(t, value):
                for alarm in alarms:
                    raw = alarm.condition.judge(t, alarm.active)
                    if raw is not alarm.raw or alarm.lingers or alarm.pending_t is not None:
                        self._manager.take(alarm, raw, now, t)
        for alarm in route.judged:
            condition = alarm.condition
            raw = condition.judge(t, alarm.active)
            if raw is not alarm.raw or condition.due is not None:
                self._manager.take(alarm, raw, now, t)
        if revived:
            self._revived(route)

    def _revived(self, route: Route) -> None:
        self._deadlines.set(route.sensor.stale)
        self._deadlines.set(route.sensor.silence)
        route.sensor.hold.lapsed = False
        self._manager.judge(route.watchers, self.now)

    def _set_aside(self, route: Route, t: int, value: float) -> None:
        """A value that can't be true is not taken; the sensor counts as heard all the same."""
        sensor = route.sensor
        sensor.wild_value = value if math.isfinite(value) else None
        if sensor.value_filter.implausible and not sensor.implausible:
            sensor.implausible = True
            self._distrust(sensor, t)
        self._heard(route)

    def _stands_still(self, route: Route, t: int) -> None:
        """A sensor that is stuck counts as heard and is not taken."""
        if not route.sensor.stuck:
            route.sensor.stuck = True
            self._distrust(route.sensor, t)
        self._heard(route)

    def _heard(self, route: Route) -> None:
        """Whatever it says, the sensor is not silent."""
        if route.sensor.silent:
            route.sensor.silent = False
            self._deadlines.set(route.sensor.silence)
            self._manager.judge(route.watchers, self.now)

    def _remember(self, sensor: SensorView, t: int, value: float) -> None:
        """Keep a value that is not judged as the last known one, if it is newer and can be true."""
        value += sensor.offset
        if t >= sensor.t and sensor.value_filter.may_be(value):
            sensor.value, sensor.t = value, t

    def _settle(self, t: int) -> list[Transition]:
        told = self._manager.settle(t)
        return self.incidents.follow(told, t) if told else told

    # -- what falls due -----------------------------------------------------------------------

    @property
    def next_t(self) -> float:
        """When something falls due next (watch ms), infinite if nothing does."""
        if not self._waiting:
            return self._deadlines.next_t
        return min(self._deadlines.next_t, self._waiting[0][0] + self._lateness_ms)

    def advance(self, to: int) -> list[Transition]:
        """Let time pass up to and including `to`: everything due is dated when it was due."""
        passed = self._restore.passed
        for _ in range(_MOST_PASSED):
            before, self._falling = self.now, None
            try:
                told = self._advance(to)
            except Exception as error:
                # What it was alone; if that was passed over already, all of its instant.
                keys = (self.now, self._falling), (self.now, None)
                untried = [key for key in keys if key not in passed]
                if not untried:
                    raise
                self._go_back(before)
                passed[untried[0]] = describe_error(error)
            else:
                self._restore.advanced(to)
                return told
        raise RuntimeError(f"more than {_MOST_PASSED} deadlines can't be judged")

    def _advance(self, to: int) -> list[Transition]:
        told: list[Transition] = []
        passed = self._restore.passed
        while (due := self.next_t) <= to:
            t = self.now = max(self.now, int(due))
            if passed and (t, None) in passed:
                self._pass_all(t, passed[t, None])
                continue
            self._release(t)
            while (item := self._deadlines.pop(t)) is not None:
                self._falling = item.order
                if passed and (t, item.order) in passed:
                    self._pass_over(item, t, passed[t, item.order])
                else:
                    self._fall_due(item, t)
            self._falling = None
            if self._touched:
                told += self._settle(t)
        self.now = max(self.now, to)
        return told

    def _release(self, t: int) -> None:
        """Judge the readings with a time of their own that have waited long enough, in order."""
        while self._waiting and self._waiting[0][0] + self._lateness_ms <= t:
            own_t, sensor_id, value = waited = heapq.heappop(self._waiting)
            if sensor_id not in self._judged and self._rests(sensor_id, t):
                continue
            route = self._manager.routes[sensor_id]
            why = self._restore.passed.get((t, waited))
            if why is not None:
                self._note(Refusal(t, sensor_id, repr(value), why, sensor=True))
            elif own_t >= route.sensor.t:
                self._falling = waited
                self._hear(route, own_t, value)

    def _fall_due(self, item: Timed, t: int) -> None:
        manager = self._manager
        if isinstance(item, StaleDeadline):
            self._distrust(item.sensor, t)
            return
        item.lapse(t)
        if isinstance(item, Alarm):
            manager.touch(item)
            manager.judge((item,), self.now)
        elif isinstance(item, SilenceDeadline):
            manager.judge(manager.routes[item.key].watchers, self.now)
        elif isinstance(item, PowerHold):
            manager.judge(manager.routes[item.key].judged, self.now)
            for name, device in self.model.devices.items():
                if item.sensor in device.powers and device.power_gone(t):
                    manager.judge(manager.of_steps[name], self.now)
        elif isinstance(item, ConnectionView):
            # It holds: silence counts anew from where it was made.
            for sensor in self.model.sensors.values():
                sensor.silence.online(item.since_t)
                self._deadlines.set(sensor.silence)
            manager.judge(manager.of_kind("site"), self.now)

    # -- what can't be judged -------------------------------------------------------------------

    def _keep(self) -> None:
        """Let the present state be the one to go back to."""
        self._restore.keep(self._state(DeviceView.snapshot))

    def _go_back(self, to: int) -> None:
        """Be as before the input, or the passing of time, that could not be judged."""
        restore, self._going_back = self._restore, True
        was_long = len(restore.since) > MANY_SINCE
        try:
            kept = restore.kept()
            self._begin_at(kept)
            try:
                for item in restore.since:
                    self._tell_again(item)
                if restore.advanced_to is not None:
                    self._advance(restore.advanced_to)
            except Exception:  # noqa: BLE001 - not the same as before: memory, or a fault of chance
                restore.since.clear()
                self._begin_at(kept)
        finally:
            self._going_back = False
        self.now = to
        if was_long:
            # More may come that can't be judged.
            self._keep()

    def _begin_at(self, kept: Mapping[str, Any] | None) -> None:
        self._build(self.config)
        if kept is None:
            self.now = 0
        else:
            self._take(kept)

    def _tell_again(self, item: Reading | Entry | Refusal) -> None:
        """Take once more what was good; what follows has been told."""
        if isinstance(item, Entry):
            self._advance(_lived_until(item))
            self._hear_entry(item)
        elif isinstance(item, Refusal):
            self._advance(item.t)
            self._note(item)
            self._settle(item.t)
        elif item.quality == Quality.LIVE:
            self._advance(item.t)
            if item.sensor in self._judged or not self._rests(item.sensor, item.t):
                self._hear(self._manager.routes[item.sensor], item.t, item.value)
                self._settle(item.t)
        elif item.quality == Quality.TIMED:
            heapq.heappush(self._waiting, (item.t, item.sensor, item.value))
        else:
            self._remember(self.model.sensors[item.sensor], item.t, item.value)

    def _refuse(self, refusal: Refusal) -> list[Transition]:
        """Go back to before an input, and take instead that it was refused."""
        self._go_back(refusal.t)
        self._record(refusal)
        self._note(refusal)
        return self._settle(refusal.t)

    def _note(self, refusal: Refusal) -> None:
        """Count it. After some of one sensor its devices begin again; then it rests at each."""
        manager, within_the_hour = self._manager, self._count(refusal)
        sensor = self.model.sensors.get(refusal.subject) if refusal.sensor else None
        if sensor is not None and within_the_hour == RESET_AFTER:
            for name, device in self.model.devices.items():
                if sensor in {device.temperature, device.ambient, *device.powers}:
                    device.restart()
                    manager.judge_safely(manager.of_steps[name], self.now)
        elif sensor is not None and within_the_hour > RESET_AFTER:
            self.model.site.refusals.rests[sensor.id] = refusal.t + REST_MS
            self._judged.pop(sensor.id, None)
        manager.judge_safely(manager.of_kind("site"), self.now)

    def _rests(self, sensor_id: str, t: int) -> bool:
        """Whether a sensor that is left out rests still; else it is judged again."""
        if self.model.site.refusals.is_resting(sensor_id, t):
            return True
        self._judged[sensor_id] = self._manager.routes[sensor_id]
        return False

    def _pass_over(self, item: Timed, t: int, why: str) -> None:
        """Let a deadline pass that can't be judged: its alarms keep their state."""
        item.lapse(t)
        if isinstance(item, Alarm):
            self._manager.touch(item)
            self._manager.take(item, None, self.now, t)
        elif isinstance(item, StaleDeadline | SilenceDeadline):
            if isinstance(item, StaleDeadline):
                self._deadlines.set(item.sensor.hold)
            self._manager.judge_safely(self._manager.routes[item.key].watchers, self.now)
        self._note(Refusal(t, item.key, "passed", why, what=DEADLINE))

    def _pass_all(self, t: int, why: str) -> None:
        """Let everything of an instant pass at which even passing over raises."""
        while self._waiting and self._waiting[0][0] + self._lateness_ms <= t:
            heapq.heappop(self._waiting)
        while (item := self._deadlines.pop(t)) is not None:
            item.lapse(t)
            if isinstance(item, Alarm):
                item.pending_t = None
        self._touched.clear()
        self._count(Refusal(t, "the whole watch", "passed", why, what=DEADLINE))

    def _count(self, refusal: Refusal) -> int:
        """Take a refusal; give how many of its subject there were within the hour."""
        if not self._going_back:
            self.refused.append(refusal)
        return self.model.site.refusals.note(refusal)

    def _distrust(self, sensor: SensorView, t: int) -> None:
        """From now on nothing is judged by a sensor that is stale, stuck or implausible."""
        sensor.good = False
        self._deadlines.set(sensor.hold)
        for device in self.model.devices.values():
            if device.ambient is sensor:
                device.observer.lose_ambient()
        self._manager.judge(self._manager.routes[sensor.id].watchers, self.now, t)

    # -- what the engine is told beside readings ------------------------------------------------

    def tell(self, entry: Entry) -> list[Transition]:
        """Take one journal entry; a new configuration goes to `configure` instead."""
        if entry.kind is EntryKind.START:
            return self._start(entry)
        if entry.kind is EntryKind.RENAME:
            return self._rename(entry)
        told = self.advance(_lived_until(entry))
        self._record(entry)
        try:
            told += self._hear_entry(entry)
        except Exception as error:  # noqa: BLE001 - whatever it is, the watch goes on
            self._since.pop()
            return told + self.set_aside(entry, error)
        # A pause is heard at its beginning; what falls due amid it is dated then.
        return told + self.advance(entry.t) if entry.kind is EntryKind.PAUSE else told

    def set_aside(self, entry: Entry, error: Exception) -> list[Transition]:
        """Take that an entry can't be told, or judged, because of an error."""
        why = describe_error(error)
        if entry.kind is EntryKind.COMMAND:
            self.answer = CommandResult(False, f"It can't be carried out ({why}).")
        excerpt = repr(entry.data)[:LONGEST_EXCERPT]
        subject = f"an entry of the journal ({entry.kind.value})"
        return self._refuse(Refusal(max(entry.t, self.now), subject, excerpt, why))

    def _hear_entry(self, entry: Entry) -> list[Transition]:
        """Take one entry at its instant; a pause where it begins."""
        for alarm in self.alarms.values():
            alarm.condition.hear(entry)
        site, manager, data = self.model.site, self._manager, entry.data
        match entry.kind:
            case EntryKind.STOP:
                self._stopped(entry.t)
            case EntryKind.CONNECT:
                site.connection.made(entry.t, data)
                self._deadlines.set(site.connection)
            case EntryKind.DISCONNECT:
                for sensor in self.model.sensors.values():
                    sensor.silence.offline(entry.t, site.connection.since_t)
                    self._count_anew(sensor)
                site.connection.lost(entry.t, data)
            case EntryKind.OFFSET:
                site.offset_ms = int(data["offset_ms"])
            case EntryKind.PAUSE:
                self._pause(entry)
            case EntryKind.COMMAND:
                self.answer = self._desk.carry_out(data, entry.t)
                for alarm in self.answer.alarms:
                    manager.touch(alarm)
                manager.judge(self.answer.alarms, self.now)
            case _:
                self.model.hear(entry)
        manager.judge(manager.of_kind("site"), self.now)
        return self._settle(self.now)

    def _start(self, entry: Entry) -> list[Transition]:
        """Begin a run. What falls due while nothing ran is dated then, but nothing was silent."""
        data = entry.data
        try:
            ran_until_ms = data.get("ran_until_ms")
            ran_until_ms = None if ran_until_ms is None else int(ran_until_ms)
            offset_ms, boot_ms = int(data["offset_ms"]), int(data["boot_ms"])
        except _MALFORMED as error:
            return self.advance(entry.t) + self.set_aside(entry, error)
        told = [] if ran_until_ms is None else self.advance(ran_until_ms)
        self._stopped(self.now)
        # What follows is not told again on a way back: it begins here, and then at its end.
        self._keep()
        told += self.advance(entry.t)
        site = self.model.site
        site.connection.begin(entry.t)
        site.offset_ms = offset_ms
        for sensor in self.model.sensors.values():
            sensor.silence.not_before_t = boot_ms + SETTLE_AFTER_BOOT_MS
            sensor.unheard = Unheard()
        site.running = True
        self._manager.judge(self._manager.of_kind("site"), self.now)
        told += self._settle(entry.t)
        self._keep()
        return told

    def _pause(self, entry: Entry) -> None:
        """Nothing was heard because nobody listened: delays and silence count lived time only.

        What is stale by its end is so all the same: nothing may be judged by what is that old.
        """
        ran_until_ms, connection = int(entry.data["ran_until_ms"]), self.model.site.connection
        t = max(self.now, ran_until_ms)
        for sensor in self.model.sensors.values():
            sensor.silence.paused(t, connection.since_t, entry.t)
            self._count_anew(sensor)
        lost_ms = max(0, entry.t - t)
        connection.paused(entry.t, lost_ms)
        for alarm in self.alarms.values():
            alarm.put_off(lost_ms)

    def _count_anew(self, sensor: SensorView) -> None:
        """Silent, but nobody was told so yet: unless the break was one of many, wait for it anew.

        The way may have been dead for as long as the sensor seemed to be.
        """
        route = self._manager.routes[sensor.id]
        told = any(each.active and each.condition.tells_silence for each in route.watchers)
        if not told and not sensor.silence.counted_ms:
            self._heard(route)

    def _stopped(self, t: int) -> None:
        self.model.site.running = False
        for sensor in self.model.sensors.values():
            sensor.silence.stopped()
        self.model.site.connection.stop(t)

    def configure(self, config: Config, t: int) -> list[Transition]:
        """Put another configuration in force at `t`: alarms and memories that still exist go on.

        An alarm that stands but has no place in it is told as normal, so that nothing is left
        standing that nobody judges.
        """
        told = self.advance(t)
        gone = {key: alarm for key, alarm in self.alarms.items() if alarm.state != "normal"}
        state = self.save()
        self._build(config)
        try:
            self._take(state)
        except Exception as error:  # noqa: BLE001 - the new configuration is in force all the same
            self._build(config)
            self.now, self.model.site.offset_ms = t, state["offset_ms"]
            why = describe_error(error)
            self._note(Refusal(t, "what was known before the configuration changed", "", why))
        self.model.site.forget_channels(config.notify)
        for key in sorted(gone.keys() - self.alarms.keys()):
            told += self.incidents.follow([self._manager.dropped(gone[key], t)], t)
        self._manager.judge(self.alarms.values(), self.now)
        told += self._settle(t)
        self._keep()
        return told

    def _rename(self, entry: Entry) -> list[Transition]:
        """Let a sensor go on under another ID: nothing else changes, so nothing follows."""
        told = self.advance(entry.t)
        if not entry.is_whole:
            return told + self.set_aside(entry, ValueError("a rename needs an old and a new ID"))
        old, new = entry.data["old"], entry.data["new"]
        # Without a place in the configuration in force there is nothing here to go on with.
        if old in self.config.sensors and new not in self.config.sensors:
            state = renamed(self.save(), old, new)
            self._build(self.config.with_sensor_renamed(old, new))
            self._take(state)
            self._keep()
        return told

    # -- what programs read ---------------------------------------------------------------------

    def device_figures(self) -> dict[str, dict[str, Any]]:
        """Give the live figures of every device, by ID."""
        return {
            name: {"name": device.name}
            | device.figures()
            | {"learning": device.learning_figures(self.offset_ms)}
            for name, device in self.model.devices.items()
        }

    def sensor_figures(self) -> dict[str, dict[str, Any]]:
        """Give the present of every sensor, by ID."""
        return {name: each.figures(self.offset_ms) for name, each in self.model.sensors.items()}

    def accounts(self) -> list[Account]:
        """Give the account of each incident as it is now, the worst first, what is over last."""
        return self.incidents.accounts(self.now)

    # -- state ------------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """Give the whole state as JSON-able values, for a warm start."""
        return self._state(DeviceView.save)

    def _state(self, state_of: Callable[[DeviceView], dict[str, Any]]) -> dict[str, Any]:
        return {
            "version": STATE_VERSION,
            "now": self.now,
            "offset_ms": self.offset_ms,
            **self.model.save({name: state_of(view) for name, view in self.model.devices.items()}),
            "alarms": {key: alarm.save() for key, alarm in self.alarms.items()},
            "incidents": self.incidents.save(),
            "waiting": [list(item) for item in sorted(self._waiting)],
            "trials": self.trials.save(),
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved state; what the configuration no longer knows is passed over."""
        self._take(state)
        self._keep()

    def _take(self, state: Mapping[str, Any]) -> None:
        self.now, self.model.site.offset_ms = state["now"], state["offset_ms"]
        self.model.load(state)
        for key in state["alarms"].keys() & self.alarms.keys():
            self.alarms[key].load(state["alarms"][key])
        if "incidents" in state:
            self.incidents.load(state["incidents"])
        self.incidents.adopt(self.now)
        self._waiting = [
            (t, name, value) for t, name, value in state["waiting"] if name in self.model.sensors
        ]
        for name in list(self.model.site.refusals.rests):
            if self._judged.pop(name, None) is None:
                del self.model.site.refusals.rests[name]
        self.trials.load(state["trials"])
        self._resume()

    def _resume(self) -> None:
        """Derive after a load what is not saved: suppression and deadlines."""
        self._desk.withhold()
        for alarm in self.alarms.values():
            alarm.refresh_suppression(self.now)
            self._deadlines.set(alarm)
        self._deadlines.set(self.model.site.connection)
        for sensor in self.model.sensors.values():
            self._deadlines.set(sensor.stale)
            self._deadlines.set(sensor.silence)
            due = sensor.hold.due
            if due is not None and due <= self.now:
                sensor.hold.lapsed = True
            self._deadlines.set(sensor.hold)


def _lived_until(entry: Entry) -> int:
    """Give how far the watch lives before it hears an entry: in a pause it does not."""
    if entry.kind is not EntryKind.PAUSE:
        return entry.t
    try:
        return min(int(entry.data["ran_until_ms"]), entry.t)
    except _MALFORMED:
        return entry.t

"""What people order and say they did: acknowledge, shelve, out of service, learn, trials, notes.

What can't be done is answered in a sentence, never raised.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from cabinetwatch.text import NBSP, describe_duration, from_rfc3339, local_time, printable
from cabinetwatch.watch.alarms import LONGEST_HIGH_S, Alarm, AlarmManager
from cabinetwatch.watch.conditions.base import watts
from cabinetwatch.watch.devices import DeviceView
from cabinetwatch.watch.events import AlarmState, Priority
from cabinetwatch.watch.incidents import IncidentBook
from cabinetwatch.watch.site import SiteModel
from cabinetwatch.watch.trials import CHANGED, TrialBook

NOT_VERIFIED = "not verified until somebody has checked that every fan is turning"
"""What must be said with everything learnt: a fan that had stopped already was learnt as normal."""

LONGEST_NOTE = 500
_LONGEST_S = 100 * 366 * 86_400.0

_TO_ACKNOWLEDGE = {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED}
_TO_SHELVE = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}

Command = Mapping[str, Any]
"""What was ordered; `EntryKind.COMMAND` says what it holds."""
Done = tuple[str, list[Alarm]]
"""What was done, in a sentence, and the alarms to look at anew."""


@dataclass(slots=True)
class CommandResult:
    """What became of a command: one sentence, and the alarms to look at anew."""

    ok: bool
    text: str
    alarms: list[Alarm] = field(default_factory=list)


class _CannotError(Exception):
    """Why a command can't be carried out, in a sentence."""


class CommandDesk:
    """Carries out commands on all that they may change; owned by the engine."""

    def __init__(
        self, model: SiteModel, manager: AlarmManager, trials: TrialBook, incidents: IncidentBook
    ) -> None:
        self._model = model
        self._manager = manager
        self._trials = trials
        self._incidents = incidents

    def carry_out(self, command: Command, t: int) -> CommandResult:
        """Carry out one command at `t` (watch ms)."""
        try:
            text, alarms = self._carry_out(self._as_of(command, t), t)
        except _CannotError as error:
            return CommandResult(False, str(error))
        return CommandResult(True, text, alarms)

    def _carry_out(self, command: Command, t: int) -> Done:
        match command.get("command"):
            case "note":
                return self._note(command, t)
            case "learn":
                return self._learn(command, t)
            case "ack":
                return self._acknowledge(command)
            case "trial-begin" | "trial-phase" | "trial-end":
                return self._on_trial(command, t)
        return self._on_alarms(command, t)

    def _as_of(self, command: Command, t: int) -> Command:
        """Give a command as it is now: for how long, where it says until when."""
        utc_ms, timezone = t + self._model.site.offset_ms, self._model.config.site.timezone
        by, until = command.get("done_by"), command.get("until")
        if by is not None and (by_ms := _instant(by)) < utc_ms:
            when = local_time(by_ms, timezone)
            raise _CannotError(f"This comes too late: it was to be done by {when}, or not at all.")
        if until is None:
            return command
        until_ms = _instant(until)
        if until_ms <= utc_ms:
            raise _CannotError(f"This comes too late: {local_time(until_ms, timezone)} is over.")
        return {**command, "for_s": (until_ms - utc_ms) / 1000}

    # -- on alarms ------------------------------------------------------------------------------

    def _acknowledge(self, command: Command) -> Done:
        """Acknowledge an incident, one alarm, those of a device or sensor, or all there are."""
        wanted = None if command.get("all") is True else str(command.get("id"))
        alarms = self._incidents.alarms_of(wanted)
        if wanted is not None and not any(alarm.id for alarm in alarms):
            raise _CannotError(f"Nothing with the ID {wanted!r} is on or waits for anybody.")
        waiting = [alarm for alarm in alarms if alarm.state in _TO_ACKNOWLEDGE]
        if not waiting:
            told = ", ".join(f"{alarm.named} is {alarm.state}" for alarm in alarms if alarm.id)
            raise _CannotError(f"There is nothing to acknowledge{told and f': {told}'}.")
        for alarm in waiting:
            alarm.acknowledged = True
            alarm.acknowledged_by = printable(str(command.get("by") or ""))
            alarm.remark = _remark(command)
        return f"{_are(waiting)} acknowledged.", waiting

    def _on_alarms(self, command: Command, t: int) -> Done:
        name, for_s, wanted_id = command.get("command"), command.get("for_s"), command.get("id")
        is_span = isinstance(for_s, int | float) and 0 < for_s <= _LONGEST_S
        if not is_span and (for_s is not None or name == "shelve"):
            raise _CannotError(f"{for_s!r} is no duration in seconds above 0.")
        if "incident" in command:
            return _on_incident(command, self._incidents.alarms_of(str(command["incident"])), t)
        alarms = self._manager.alarms.values()
        if name in {"service-out", "service-in"}:
            subject = command.get("subject")
            return _service(command, [each for each in alarms if each.subject == subject], t)
        alarm = next((each for each in alarms if each.id and each.id == wanted_id), None)
        if alarm is None:
            raise _CannotError(f"There is no active alarm with the ID {wanted_id!r}.")
        return _on_alarm(command, alarm, t)

    # -- on devices -----------------------------------------------------------------------------

    def _learn(self, command: Command, t: int) -> Done:
        """Begin to learn from now on, take over what the record has taught, or verify.

        None of it while the device is too warm: what it shows then must not pass for normal.
        """
        device = self._model.devices.get(str(command.get("device")))
        if device is None:
            raise _CannotError(f"There is no device {command.get('device')!r}.")
        if device.ambient is None:
            raise _CannotError(
                f"{device.name} has no sensor of the surrounding air, so no rise to learn."
            )
        for alarm in self._manager.alarms.values():
            hot = alarm.active and alarm.condition.is_heat and alarm.subject == device.id
            if hot and not command.get("anyway"):
                raise _CannotError(too_hot_to_learn(alarm.named))
        if command.get("verified"):
            device.verified_t = t
            return f"{device.name} is verified: every fan was seen turning.", []
        observer = command.get("observer")
        try:
            device.learn_anew(observer)
        except (KeyError, TypeError, ValueError):
            raise _CannotError(f"What was learnt of {device.name} is of another version.") from None
        days = f"from now on for {device.settings.learning_days:zg}{NBSP}d"
        told = f"{device.name} learns its normal rise and response again, {days}."
        if observer is not None:
            told = _learnt(device)
        return told, [*self._manager.of_steps[device.id]]

    def _note(self, command: Command, t: int) -> Done:
        """Take a note: the trend of the device, or of all, starts anew from it."""
        name, at = command.get("device"), command.get("at")
        if name is not None and name not in self._model.devices:
            raise _CannotError(f"There is no device {name!r}.")
        since_t = t if at is None else _instant(at) - self._model.site.offset_ms
        if since_t > t:
            raise _CannotError(f"{at} is in the future; a note says what was done.")
        for device in self._model.devices.values():
            if name in {None, device.id}:
                device.watch_drift_from(since_t)
        text = printable(str(command.get("text", "")))[:LONGEST_NOTE]
        whose = "the cabinet" if name is None else str(name)
        return f"Noted for {whose}: {text}. Its drift is watched anew from then on.", [
            alarm
            for alarm in self._manager.of_kind("device")
            if alarm.condition.rests_on_trend and name in {None, alarm.subject}
        ]

    def _on_trial(self, command: Command, t: int) -> Done:
        utc_ms = t + self._model.site.offset_ms
        try:
            told = self._trials.take(command, self._model.devices, utc_ms)
        except ValueError as error:
            raise _CannotError(f"{error}.") from error
        self.withhold()
        return told, self._manager.of_kind("device")

    def withhold(self) -> None:
        """Tell each device of its trial, and each alarm whether that suppresses it by design."""
        devices = self._model.devices
        for device in devices.values():
            trial = self._trials.open_of(device.id)
            device.trial = trial if trial is not None and trial.phase in CHANGED else None
        for alarm in self._manager.of_kind("device"):
            trial = devices[alarm.subject].trial
            hidden = trial is not None and alarm.condition.withheld_in_trial
            alarm.withheld_by = trial.name if trial is not None and hidden else ""


def _instant(text: object) -> int:
    try:
        return from_rfc3339(str(text))
    except ValueError as error:
        raise _CannotError(f"{error}.") from error


def _are(alarms: Sequence[Alarm]) -> str:
    named = ", ".join(alarm.named for alarm in alarms)
    return f"{named} {'is' if len(alarms) == 1 else 'are'}"


def _on_incident(command: Command, members: Sequence[Alarm], t: int) -> Done:
    """Shelve what is to be seen of an incident, or take it off; what comes on top of it is told."""
    match command.get("command"):
        case "shelve" if seen := [each for each in members if each.state in _TO_SHELVE]:
            return _shelve(command, seen, t)
        case "unshelve" if hidden := [e for e in members if e.state is AlarmState.SHELVED]:
            for alarm in hidden:
                alarm.shelved_until_t = None
            return f"{_are(hidden)} no longer shelved.", hidden
    raise _CannotError(f"Incident {command['incident']!r} is over, or that was done already.")


def _shelve(command: Command, alarms: list[Alarm], t: int) -> Done:
    for_s = float(command["for_s"])
    high = [alarm for alarm in alarms if alarm.priority is Priority.HIGH]
    if high and for_s > LONGEST_HIGH_S:
        most = describe_duration(LONGEST_HIGH_S)
        raise _CannotError(
            f"{high[0].named} is of high priority and can be shelved for {most} at most."
        )
    for alarm in alarms:
        alarm.shelve(t + round(for_s * 1000))
        alarm.remark = _remark(command)
    return f"{_are(alarms)} shelved for {describe_duration(for_s)}.", alarms


def _on_alarm(command: Command, alarm: Alarm, t: int) -> Done:
    name, state = command.get("command"), alarm.state
    match name:
        case "ack-returned" if state is not AlarmState.RETURNED:
            # What stands, or stands again, is for a person to acknowledge.
            raise _CannotError(f"{alarm.named} is {state}, not returned.")
        case "ack-returned":
            alarm.acknowledged = True
            alarm.remark = _remark(command)
            return f"{alarm.named} is acknowledged.", [alarm]
        case "shelve" if state is AlarmState.OUT_OF_SERVICE:
            raise _CannotError(f"{alarm.named} is out of service and can't be shelved.")
        case "shelve":
            return _shelve(command, [alarm], t)
        case "unshelve" if state is not AlarmState.SHELVED:
            raise _CannotError(f"{alarm.named} is not shelved.")
        case "unshelve":
            alarm.shelved_until_t = None
            return f"{alarm.named} is no longer shelved.", [alarm]
    raise _CannotError(f"There is no command {name!r}.")


def _service(command: Command, alarms: list[Alarm], t: int) -> Done:
    if not alarms:
        raise _CannotError(f"There is no subject {command.get('subject')!r} with alarms.")
    if command["command"] == "service-in":
        for alarm in alarms:
            alarm.put_in()
        return f"{alarms[0].called} is back in service.", alarms
    for_s = command.get("for_s")
    for alarm in alarms:
        alarm.take_out(None if for_s is None else t + round(for_s * 1000))
        alarm.remark = _remark(command)
    span = "" if for_s is None else f" for {describe_duration(for_s)}"
    return f"{alarms[0].called} is out of service{span}.", alarms


def _remark(command: Command) -> str:
    """Put claimed name, address and reason together: somebody's words, so they are escaped."""
    by, place, reason = (command.get(key) for key in ("by", "address", "reason"))
    said = (by and f"by {by}", place and f"from {place}", reason and str(reason))
    return printable(", ".join(filter(None, said)))


def too_hot_to_learn(alarm: str) -> str:
    """Say why nothing is learnt while an alarm on a device's heat is active."""
    return (
        f"{alarm} is active and would be learnt as normal: wait until it is over, or add --anyway."
    )


def _learnt(device: DeviceView) -> str:
    """Say what is in force after a lesson."""
    normal, status = device.observer.normal, device.observer.learning
    told = f"{device.name} has learnt"
    if normal is not None:
        at = "" if normal.power_w is None else f" at {watts(normal.power_w)}"
        told += f" a normal rise of {device.unit.difference(normal.rise_k)}{at}"
    confidence = f" (confidence: {status.confidence})" if status.confidence else ""
    return f"{told}{confidence}; {NOT_VERIFIED}."
